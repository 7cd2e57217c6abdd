"""The doors by which a stranger's bytes come in, each as a function that must answer or refuse in the project's words.

A door takes the bytes and an empty folder and returns a word for what happened. What it may raise is a TickvisionError;
anything else, or a broken promise of the door (a round trip that loses something, a file outside its folder), is a
find. Input of several files is one text: parts(...) tells how. Nothing here needs atheris.
"""

from __future__ import annotations

import asyncio
import hashlib
import io
import json
import re
import struct
import zipfile
from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from tickvision.errors import TickvisionError

MARK = b"\n%%% "
IMAGE_LIMIT = 4_000_000  # pixels; the real limit would make a mutated header cost seconds, and is tested by itself
SIDE = 32
TAXA = ("Ixodes scapularis", "Amblyomma americanum", "Dermacentor variabilis")


@dataclass(frozen=True)
class Target:
    """attempt: (bytes, empty folder) -> a word. seeds: where mutation starts. modules: those that guide it."""

    attempt: Callable[[bytes, Path], str]
    seeds: Callable[[], list[bytes]]
    modules: tuple[str, ...]


def knock(target: Target, content: bytes, folder: Path) -> str:
    """Return the door's word, "refused" for the project's own errors; all else is raised, and is a find."""
    try:
        return target.attempt(content, folder)
    except TickvisionError as error:
        if not str(error).strip():
            raise AssertionError("a refusal without a word") from error
        return "refused"


def join(files: dict[str, bytes]) -> bytes:
    """Return the files as one input."""
    return b"".join(MARK + name.encode() + b"\n" + content for name, content in files.items())


def parts(content: bytes) -> dict[str, bytes]:
    """Return name -> bytes of an input made of several files; the last of a name counts."""
    found = {}
    for part in (b"\n" + content.lstrip(b"\n")).split(MARK)[1:]:
        name, _, held = part.partition(b"\n")
        found[name.decode("latin-1").strip()] = held
    return found


# --- photographs --------------------------------------------------------------------------------------------------


def image(content: bytes, folder: Path) -> str:
    """A photograph: to predict, to check (which must agree), its head, and a copy without its place."""
    from tickvision.data import gps, pictures
    from tickvision.deployment.reader import decode_any
    from tickvision.errors import ImageError
    from tickvision.images import decode, look
    from tickvision.images.prepare import Prepare, to_square

    decode.MAX_PIXELS = IMAGE_LIMIT
    prepare = Prepare(SIDE)
    path = folder / "p.jpg"
    path.write_bytes(content)
    try:
        photo = decode_any(content, prepare.decode_px)
        status = "ok"
        square = to_square(photo, prepare)
        if square.shape != (SIDE, SIDE, 3) or square.dtype != np.uint8:
            raise AssertionError(f"square {square.shape} {square.dtype}")
        look.difference_hash(square)
        if not np.isfinite(look.measure_quality(square, photo.width, photo.height).row).all():
            raise AssertionError("quality is no number")
    except ImageError as error:
        status = error.status
    _, values, _ = pictures.look_at(path, "", prepare)
    if values["status"] != status:
        raise AssertionError(f"predict says {status}, check says {values['status']}")
    gps.write_without_place(path, folder / "copy.jpg")
    return status


def image_seeds() -> list[bytes]:
    """Small pictures of every kind that is read, with EXIF, XMP, palettes, 16 bits, and one kind that is not."""
    rng = np.random.default_rng(0)
    picture = Image.fromarray(rng.integers(0, 255, (24, 32, 3), dtype=np.uint8))
    exif = Image.Exif()
    exif[0x0112] = 6
    exif.get_ifd(0x8825)[2] = (51.0, 30.0, 0.0)
    grey16 = Image.fromarray(rng.integers(0, 65535, (16, 16), dtype=np.uint16))
    xmp = b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><a exif:GPSLatitude="51,30.0N"/></x:xmpmeta>'
    made: list[tuple[Image.Image, str, dict[str, Any]]] = [
        (picture, "JPEG", {"exif": exif, "quality": 60}),
        (picture, "JPEG", {"progressive": True, "quality": 40, "xmp": xmp}),
        (picture.convert("CMYK"), "JPEG", {}),
        (picture.convert("L"), "JPEG", {}),
        (picture, "PNG", {"exif": exif}),
        (picture.convert("RGBA"), "PNG", {}),
        (picture.convert("P"), "PNG", {"transparency": 0}),
        (picture.convert("1"), "PNG", {}),
        (grey16, "PNG", {}),
        (grey16, "TIFF", {}),
        (picture, "TIFF", {"compression": "tiff_lzw", "exif": exif}),
        (picture, "TIFF", {"compression": "jpeg"}),
        (picture.convert("F"), "TIFF", {}),
        (picture, "WEBP", {"exif": exif, "quality": 30}),
        (picture.convert("RGBA"), "WEBP", {"lossless": True}),
        (picture, "BMP", {}),
        (picture.convert("P"), "BMP", {}),
        (picture, "GIF", {}),
    ]
    return [_saved(*one) for one in made]


