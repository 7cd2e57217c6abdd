"""The config of a job."""

from __future__ import annotations

from pathlib import Path

from doors.parts import join, parts
from tickvision.errors import TickvisionError

MODULES = ("tickvision.config", "tomllib")
CONFIGS = Path(__file__).resolve().parents[3] / "configs"


def attempt(content: bytes, folder: Path) -> str:
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


def seeds() -> list[bytes]:
    """The shipped configs without their comments, and one of settings."""
    files = [p.read_text(encoding="utf-8") for p in sorted(CONFIGS.glob("*.toml"))]
    bare = ["\n".join(line.split(" # ")[0] for line in f.splitlines() if not line.startswith("#")) for f in files]
    settings = b'train.epochs=3\nname=x\nsplit.hold_out={device=["a"]}\ndecide.min_confidence=0.5\ndata.path=x.csv\n'
    small = b'name = "x"\noutput = "o"\n[data]\npath = "l.csv"\n[taxonomy]\nkind = "flat"\n'
    return [join({"job.toml": b.encode()}) for b in bare] + [join({"job.toml": small, "settings": settings})]
