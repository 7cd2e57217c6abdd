"""The options of `review ...` and `select`. What they do stands in review_commands."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

from tickvision.errors import DataError

review = typer.Typer(
    name="review",
    no_args_is_help=True,
    help="The identifier's desk: a page in the browser where people decide what the model refers, and check a random "
    "share of what it names.",
)
users = typer.Typer(name="users", no_args_is_help=True, help="Readers with passwords.")
review.add_typer(users)

Desk = Annotated[Path, typer.Option("--desk", metavar="FOLDER", help="where the desk keeps its store")]
AsJson = Annotated[bool, typer.Option("--json", help="the result as JSON on stdout")]
Quiet = Annotated[bool, typer.Option("--quiet", help="no progress on stderr")]
DESK = Path("desk")
NEEDS = ("starlette", "uvicorn", "jinja2", "argon2", "scipy")


def _answer(act: Callable[[], tuple[dict[str, object], list[str]]], as_json: bool) -> None:
    missing = [name for name in NEEDS if find_spec(name) is None]
    if missing:
        raise DataError(f"the desk needs {', '.join(missing)}. Run: pip install 'tickvision[review]'")
    _print(*act(), as_json)


def _print(result: dict[str, object], lines: list[str], as_json: bool) -> None:
    sys.stdout.write((json.dumps(result, ensure_ascii=False) if as_json else "\n".join(lines)) + "\n")


@review.command("import")
def import_(
    predictions: Annotated[
        list[Path], typer.Argument(metavar="PREDICTIONS...", help="what predict --format jsonl wrote")
    ],
    desk: Desk = DESK,
    photographs: Annotated[
        Path | None,
        typer.Option("--photographs", metavar="FOLDER", help="relative names start here, nothing outside is shown"),
    ] = None,
    facts: Annotated[
        Path | None,
        typer.Option("--facts", metavar="CSV", help="specimen_id, removed_at, place, host, attached, received_at ..."),
    ] = None,
    config: Annotated[
        Path | None, typer.Option("--config", metavar="TOML", help="the job's config: bench, [review], [decide]")
    ] = None,
    package: Annotated[
        Path | None, typer.Option("--package", help="also keep each specimen's embedding, to watch for drift")
    ] = None,
    picked: Annotated[
        Path | None, typer.Option("--picked", metavar="CSV", help="of select: queue these whatever the model says")
    ] = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Queue what the model referred, and a random share of what it named, unmarked."""
    from tickvision import config as configs
    from tickvision import review_commands
    from tickvision.progress import Progress

    job = configs.load(config) if config else None
    _answer(
        lambda: review_commands.import_predictions(
            predictions, desk, photographs, facts, job, package, picked, Progress(quiet)
        ),
        as_json,
    )


@review.command()
def serve(
    desk: Desk = DESK,
    host: Annotated[str, typer.Option("--host", help="loopback unless told; others need readers with passwords")] = (
        "127.0.0.1"
    ),
    port: Annotated[int, typer.Option("--port", min=1, max=65535)] = 8078,
    certificate: Annotated[Path | None, typer.Option("--certificate", help="for TLS: the chain, PEM")] = None,
    key: Annotated[Path | None, typer.Option("--key", help="for TLS: the private key, PEM")] = None,
    public_name: Annotated[
        str,
        typer.Option("--public-name", help="name under which a web server with TLS passes requests on to this desk"),
    ] = "",
) -> None:
    """Serve the desk to a browser until Ctrl-C."""

    def act() -> tuple[dict[str, object], list[str]]:
        from tickvision.review import web

        web.serve(desk, host, port, certificate, key, public_name, lambda line: print(line, file=sys.stderr))
        return {}, []

    _answer(act, False)


@review.command()
def export(
    desk: Desk = DESK,
    labels: Annotated[
        Path | None, typer.Option("--labels", metavar="CSV", help="rows for the next training, read by import")
    ] = None,
    darwin_core: Annotated[Path | None, typer.Option("--darwin-core", metavar="CSV")] = None,
    non_target: Annotated[str, typer.Option("--non-target", help="label of what is no tick")] = "not a tick",
    as_json: AsJson = False,
) -> None:
    """Write what people have settled: labels for the next training, Darwin Core with previous identifications."""
    from tickvision import review_commands

    if labels is None and darwin_core is None:
        raise typer.BadParameter("give --labels, --darwin-core or both")
    _answer(lambda: review_commands.export(desk, labels, darwin_core, non_target), as_json)


@review.command()
def season(
    desk: Desk = DESK,
    output: Annotated[Path, typer.Option("--output", "-o", metavar="FOLDER")] = Path("season"),
    as_json: AsJson = False,
) -> None:
    """Write the season's tables, and say whether the promise still holds."""
    from tickvision import review_commands

    _answer(lambda: review_commands.season(desk, output), as_json)


@users.command("add")
def add_user(name: str, desk: Desk = DESK, as_json: AsJson = False) -> None:
    """Give a reader a password (asked for, or the first line of stdin)."""
    from tickvision import review_commands

    if sys.stdin.isatty():
        password = typer.prompt("Password", hide_input=True, confirmation_prompt=True)
    else:
        password = sys.stdin.readline().rstrip("\n")
    _answer(lambda: review_commands.add_reader(desk, name, password), as_json)


@users.command("remove")
def remove_user(name: str, desk: Desk = DESK, as_json: AsJson = False) -> None:
    """Take a reader's password away; what they decided stays."""
    from tickvision import review_commands

    _answer(lambda: review_commands.remove_reader(desk, name), as_json)


@users.command("list")
def list_users(desk: Desk = DESK, as_json: AsJson = False) -> None:
    """Name the readers."""
    from tickvision import review_commands

    _answer(lambda: review_commands.list_readers(desk), as_json)


def select(
    package: Annotated[Path, typer.Argument(help="a model package: a folder, or a .zip of it")],
    photographs: Annotated[list[str] | None, typer.Argument(help="unlabelled: files, folders, patterns")] = None,
    table: Annotated[Path | None, typer.Option("--list", help="CSV with columns file and specimen_id")] = None,
    group_by: Annotated[str, typer.Option("--group-by", help="photo, folder, or a pattern")] = "photo",
    number: Annotated[int, typer.Option("--number", "-n", min=1, help="how many specimens to pick")] = 50,
    output: Annotated[Path, typer.Option("--output", "-o", metavar="CSV")] = Path("picked.csv"),
    manifest: Annotated[
        Path | None, typer.Option("--manifest", help="what is labelled already: left out, and its gaps listed")
    ] = None,
    enough: Annotated[int, typer.Option("--enough", min=1, help="specimens a cell should have")] = 30,
    doubt: Annotated[str, typer.Option("--doubt", help="margin or entropy")] = "margin",
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Pick what to label next: what the model doubts, unlike each other, no taxon taking all; and what is lacking."""
    from tickvision import review_commands
    from tickvision.progress import Progress

    if bool(photographs) == (table is not None):
        raise typer.BadParameter("give photographs or --list, one of them")
    ask = review_commands.SelectRequest(
        package, tuple(photographs or ()), table, group_by, number, output, manifest, enough, doubt
    )
    _print(*review_commands.select(ask, Progress(quiet)), as_json)