def _saved(picture: Image.Image, kind: str, options: dict[str, Any]) -> bytes:
    out = io.BytesIO()
    picture.save(out, kind, **options)
    return out.getvalue()


# --- Darwin Core archives -----------------------------------------------------------------------------------------


def archive(content: bytes, folder: Path) -> str:
    """An archive as zip bytes, or as parts that are zipped here; nothing may be written outside the work folder."""
    from tickvision.data.archive import read_archive
    from tickvision.data.labels import read_label, read_licence

    path, work = folder / "set.zip", folder / "work"
    path.write_bytes(content if content.startswith(b"PK") else _zipped(parts(content)))
    try:
        records, findings = read_archive(path, work, None, {})
    finally:
        outside = [p.name for p in folder.iterdir() if p.name not in ("set.zip", "work")]
        if outside:
            raise AssertionError(f"written outside the work folder: {outside}")
    for record in records:
        texts = [*record.fields.values(), *record.others.values()]
        if not all(isinstance(t, str) for t in texts):
            raise AssertionError("a value that is no text")
        read_label(record.fields, "ticks", "")
        read_licence(record.fields.get("license_uri", ""), ("CC0-1.0",))
        file = record.fields["file"]
        if not record.fields.get("fault") and not Path(file).resolve().is_relative_to(folder.resolve()):
            raise AssertionError(f"a photograph outside the folder: {file}")
    return f"{min(len(records), 3)} records, {min(len(findings), 3)} findings"


