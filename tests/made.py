"""What several tests make: a scene with four corners, odd pictures, coloured shapes as a labelled job; a free port."""

from __future__ import annotations

import io
import socket
import struct
import zlib
from pathlib import Path

import numpy as np
from PIL import Image


def scene(size: tuple[int, int] = (64, 48), seed: int = 0) -> Image.Image:
    """A picture whose four corners differ, so that every turn shows."""
    rng = np.random.default_rng(seed)
    pixels = rng.integers(90, 130, (size[1], size[0], 3), dtype=np.uint8)
    pixels[:12, :12] = (250, 0, 0)
    pixels[:12, -12:] = (0, 250, 0)
    pixels[-12:, :12] = (0, 0, 250)
    return Image.fromarray(pixels)


def jpeg(picture: Image.Image, **options: object) -> bytes:
    """Return a picture as the bytes of a JPEG."""
    held = io.BytesIO()
    picture.save(held, "JPEG", **options)
    return held.getvalue()


def png(width: int, height: int, rows: int = 1) -> bytes:
    """Return a PNG whose header says width x height and which holds rows of black."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    body = zlib.compress(b"\0" * ((width * 3 + 1) * rows))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


def free_port() -> int:
    """Return a port of this machine that nobody listens on."""
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        return int(held.getsockname()[1])


TURNS = {
    1: [], 2: [Image.Transpose.FLIP_LEFT_RIGHT], 3: [Image.Transpose.ROTATE_180], 4: [Image.Transpose.FLIP_TOP_BOTTOM],
    5: [Image.Transpose.TRANSPOSE], 6: [Image.Transpose.ROTATE_90], 7: [Image.Transpose.TRANSVERSE],
    8: [Image.Transpose.ROTATE_270],
}  # fmt: skip

COLOURS = {
    "Ixodes scapularis": (150, 40, 20),
    "Amblyomma americanum": (60, 110, 40),
    "Dermacentor variabilis": (60, 60, 150),
}


def write_shapes(folder: Path, specimens: int = 120, seed: int = 0) -> Path:
    """Write a small labelled set: the colour of a blob tells the taxon, its size the stage, a bar the sex."""
    rng = np.random.default_rng(seed)
    (folder / "photographs").mkdir(parents=True)
    lines = ["file,specimen_id,submission_id,scientific_name,life_stage,sex,license_uri,device"]
    for number in range(specimens):
        name = list(COLOURS)[number % 3]
        stage, sex = (("nymph", ""), ("adult", "female"), ("adult", "male"))[(number // 3) % 3]
        for shot in range(1 + number % 2):
            pixels = np.clip(rng.normal(190, 14, (96, 96, 3)), 0, 255)
            half = 14 if stage == "nymph" else 30
            y, x = rng.integers(-8, 9, 2) + 48
            pixels[y - half : y + half, x - half : x + half] = np.array(COLOURS[name]) + rng.normal(0, 10, 3)
            if sex == "male":
                pixels[y - 4 : y + 4, x - half : x + half] = 245
            file = f"photographs/p{number:04d}-{shot}.jpg"
            Image.fromarray(np.clip(pixels, 0, 255).astype(np.uint8)).save(folder / file, quality=92)
            written = name if number % 11 else f"{name.split()[0]} sp."
            shown = "" if number % 13 == 5 else sex
            lines.append(f"{file},s{number:04d},g{number // 2:04d},{written},{stage},{shown},CC0-1.0,phone")
    (folder / "labels.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder / "labels.csv"


JOB = """
name = "shapes"
output = "run"
seed = 3
[bench]
name = "Test bench"
contact = "the identifier, room 2"
drawn = true
[data]
path = "labels.csv"
[picture]
size_px = 64
[split]
train = 0.4
val = 0.2
calibration = 0.2
test = 0.2
[train]
epochs = 2
workers = 1
"""
