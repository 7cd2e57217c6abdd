"""The options of `tickvision predict`, and what they ask for."""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from pathlib import Path

from tickvision.errors import did_you_mean

FORMS = {
    "table": "for people",
    "csv": "for spreadsheets",
    "jsonl": "JSON lines, one written as soon as it is decided",
    "dwc": "Darwin Core CSV",
    "dwca": "Darwin Core archive",
    "html": "a gallery that needs no other file",
}
SERVER = ("host", "port", "rate", "queue")


def parser() -> argparse.ArgumentParser:
    """Return the parser; the names of its values are those of prediction.Request and server.Limits."""
    made = argparse.ArgumentParser(
        "tickvision predict",
        description="Name the specimens in photographs, or refer them to a person and say why. A name from a "
        "photograph is not a diagnosis.",
        epilog="Exit codes: 0 done, 1 the input is at fault, 2 wrong usage, 3 done but some photographs could not be "
        "used; each of these is in the output with its reason.",
        allow_abbrev=False,
    )
    made.add_argument("package", metavar="PACKAGE", type=Path, help="a model package: a folder, or a .zip of it")
    made.add_argument(
        "photographs",
        metavar="PHOTOGRAPHS",
        nargs="*",
        help="files, folders, patterns such as 'day/*.jpg', zip archives, URLs; - reads names on stdin",
    )
    _add_input(made.add_argument_group("which photographs"))
    _add_output(made.add_argument_group("what is written"))
    _add_long_runs(made.add_argument_group("long runs"))
    _add_server(made.add_argument_group("over HTTP"))
    return made


def _add_input(group: argparse._ArgumentGroup) -> None:
    group.add_argument(
        "--list",
        dest="table",
        metavar="CSV",
        type=Path,
        help="a table with columns file and specimen_id; optional region and removed_at",
    )
    group.add_argument(
        "--group-by",
        metavar="HOW",
        default="photo",
        help="what is one specimen: photo (each is), folder, or a pattern such as '(.+)-[0-9]+.jpg'; default: photo",
    )
    group.add_argument(
        "--removed-at", metavar="TIME", default="", help="when the tick was taken off, e.g. 2026-05-03T18:30"
    )


def _add_output(group: argparse._ArgumentGroup) -> None:
    group.add_argument(
        "--format",
        dest="form",
        metavar="FORM",
        type=_form,
        default="table",
        help="; ".join(f"{name}: {what}" for name, what in FORMS.items()) + "; default: table",
    )
    group.add_argument("--json", dest="form", action="store_const", const="jsonl", help="the same as --format jsonl")
    group.add_argument("--output", "-o", metavar="FILE", type=Path, help="write here instead of stdout")
    group.add_argument(
        "--explain",
        metavar="FOLDER",
        type=Path,
        help="also draw where the model looked, and show the nearest training photographs if the package holds them",
    )
    group.add_argument("--quiet", action="store_true", help="no progress on stderr")


def _form(text: str) -> str:
    if text not in FORMS:
        raise argparse.ArgumentTypeError(f"'{text}' is none of {', '.join(FORMS)}.{did_you_mean(text, FORMS)}")
    return text


def _add_long_runs(group: argparse._ArgumentGroup) -> None:
    group.add_argument("--resume", action="store_true", help="go on with the file of JSON lines that --output names")
    group.add_argument("--overwrite", action="store_true", help="replace the file of JSON lines that is there")
    group.add_argument("--shard", metavar="I/N", default="", help="only the i-th of n parts of the list")
    group.add_argument(
        "--merge",
        action="store_true",
        help="put files of JSON lines (the parts), named instead of photographs, together",
    )
    group.add_argument("--threads", metavar="N", type=_count, default=0, help="cores to use; default: all")


def _add_server(group: argparse._ArgumentGroup) -> None:
    group.add_argument("--serve", action="store_true", help="answer over HTTP instead; needs tickvision[serve]")
    group.add_argument("--host", default="127.0.0.1", help="default: this machine alone (127.0.0.1)")
    group.add_argument("--port", type=_port, default=8077, help="default: 8077")
    group.add_argument(
        "--rate", metavar="N", type=_count, default=0, help="requests a minute from one client; default: no limit"
    )
    group.add_argument(
        "--queue",
        metavar="N",
        type=_count,
        default=16,
        help="requests that may wait, more are told to come back; default: 16",
    )


def _count(text: str) -> int:
    if not text.isdecimal():
        raise argparse.ArgumentTypeError(f"'{text}' is no whole number from 0 up")
    return int(text)


def _port(text: str) -> int:
    if _count(text) > 65535:
        raise argparse.ArgumentTypeError(f"'{text}' is no port (0 to 65535)")
    return int(text)


def _parsed(words: Sequence[str]) -> argparse.Namespace:
    reader = parser()
    asked, unknown = reader.parse_known_intermixed_args(words)
    if unknown:
        known = [option for action in reader._actions for option in action.option_strings]
        reader.error(f"no such option: {unknown[0]}.{did_you_mean(unknown[0].partition('=')[0], known)}")
    return asked


def run(words: Sequence[str]) -> int:
    """Do what the words after `tickvision predict` ask for; return how many photographs could not be used."""
    asked = vars(_parsed(words))
    # our matrices are small, and further threads of numpy's matrix library take cores to wait by spinning
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    server = {name: asked.pop(name) for name in SERVER}
    if asked.pop("serve"):
        from tickvision.deployment.server import Limits, serve

        limits = Limits(queue=max(1, server["queue"]), per_minute=server["rate"])
        serve(asked["package"], server["host"], server["port"], asked["threads"], limits)
        return 0
    from tickvision.deployment.opening import Opened

    opened = None
    if not asked["merge"]:
        # what a cold start waits for comes first: the files are read while onnxruntime is imported, the network is
        # built while Pillow is, and the first photographs are decoded while the policy is
        opened = Opened(asked["package"], asked["threads"])
        opened.start_network()
    from tickvision.prediction import Request, predict_to

    return predict_to(Request(**asked | {"photographs": tuple(asked["photographs"])}), opened)