def _zipped(files: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        for name, held in files.items():
            packed.writestr(zipfile.ZipInfo(name or "x"), held)
    return out.getvalue()


_DWC = "http://rs.tdwg.org/dwc/terms/"
_CORE = ("occurrenceID", "scientificName", "lifeStage", "sex", "identificationQualifier", "associatedTaxa")
_MEDIA = "http://rs.gbif.org/terms/1.0/Multimedia"


def _meta(kind: str = "Occurrence", shape: str = 'fieldsTerminatedBy="," fieldsEnclosedBy="&quot;"') -> bytes:
    fields = "".join(f'<field index="{i}" term="{_DWC}{term}"/>' for i, term in enumerate(_CORE))
    head = f'encoding="UTF-8" linesTerminatedBy="\\n" ignoreHeaderLines="1" {shape}'
    return (
        f'<archive xmlns="http://rs.tdwg.org/dwc/text/"><core {head} rowType="{_DWC}{kind}">'
        f'<files><location>o.csv</location></files><id index="0"/>{fields}</core>'
        f'<extension {head} rowType="{_MEDIA}"><files><location>m.csv</location></files><coreid index="0"/>'
        '<field index="1" term="http://purl.org/dc/terms/identifier"/>'
        '<field index="2" term="http://purl.org/dc/terms/license"/></extension></archive>'
    ).encode()


def archive_seeds() -> list[bytes]:
    """Occurrences and events with media, in and beside the archive, comma and tab, as parts and as zip bytes."""
    rows = b'i,n,s,x,q,h\n1,Ixodes scapularis,adult,female,,\n2,Ixodes,Nymph,,cf.,"host: Canis"\n'
    media = b"i,f,l\n1,a.jpg,http://creativecommons.org/publicdomain/zero/1.0/\n2,https://x.example/b.jpg,CC-BY\n"
    plain = {"meta.xml": _meta(), "o.csv": rows, "m.csv": media, "a.jpg": b"\xff\xd8"}
    tabbed = {
        "meta.xml": _meta("Event", 'fieldsTerminatedBy="\\t" fieldsEnclosedBy=""'),
        "o.csv": rows.replace(b",", b"\t"),
        "m.csv": media.replace(b",", b"\t"),
    }
    return [join(plain), join(tabbed), _zipped(plain)]


# --- tables and configs -------------------------------------------------------------------------------------------


def table(content: bytes, folder: Path) -> str:
    """A labels CSV with its mapping: a manifest that reads back as it was. Further tables a user writes, too."""
    from tickvision.data import columns, fetch, ingest, manifest, mapping, regions, sources
    from tickvision.deployment import specimens
    from tickvision.errors import DataError

    files = parts(content)
    paths = {name: folder / name for name in ("labels.csv", "mapping.toml", "regions.csv", "list.csv")}
    for name, path in paths.items():
        if name in files:
            path.write_bytes(files[name])
    if "list.csv" in files:
        specimens.read_list(paths["list.csv"])
        return "list"
    boxes = regions.read(paths["regions.csv"]) if "regions.csv" in files else {}
    how = mapping.read_mapping(paths["mapping.toml"] if "mapping.toml" in files else None, {}, {})
    records = list(mapping.translated(sources.read_csv(paths["labels.csv"], how), how))
    records = list(regions.cut(fetch.placed(records, folder / "fetched"), boxes))
    frame, findings = ingest.ingest(records, folder, "ticks", "not a tick", ("CC0-1.0", "CC-BY"), len(content) % 2 > 0)
    if set(frame["status"]) - {manifest.USABLE, *ingest.STATUSES}:
        raise AssertionError(f"unknown status in {set(frame['status'])}")
    manifest.write(frame, folder / "manifest.csv")
    again = manifest.read(folder / "manifest.csv")
    if list(again.columns) != list(frame.columns) or again.to_numpy().tolist() != frame.to_numpy().tolist():
        raise AssertionError("the manifest does not read back as it was written")
    if set(columns.MANIFEST) - set(again.columns):
        raise DataError("columns lost")
    ingest.write_findings(findings, folder / "findings.csv")
    if sorted(map(str, ingest.read_findings(folder / "findings.csv"))) != sorted(map(str, findings)):
        raise AssertionError("the findings do not read back as they were written")
    return f"{min(len(frame), 3)} rows, {min(len(findings), 3)} findings"


def table_seeds() -> list[bytes]:
    """Labels in our columns and in foreign ones with a mapping, boxes, and a list of specimens."""
    labels = (
        b"file,specimen_id,submission_id,scientific_name,life_stage,sex,license_uri,region\n"
        b"a.jpg,s1,g1,Ixodes scapularis,adult,female,CC0-1.0,\n"
        b'"b, 2.jpg",s2,g1,"Ixodes sp.",nymph,,CC-BY,0.1 0.1 0.5 0.5\n=x.jpg,s2,,Dermacentor,larva,,,\n'
    )
    foreign = b"\xef\xbb\xbfFoto;Tier;Art;Stadium\na.jpg;1;Ixodes scapularis;W\nb.jpg;2;;N\n"
    how = (
        b'[columns]\nfile = "foto"\nspecimen_id = ["tier", "id.*"]\nscientific_name = "art"\n[optional]\n'
        b'place = "ort"\n[values.life_stage]\n"n" = "nymph"\n"w" = "adult"\n[defaults]\nlicense_uri = "CC0-1.0"\n'
    )
    boxes = b"photo_id,tick,region,sex\na.jpg,1,0 0 0.5 0.5,male\na.jpg,2,0.5 0.5 0.5 0.5,\n"
    listed = b"file,specimen_id,region,removed_at\na.jpg,s1,0.1 0.2 0.3 0.4,2026-05-03T18:30\ns3://b/c.jpg,s1,,\n"
    return [
        join({"labels.csv": labels}),
        join({"labels.csv": labels, "regions.csv": boxes}),
        join({"labels.csv": foreign, "mapping.toml": how}),
        join({"list.csv": listed}),
    ]


def config(content: bytes, folder: Path) -> str:
    """A config file and settings laid over it; what is read is written and read again as the same."""
    from tickvision import config as configs

    files = parts(content)
    path = folder / "job.toml"
    path.write_bytes(files.get("job.toml", b""))
    settings = files.get("settings", b"").decode("utf-8", "replace").splitlines()
    read = configs.load(path, settings)
    path.write_text(configs.to_toml(read), encoding="utf-8")
    try:
        again = configs.load(path)
    except TickvisionError as error:
        raise AssertionError("the config that was written cannot be read") from error
    if again != read:
        raise AssertionError("the config does not read back as it was written")
    return "read"


def config_seeds() -> list[bytes]:
    """The shipped configs without their comments, and one of settings."""
    here = Path(__file__).resolve().parents[2] / "configs"
    files = [p.read_text(encoding="utf-8") for p in sorted(here.glob("*.toml"))]
    bare = ["\n".join(line.split(" # ")[0] for line in f.splitlines() if not line.startswith("#")) for f in files]
    settings = b'train.epochs=3\nname=x\nsplit.hold_out={device=["a"]}\ndecide.min_confidence=0.5\ndata.path=x.csv\n'
    small = b'name = "x"\noutput = "o"\n[data]\npath = "l.csv"\n[taxonomy]\nkind = "flat"\n'
    return [join({"job.toml": b.encode()}) for b in bare] + [join({"job.toml": small, "settings": settings})]


# --- packages and predictions -------------------------------------------------------------------------------------


@cache
def network() -> bytes:
    """The smallest network with a package's inputs and outputs: mean colours, then two matrices."""
    from onnx import TensorProto, helper, numpy_helper

    rng = np.random.default_rng(0)
    n, s = len(TAXA), 4
    weights = {"a": rng.normal(size=(3, n)), "b": rng.normal(size=(3, n * s))}
    constants = [numpy_helper.from_array(w.astype(np.float32), k) for k, w in weights.items()]
    constants.append(numpy_helper.from_array(np.array([-1, n, s], np.int64), "shape"))
    nodes = [
        helper.make_node("GlobalAveragePool", ["pictures"], ["pooled"]),
        helper.make_node("Flatten", ["pooled"], ["embedding"]),
        helper.make_node("MatMul", ["embedding", "a"], ["taxon_logits"]),
        helper.make_node("MatMul", ["embedding", "b"], ["flat"]),
        helper.make_node("Reshape", ["flat", "shape"], ["state_logits"]),
    ]
    shapes = {"taxon_logits": ["n", len(TAXA)], "state_logits": ["n", len(TAXA), s], "embedding": ["n", 3]}
    outputs = [helper.make_tensor_value_info(k, TensorProto.FLOAT, v) for k, v in shapes.items()]
    inputs = [helper.make_tensor_value_info("pictures", TensorProto.FLOAT, ["n", 3, SIDE, SIDE])]
    graph = helper.make_graph(nodes, "smallest", inputs, outputs, constants)
    return bytes(
        helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=9).SerializeToString()
    )


