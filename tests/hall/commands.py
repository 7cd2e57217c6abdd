"""The commands and options of the program, as its own parsers know them."""

from __future__ import annotations

import typer

from tickvision.cli import app
from tickvision.predict_command import parser

_tickvision = typer.main.get_command(app)
COMMANDS = dict(_tickvision.commands)  # type: ignore[attr-defined]


def options() -> set[str]:
    """Return every --option of every command; predict has a parser of its own."""
    own = {word for action in parser()._actions for word in action.option_strings}
    return {word for word in own | _options(_tickvision) if word.startswith("--")}


def _options(command) -> set[str]:  # type: ignore[no-untyped-def]
    below = [_options(inner) for inner in getattr(command, "commands", {}).values()]
    return {word for p in command.params for word in (*p.opts, *p.secondary_opts)}.union(*below)
