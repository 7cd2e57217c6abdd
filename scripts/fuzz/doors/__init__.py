"""The doors by which a stranger's bytes come in, a file each; what comes in must be answered or refused in our words.

Each has `attempt`, which takes the bytes and an empty folder and returns a word for what happened; `seeds`, where
mutation starts; and MODULES, those that guide it. What `attempt` may raise is a TickvisionError; anything else, or a
broken promise of the door (a round trip that loses something, a file outside its folder), is a find.
Nothing here needs atheris, and nothing here imports what guides the search before it is asked.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from doors import answers, archive, config, image, package, table, upload
from tickvision.errors import TickvisionError

DOORS = {
    "image": image,
    "archive": archive,
    "table": table,
    "config": config,
    "package": package,
    "upload": upload,
    "answers": answers,
}


def knock(attempt: Callable[[bytes, Path], str], content: bytes, folder: Path) -> str:
    """Return the door's word, "refused" for the project's own errors; all else is raised, and is a find."""
    try:
        return attempt(content, folder)
    except TickvisionError as error:
        if not str(error).strip():
            raise AssertionError("a refusal without a word") from error
        return "refused"