def write_package(folder: Path) -> Path:
    """Write a package around the smallest network, with certificates, gates and neighbours, and return it."""
    from tickvision.deployment import neighbours, package
    from tickvision.domain.taxonomy import tick_taxonomy
    from tickvision.evaluation.policy import Policy, Rung
    from tickvision.evaluation.probabilities import HeadMap, JointMap
    from tickvision.evaluation.promises import Certificate, QualityLimit
    from tickvision.evaluation.shortlist import Shortlist
    from tickvision.images.prepare import Prepare

    taxonomy = tick_taxonomy(TAXA)
    size = len(taxonomy.rung_answers(taxonomy.rungs()[0])[0])
    sure = Certificate(0.4, 700, 300, 4, 0, "", 0.03, 0.05, 0.0125)
    rungs = tuple(Rung(r, JointMap((0.5, 0.5, 0.5), 0.1, (1.0, 1.0, 1.0)), sure) for r in taxonomy.rungs())
    policy = Policy(
        HeadMap(1.1, (0.1,) * len(TAXA)),
        HeadMap(0.9),
        rungs,
        Shortlist(0.1, (0.9,) * size, (True,) * size, (9,) * size),
        99.0,
        (QualityLimit("sharpness", "low", 0.0, 5, 0.3, 0.1, 0.01),),
        None,
        0.05,
        0.05,
        700,
        None,
        (1 / len(TAXA),) * len(TAXA),
    )
    near = neighbours.pack(np.ones((1, 3), np.float32), [b"x"], {c: ["a"] for c in neighbours.COLUMNS})
    model = folder / "model.onnx"
    model.write_bytes(network())
    return package.write(
        folder / "package", model, "smallest", taxonomy, Prepare(SIDE), policy, "bench", "room 2", True, ["0" * 64],
        "# card", {"credits.csv": "photo_id\n"}, "made for tests", {"logits": 0.0}, neighbours=near,
    )  # fmt: skip


