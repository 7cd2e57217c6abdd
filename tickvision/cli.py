"""The command line. Heavy imports stand inside the commands, so that help is there at once."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Annotated

import typer

from tickvision import __version__
from tickvision.__main__ import SOME_FAILED, main
from tickvision.review_cli import review, select

app = typer.Typer(
    name="tickvision",
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Train, judge and serve a photo classifier that names ticks to species, life stage and sex, and refers to a "
    "person what it cannot name. A name from a photograph is not a diagnosis.",
)

ConfigFile = Annotated[Path, typer.Argument(metavar="CONFIG", help="the job's TOML file")]
Settings = Annotated[
    list[str] | None, typer.Option("--set", metavar="KEY=VALUE", help="override a key, e.g. train.epochs=3")
]
Quiet = Annotated[bool, typer.Option("--quiet", help="no progress on stderr")]
AsJson = Annotated[bool, typer.Option("--json", help="the result as JSON on stdout")]


def _stage(
    name: str,
    config_file: Path,
    settings: list[str] | None,
    quiet: bool,
    as_json: bool,
    more: Sequence[Callable[..., list[str]]] = (),
) -> None:
    """Run one stage, then what else was asked for of (config, paths, progress), and print the lines of all."""
    from tickvision import config, runner
    from tickvision.progress import Progress
    from tickvision.workplace import Paths

    job, progress = config.load(config_file, settings or []), Progress(quiet=quiet)
    lines = runner.run(job, progress, (name,), again=True)
    for step in more:
        lines += step(job, Paths(job.output), progress)
    _print_result({"stage": name, "output": str(job.output), "lines": lines}, lines, as_json)


def _print_result(result: dict[str, object], lines: list[str], as_json: bool) -> None:
    print(json.dumps(result, ensure_ascii=False) if as_json else "\n".join(lines))


@app.command("import")
def import_(
    config: ConfigFile,
    settings: Settings = None,
    fetch: Annotated[bool, typer.Option("--fetch", help="bring photographs that the source names by URL")] = False,
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Read photographs and labels (Darwin Core archive, CSV or folders) into a manifest; list what is wrong."""
    _stage("import", config, [*(settings or []), *(["data.fetch=true"] if fetch else [])], quiet, as_json)