def package(content: bytes, folder: Path) -> str:
    """A package as parts. Its hashes are set right unless a part "as it is" is there, so that mutation gets past them;
    what is read must also decide: on any logits an answer, or an error of ours."""
    from tickvision.deployment.decision import Case, Maker, Photograph
    from tickvision.deployment.neighbours import Neighbours
    from tickvision.deployment.package import INDEX, NEIGHBOURS, read_all

    files = parts(content)
    if "as it is" not in files:
        files |= _sealed(files)
    path = folder / "package.zip"
    path.write_bytes(content if content.startswith(b"PK") else _zipped(files))
    held, contents = read_all(path)
    if INDEX in contents or any("/" in name for name in contents):
        raise AssertionError("read what is no part of a package")
    t, s = len(held.taxonomy.taxa), len(held.taxonomy.states)
    rng = np.random.default_rng(0)
    quality = np.array([[100.0, 0.1, 0.1, 64.0]] * 3)
    choices = held.policy.decide(
        rng.normal(size=(3, t)), rng.normal(size=(3, t, s)), held.taxonomy, quality, rng.normal(size=(3, 3))
    )
    maker = Maker(held.policy, held.contact, held.model_id, held.drawn)
    for choice in choices:
        json.dumps(maker.from_choice(Case("s", (Photograph("a.jpg", "ok"),), 64), choice).to_dict())
    if NEIGHBOURS in contents:
        Neighbours(contents[NEIGHBOURS]).nearest(np.ones(3, np.float32))
    return "read"


def _sealed(files: dict[str, bytes]) -> dict[str, bytes]:
    """Return package.json with the true hashes and version, if it is JSON at all."""
    from tickvision.deployment.package import MODEL

    try:
        index = json.loads(files["package.json"])
        hashes = {k: hashlib.sha256(v).hexdigest() for k, v in files.items() if k in index["files"]}
        index["files"] = {**index["files"], **hashes}
        core = {part: index[part] for part in ("taxonomy", "prepare", "policy")}
        text = index["files"][MODEL] + json.dumps(core, sort_keys=True)
        index["version"] = hashlib.sha256(text.encode()).hexdigest()[:12]
        return {"package.json": json.dumps(index).encode()}
    except (KeyError, TypeError, ValueError, AttributeError, RecursionError):
        return {}


def package_seeds() -> list[bytes]:
    """A whole package, once sealed by the target and once as it is, and its zip bytes."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        made = write_package(Path(folder))
        files = {p.name: p.read_bytes() for p in sorted(made.iterdir())}
    index = json.loads(files["package.json"])
    whole = dict(files)
    del files["neighbours.npz"], index["files"]["neighbours.npz"]
    bare = files | {"model.onnx": b"m", "package.json": json.dumps(index).encode()}
    hand = {"min_confidence": 0.5, "shortlist": None, "novelty_limit": None, "quality_limits": []}
    plain = index | {"policy": index["policy"] | hand}
    return [
        join(whole),
        join(bare),
        join(bare | {"package.json": json.dumps(plain).encode()}),
        join(whole | {"as it is": b""}),
        _zipped(whole),
    ]


def upload(content: bytes, folder: Path) -> str:
    """A request to the prediction server: the first line is the Content-Type, the rest the body."""
    from tickvision.images import decode

    decode.MAX_PIXELS = IMAGE_LIMIT
    head, _, body = content.partition(b"\n")
    status, answer = _bench().ask(head, body)
    if status not in (200, 400, 413, 415, 422):
        raise AssertionError(f"answered {status}: {answer[:200]!r}")
    form = json.loads(answer)
    if status == 200:
        if not form["caution"] or not form["photographs"] or not all(p["status"] for p in form["photographs"]):
            raise AssertionError(f"an answer without caution or status: {answer[:200]!r}")
        return str(form["state"])
    if not form["detail"]:
        raise AssertionError("a refusal without a word")
    return str(status)


class _Bench:
    """The server's application, asked in this process without a socket."""

    def __init__(self) -> None:
        import tempfile

        from tickvision.deployment import load
        from tickvision.deployment.server import Limits, build

        self._folder = tempfile.TemporaryDirectory()
        self._app = build(load(write_package(Path(self._folder.name)), 1), Limits(body_bytes=1_000_000))
        self._loop = asyncio.new_event_loop()

    def ask(self, content_type: bytes, body: bytes) -> tuple[int, bytes]:
        cut = len(body) // 2
        coming = [
            {"type": "http.request", "body": body[:cut], "more_body": True},
            {"type": "http.request", "body": body[cut:], "more_body": False},
        ]
        sent: list[dict[str, Any]] = []

        async def receive() -> dict[str, Any]:
            return coming.pop(0) if coming else {"type": "http.disconnect"}

        async def send(message: dict[str, Any]) -> None:
            sent.append(message)

        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "POST", "scheme": "http",
            "path": "/predict", "raw_path": b"/predict", "query_string": b"", "root_path": "",
            "headers": [(b"content-type", content_type)], "client": ("127.0.0.1", 1), "server": ("bench", 80),
        }  # fmt: skip
        self._loop.run_until_complete(self._app(scope, receive, send))
        return sent[0]["status"], b"".join(m.get("body", b"") for m in sent[1:])