@app.command()
def check(
    config: ConfigFile,
    settings: Settings = None,
    remove_gps: Annotated[
        bool, typer.Option("--remove-gps", help="also write copies of photographs without their coordinates")
    ] = False,
    regions: Annotated[
        str, typer.Option("--regions", metavar="PATTERN", help="also write a page to draw boxes on, e.g. '*' or 'L01*'")
    ] = "",
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Decode every photograph; find damaged files, duplicates, rare classes and backgrounds that give labels away."""
    from tickvision.stages import checking

    more: list[Callable[..., list[str]]] = [checking.remove_places] if remove_gps else []
    if regions:
        more.append(lambda job, paths, _: checking.region_page(job, paths, regions))
    _stage("check", config, settings, quiet, as_json, more)


@app.command()
def split(config: ConfigFile, settings: Settings = None, quiet: Quiet = False, as_json: AsJson = False) -> None:
    """Deal specimens to train, val, calibration and test, no group torn."""
    _stage("split", config, settings, quiet, as_json)


@app.command()
def train(
    config: ConfigFile,
    settings: Settings = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
    trials: Annotated[
        int, typer.Option("--trials", min=0, help="search the recipe on val instead, so many trainings in all")
    ] = 0,
) -> None:
    """Fit heads on frozen features, fine-tune the network from them, keep the better on val; resumes when stopped.

    On several GPUs: torchrun --nproc-per-node 2 -m tickvision train CONFIG
    """
    if not trials and os.environ.get("RANK", "0") == "0":
        _stage("train", config, settings, quiet, as_json)
        return
    from tickvision import config as configs
    from tickvision.progress import Progress
    from tickvision.stages import training
    from tickvision.workplace import Paths, open_output

    job = configs.load(config, settings or [])
    if trials:
        lines = training.search(job, open_output(job), Progress(quiet), trials)
        _print_result({"stage": "search", "output": str(job.output), "lines": lines}, lines, as_json)
    else:  # torchrun's other processes compute along; the first one writes and speaks
        training.train(job, Paths(job.output), Progress(quiet=True))


@app.command()
def calibrate(config: ConfigFile, settings: Settings = None, quiet: Quiet = False, as_json: AsJson = False) -> None:
    """Calibrate probabilities and certify from which confidence on a name may be given."""
    _stage("calibrate", config, settings, quiet, as_json)


@app.command()
def evaluate(config: ConfigFile, settings: Settings = None, quiet: Quiet = False, as_json: AsJson = False) -> None:
    """Judge the model on its test part: metrics.json and report.html."""
    _stage("evaluate", config, settings, quiet, as_json)


@app.command()
def package(config: ConfigFile, settings: Settings = None, quiet: Quiet = False, as_json: AsJson = False) -> None:
    """Write the model package that predict reads, after checking it against the trained network."""
    _stage("package", config, settings, quiet, as_json)


@app.command()
def run(
    config: ConfigFile,
    settings: Settings = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
    again: Annotated[bool, typer.Option("--again", help="run every stage, also those that are up to date")] = False,
) -> None:
    """Walk all stages from import to package, skipping what is up to date."""
    from tickvision import config as configs
    from tickvision import runner
    from tickvision.progress import Progress
    from tickvision.workplace import Paths

    job = configs.load(config, settings or [])
    lines = runner.run(job, Progress(quiet), again=again)
    paths = Paths(job.output)
    end = [f"Report:  {paths.report}", f"Package: {paths.package}"]
    result: dict[str, object] = {"output": str(job.output), "report": str(paths.report), "package": str(paths.package)}
    _print_result(result, (lines if quiet else []) + end, as_json)


@app.command()
def compare(
    runs: Annotated[
        list[Path], typer.Argument(metavar="RUN", help="output folders of two or more runs on the same specimens")
    ],
    report: Annotated[
        Path | None, typer.Option("--report", metavar="FILE.html", help="also write a page, JSON and CSV beside it")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Set runs beside the first of them on the same test specimens: paired differences with intervals, what changed."""
    from tickvision import comparison

    if len(runs) < 2:
        raise typer.BadParameter("give two runs or more", param_hint="RUN")
    result, lines = comparison.compare_runs(runs)
    if report is not None:
        lines.append(f"The report is {comparison.write_report(result, runs, report)[0]}")
    _print_result(result, lines, as_json)


@app.command(add_help_option=False, context_settings={"allow_extra_args": True, "ignore_unknown_options": True})
def predict(context: typer.Context) -> None:
    """Name the specimens in photographs, or refer them to a person and say why."""
    from tickvision import predict_command

    if predict_command.run(context.args):
        raise typer.Exit(SOME_FAILED)


@app.command()
def shares(
    package: Annotated[Path, typer.Argument(help="a model package: a folder, or a .zip of it")],
    photographs: Annotated[list[str] | None, typer.Argument(help="files, folders or patterns, as for predict")] = None,
    table: Annotated[Path | None, typer.Option("--list", help="CSV with columns file and specimen_id")] = None,
    group_by: Annotated[str, typer.Option("--group-by", help="photo, folder, or a pattern")] = "photo",
    output: Annotated[Path | None, typer.Option("--output", "-o", help="also a table for decide.expected")] = None,
    as_json: AsJson = False,
) -> None:
    """Estimate how often each taxon occurs among 200 or more unlabelled specimens of one place and season."""
    from tickvision import in_use

    if bool(photographs) == (table is not None):
        raise typer.BadParameter("give photographs or --list, one of them")
    result, lines = in_use.shares(package, photographs or [], table, group_by, output)
    _print_result(result, lines, as_json)


@app.command()
def agree(
    readings: Annotated[Path, typer.Argument(help="CSV with specimen_id, reader and the column; one row a reading")],
    column: Annotated[str, typer.Option("--column", help="what was read")] = "scientific_name",
    as_json: AsJson = False,
) -> None:
    """Say how far readers agree with each other (the model may be one of them), with intervals."""
    from tickvision import in_use

    result, lines = in_use.agree(readings, column)
    _print_result(result, lines, as_json)


@app.command()
def monitor(
    audits: Annotated[Path, typer.Argument(help="CSV with specimen_id and wrong (yes, no), in the order audited")],
    max_error: Annotated[float, typer.Option("--max-error", help="the share that was promised")] = 0.05,
    false_alarm: Annotated[float, typer.Option("--false-alarm", help="share of quiet seasons with an alarm")] = 0.05,
    as_json: AsJson = False,
) -> None:
    """Hold a season's audited answers against the promise; say when it no longer holds."""
    from tickvision import in_use

    result, lines = in_use.monitor(audits, max_error, false_alarm)
    _print_result(result, lines, as_json)


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="a new or empty folder")],
    specimens: Annotated[int, typer.Option(min=1, help="how many specimens to draw")] = 2400,
    seed: Annotated[int, typer.Option(min=0)] = 0,
    workers: Annotated[int, typer.Option(min=1, help="processes that draw")] = 2,
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Draw the reference set of the invented Larkmoor bench: drawn specimens, not for identification."""
    from dataclasses import asdict

    from tickvision.drawing.demo_set import write_demo_set
    from tickvision.progress import Progress

    progress = Progress(quiet)
    summary = write_demo_set(
        folder,
        specimens,
        seed,
        workers=workers,
        progress=lambda done, total: progress.tick("drawing specimens", done, total),
    )
    form = {k: str(v) if isinstance(v, Path) else v for k, v in asdict(summary).items()}
    _print_result(form, [f"{k.replace('_', ' ')}: {v}" for k, v in form.items()], as_json)


@app.command()
def info(
    package: Annotated[
        Path | None, typer.Argument(help="a model package folder; leave out for the installation")
    ] = None,
    schema: Annotated[bool, typer.Option("--schema", help="the JSON Schema of a decision of predict")] = False,
    as_json: AsJson = False,
) -> None:
    """Say what is installed, or what a model package holds and promises."""
    if schema:
        from tickvision.deployment.decision import json_schema

        print(json.dumps(json_schema(), indent=1))
        return
    if package is None:
        result, lines = _installation()
    else:
        from tickvision.prediction import describe

        result, lines = describe(package)
    _print_result(result, lines, as_json)


def _installation() -> tuple[dict[str, object], list[str]]:
    from importlib.metadata import PackageNotFoundError, version

    found: dict[str, object] = {"tickvision": __version__, "python": sys.version.split()[0]}
    for name in ("numpy", "pillow", "onnxruntime", "torch", "torchvision", "timm", "albumentations", "scikit-learn"):
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = None
    lines = [f"{k}: {v or 'not installed'}" for k, v in found.items()]
    if found["torch"] is None:
        lines.append("Training needs: pip install 'tickvision[train]'. Predicting does not.")
    return found, lines


app.command()(select)
app.add_typer(review)

if __name__ == "__main__":
    main()