_bench = cache(_Bench)


def upload_seeds() -> list[bytes]:
    """One and two photographs with fields, a bad one, a wrong field, and another content type."""
    photo = image_seeds()[0]

    def body(*fields: tuple[bytes, bytes]) -> bytes:
        made = b"".join(
            b"--b\r\nContent-Disposition: form-data; " + head + b"\r\n\r\n" + c + b"\r\n" for head, c in fields
        )
        return b"multipart/form-data; boundary=b\n" + made + b"--b--\r\n"

    file = b'name="photographs"; filename="a.jpg"\r\nContent-Type: image/jpeg'
    return [
        body((file, photo)),
        body((file, photo), (file, b"x"), (b'name="specimen_id"', b"s1"), (b'name="removed_at"', b"2026-05-03T18:30")),
        body((b'name="photographs"', b"text"), (b"name=\"photographs\"; filename*=UTF-8''%e2%99%80.jpg", photo)),
        b"application/json\n{}",
    ]


def answers(content: bytes, folder: Path) -> str:
    """A file of predictions: read by the desk, and written in every form; no spreadsheet or browser runs any of it."""
    import csv

    from tickvision.deployment import darwin_core, gallery, outputs
    from tickvision.review.intake import read_predictions

    path = folder / "answers.jsonl"
    path.write_bytes(content)
    decisions = list(read_predictions(path))
    text = io.StringIO(newline="")
    outputs.write_csv(decisions, text)
    rows = list(csv.reader(io.StringIO(text.getvalue(), newline="")))
    if [len(r) for r in rows] != [len(outputs.CSV_COLUMNS)] * (len(decisions) + 1):
        raise AssertionError("the CSV has other rows than there are decisions")
    if any(cell.startswith(("=", "+", "-", "@", "\t", "\r")) for row in rows for cell in row):
        raise AssertionError("a cell that a spreadsheet would run")
    outputs.table(decisions)
    darwin_core.write_csv(decisions, io.StringIO())
    page = io.StringIO()
    gallery.write_html(iter(decisions), page, None)
    if re.search(r"<(img|svg|script)[^>]*onerror", page.getvalue()):
        raise AssertionError("markup of the input in the page")
    return f"{min(len(decisions), 3)} decisions"


def answers_seeds() -> list[bytes]:
    """A named and a referred specimen with hostile names."""
    named = {
        "specimen_id": "=cmd|' /C calc'!A0", "state": "named", "scientific_name": TAXA[0], "taxon_rank": "species",
        "life_stage": "adult", "sex": "female", "confidence": 0.98, "promise": "species_stage_sex", "reason": "",
        "shortlist": [], "look_at": [], "refer_to": "room 2", "model": "m 1", "caution": "no diagnosis",
        "photographs": [{"path": "<img src=x onerror=alert(1)>.jpg", "status": "ok", "region": [0, 0, 0.5, 0.5]}],
        "removed_at": "2026-05-03T18:30", "preventive_care_until": "2026-05-06T18:30",
    }  # fmt: skip
    listed = [
        {"scientific_name": TAXA[1], "taxon_rank": "species", "life_stage": "nymph", "sex": "", "probability": 0.5}
    ]
    referred = named | {"state": "referred", "scientific_name": "", "shortlist": listed, "look_at": ["scutum"]}
    return [json.dumps(named).encode() + b"\n" + json.dumps(referred).encode() + b"\n", json.dumps(referred).encode()]


TARGETS = {
    "image": Target(
        image,
        image_seeds,
        ("tickvision.images", "tickvision.data.gps", "tickvision.data.headers", "tickvision.deployment.reader",
         "PIL.JpegImagePlugin", "PIL.PngImagePlugin", "PIL.TiffImagePlugin", "PIL.WebPImagePlugin",
         "PIL.BmpImagePlugin", "PIL.MpoImagePlugin"),
    ),
    "archive": Target(archive, archive_seeds, ("tickvision.data", "tickvision.domain", "dwca", "zipfile")),
    "table": Target(table, table_seeds, ("tickvision.data", "tickvision.domain", "tickvision.deployment", "tomllib")),
    "config": Target(config, config_seeds, ("tickvision.config", "tomllib")),
    "package": Target(
        package,
        package_seeds,
        ("tickvision.deployment", "tickvision.evaluation", "tickvision.domain", "json", "zipfile"),
    ),
    "upload": Target(
        upload,
        upload_seeds,
        ("tickvision.deployment", "tickvision.images", "python_multipart", "starlette.formparsers"),
    ),
    "answers": Target(answers, answers_seeds, ("tickvision.deployment", "tickvision.review.intake", "json")),
}  # fmt: skip


def mutated(seed: bytes, random: Any) -> bytes:
    """Return the seed with a few bytes flipped, cut, doubled or replaced by telling ones. random: random.Random.

    Where it holds a JSON object, a value in it is replaced every other time, so that what follows still parses.
    """
    objects = [(m.start(), m.end()) for m in re.finditer(rb"^\{.*\}$", seed, re.MULTILINE | re.DOTALL)]
    if objects and random.random() < 0.5:
        start, end = random.choice(objects)
        return seed[:start] + _other_value(seed[start:end], random) + seed[end:]
    content = bytearray(seed)
    for _ in range(random.choice((1, 1, 2, 4, 12))):
        at = random.randrange(len(content) + 1)
        kind = random.randrange(6)
        if kind == 0 and content:
            content[at % len(content)] ^= 1 << random.randrange(8)
        elif kind == 1:
            del content[at : at + random.choice((1, 4, 40))]
        elif kind == 2:
            content[at:at] = content[at : at + random.choice((1, 8, 80))]
        elif kind == 3:
            content[at:at] = random.choice(TELLING)
        elif kind == 4:
            content[at : at + 4] = struct.pack(
                "<I", random.choice((0, 1, 2**31 - 1, 2**32 - 1, random.getrandbits(32)))
            )
        else:
            content = content[: max(at, 1)]
    return bytes(content)


def _other_value(text: bytes, random: Any) -> bytes:
    """Return the JSON with one or two of its values replaced, moved or taken out."""
    try:
        form = json.loads(text.splitlines()[0] if b"\n{" in text else text)
    except (ValueError, RecursionError):
        return text
    for _ in range(random.choice((1, 1, 2))):
        holder = form
        while isinstance(holder, dict | list) and holder:
            key = random.choice(list(holder)) if isinstance(holder, dict) else random.randrange(len(holder))
            if not isinstance(holder[key], dict | list) or not holder[key] or random.random() < 0.15:
                kind = random.randrange(6)
                if kind == 0:
                    del holder[key]
                elif kind == 1 and isinstance(holder, list):
                    holder.append(deepcopy(holder[key]))
                else:
                    holder[key] = deepcopy(random.choice(VALUES))
                break
            holder = holder[key]
    return json.dumps(form).encode()


VALUES = (
    None, True, "", "x", "\0", "=1", "../x", TAXA[0], 0, -1, 1, 1.5, 1e308, -1e-308, 2**70, [], {}, [[]], [0], ["x"],
    {"x": 1}, float("nan"), float("inf"), "a" * 300, "\r", "\ud800", "<script>",
)  # fmt: skip
TELLING = (
    b"\0", b"\r", b"\n", b'"', b"'", b",", b"\xff", b"\xef\xbb\xbf", b"../", b"nan", b"inf", b"-1", b"1e999", b"null",
    b"[]", b"{}", b"9" * 30, b"\xed\xa0\x80", "\u2028".encode(), b"\x1b[2J", b"=1+1", b"<script>", b"\\u0000", b"true",
)  # fmt: skip
