"""What `predict` and `info PACKAGE` do: input to decisions to an output form."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal, TextIO

from tickvision.deployment.looking import Looker, LookingAhead
from tickvision.deployment.opening import Opened
from tickvision.deployment.sources import PICTURES
from tickvision.deployment.specimens import Specimen, check_grouping, named, parse_shard, parse_time, shard
from tickvision.errors import DataError, OutputError
from tickvision.progress import Progress
from tickvision.whole_files import ESCAPED, open_text, whole

if TYPE_CHECKING:
    from tickvision.deployment.decision import Decision
    from tickvision.deployment.explain import Explainer, Explanation
    from tickvision.deployment.predict import Predictor
    from tickvision.deployment.records import Done

    Explain = Callable[[Decision], Explanation | None]


@dataclass(frozen=True)
class Request:
    """What the user asks of predict; the options of the command, one for one."""

    package: Path
    photographs: tuple[str, ...] = ()
    table: Path | None = None
    group_by: str = "photo"
    removed_at: str = ""
    form: str = "table"
    output: Path | None = None
    resume: bool = False
    overwrite: bool = False
    shard: str = ""
    merge: bool = False
    explain: Path | None = None
    threads: int = 0
    quiet: bool = False


def predict_to(ask: Request, opened: Opened | None = None) -> int:
    """Predict, write to output or stdout, and return how many photographs could not be used.

    opened: the package of the request, where it is opened already.
    """
    _check(ask)
    failures = _Failures()
    try:
        if ask.merge:
            _merge(ask, failures)
        else:
            _predict(ask, failures, opened or Opened(ask.package, ask.threads))
    except KeyboardInterrupt:
        if ask.form == "jsonl" and ask.output is not None:
            print(f"tickvision: to go on, add --resume (with --output {ask.output}).", file=sys.stderr)
        raise
    if failures.photographs:
        what = "photograph" if failures.photographs == 1 else "photographs"
        print(
            f"tickvision: {failures.photographs:,} {what} could not be used; the output has each with its reason.",
            file=sys.stderr,
        )
    return failures.photographs


def _merge(ask: Request, failures: _Failures) -> None:
    from tickvision.deployment.package import read
    from tickvision.deployment.records import merge

    model = read(ask.package).model_id
    _write(ask, failures.counted(merge([Path(p) for p in ask.photographs], model)), None)


def _predict(ask: Request, failures: _Failures, opened: Opened) -> None:
    """Predict; the first photographs are looked at while the policy and what it needs are imported."""
    specimens = _specimens(ask)
    done = _done(ask, opened.model_id)
    failures.photographs = done.failed if done else 0
    left = [s for s in specimens if s.specimen_id not in done.specimens] if done else specimens
    progress = Progress(ask.quiet or (ask.output is None and sys.stdout.isatty()))
    if done and done.specimens:
        progress.say(f"{len(specimens) - len(left):,} of {len(specimens):,} specimens are done; going on.")
    with LookingAhead(Looker(opened.prepare, opened.trained_on), left, opened.cores) as seen:
        from tickvision.deployment.predict import Predictor

        predictor = Predictor(opened)

        def told() -> Iterator[Decision]:
            for number, decision in enumerate(failures.counted(predictor.decide(seen)), 1):
                progress.tick("predicting specimens", number, len(left), failures.photographs)
                yield decision

        _write(ask, told(), _explainer(ask, predictor))


def _done(ask: Request, model: str) -> Done | None:
    """Return what an earlier run has decided, None if nothing is to be gone on with."""
    if not ask.resume or ask.output is None:
        return None
    from tickvision.deployment.records import go_on

    return go_on(ask.output, model)


@dataclass
class _Failures:
    photographs: int = 0

    def counted(self, decisions: Iterable[Decision]) -> Iterator[Decision]:
        for decision in decisions:
            self.photographs += sum(p.status != "ok" for p in decision.photographs)
            yield decision


def _check(ask: Request) -> None:
    check_grouping(ask.group_by)
    if ask.form == "dwca" and ask.output is None:
        raise DataError("--format dwca makes an archive: name it with --output FILE.zip")
    if ask.resume and (ask.form != "jsonl" or ask.output is None):
        raise DataError("--resume goes with --format jsonl and --output FILE: only JSON lines can be gone on with.")
    if ask.table is not None and ask.photographs and not ask.merge:
        raise DataError(f"--list names the photographs: leave out '{ask.photographs[0]}', or add it to {ask.table}.")
    if ask.merge and (ask.explain or ask.resume or ask.shard or ask.table or ask.removed_at):
        raise DataError("--merge only puts files of JSON lines together; leave out the other options.")
    if ask.output is not None and ask.output.is_file():
        _refuse_loss(ask, ask.output)
    if ask.form == "jsonl" and ask.output is not None and ask.output.is_file() and not (ask.resume or ask.overwrite):
        raise OutputError(
            f"{ask.output}: is there already. Add --resume to go on with it, or --overwrite to replace it."
        )


def _refuse_loss(ask: Request, output: Path) -> None:
    """Raise OutputError if writing would replace what is to be read, or a photograph (-o *.jpg takes the first)."""
    named = [Path(name) for name in (*ask.photographs, ask.table or "") if name]
    if any(path.is_file() and path.samefile(output) for path in named):
        raise OutputError(f"{output}: is to be read, and would be lost. Give another --output.")
    if output.suffix.lower() in PICTURES:
        raise OutputError(f"{output}: is a photograph, and would be lost. Give --output a name of its own.")


def _specimens(ask: Request) -> list[Specimen]:
    stdin = sys.stdin.buffer if "-" in ask.photographs else None
    specimens = named(ask.photographs, ask.table, ask.group_by, stdin)
    if not specimens:
        raise DataError("no photographs: name files, folders, patterns, archives or -, or give --list TABLE.csv")
    if ask.removed_at:
        try:
            removed = parse_time(ask.removed_at).isoformat(timespec="minutes")
        except ValueError as error:
            raise DataError(f"--removed-at {error}.") from None
        specimens = [replace(s, removed_at=s.removed_at or removed) for s in specimens]
    return shard(specimens, *parse_shard(ask.shard)) if ask.shard else specimens


def _explainer(ask: Request, predictor: Predictor) -> Explainer | None:
    if ask.explain is None:
        return None
    from tickvision.deployment.explain import Explainer

    return Explainer(predictor)


def _write(ask: Request, decisions: Iterator[Decision], explainer: Explainer | None) -> None:
    """Write the form; a form that cannot be gone on with goes to a temporary file first, then takes its name."""
    explain = _explained_to(ask.explain, explainer, ask.resume)
    if ask.output is None or ask.form == "jsonl":
        with ExitStack() as stack:
            mode: Literal["w", "a"] = "a" if ask.resume else "w"
            handle = _stdout() if ask.output is None else stack.enter_context(_lines(ask.output, mode))
            _write_text(ask.form, decisions, handle, explain)
            handle.flush()
        return
    try:
        with whole(ask.output) as partial:
            if ask.form == "dwca":
                from tickvision.deployment import darwin_core

                darwin_core.write_archive(_explaining(decisions, explain), partial)
            else:
                with open_text(partial) as handle:
                    _write_text(ask.form, decisions, handle, explain)
    except OSError as error:
        raise OutputError(f"{ask.output}: cannot be written ({error.strerror}).") from None


def _write_text(form: str, decisions: Iterator[Decision], handle: TextIO, explain: Explain | None) -> None:
    if form == "html":
        from tickvision.deployment import gallery

        gallery.write_html(decisions, handle, explain)
        return
    from tickvision.deployment import outputs

    decisions = _explaining(decisions, explain)
    if form == "jsonl":
        outputs.write_json_lines(decisions, handle)
    elif form == "csv":
        outputs.write_csv(decisions, handle)
    elif form == "dwc":
        from tickvision.deployment import darwin_core

        darwin_core.write_csv(decisions, handle)
    else:
        from datetime import UTC, datetime

        handle.write(outputs.table(decisions, now=datetime.now(UTC)))


def _explained_to(folder: Path | None, explainer: Explainer | None, go_on: bool) -> Explain | None:
    """Return a function that explains a decision, keeps the pictures in the folder and returns the explanation."""
    if folder is None or explainer is None:
        return None
    from tickvision.deployment.explain import Folder

    kept = Folder(folder, go_on)

    def explain(decision: Decision) -> Explanation | None:
        explanation = explainer.explain(decision)
        if explanation is not None:
            kept.keep(decision, explanation)
        return explanation

    return explain


def _explaining(decisions: Iterable[Decision], explain: Explain | None) -> Iterator[Decision]:
    for decision in decisions:
        if explain is not None:
            explain(decision)
        yield decision


def _stdout() -> TextIO:
    if hasattr(sys.stdout, "reconfigure"):  # what stands in for it may lack this
        sys.stdout.reconfigure(errors=ESCAPED)
    return sys.stdout


def _lines(output: Path, mode: Literal["w", "a"]) -> TextIO:
    try:
        return open_text(output, mode)
    except OSError as error:
        raise OutputError(f"{output}: cannot be written ({error.strerror}).") from None


def _network(smaller: Mapping[str, float]) -> str:
    if not smaller.get("kept"):
        return "in full precision"
    return (
        f"in fewer bits; on {smaller['specimens']:.0f} val specimens the same decision as in full precision for "
        f"{smaller['same_decisions']:.1%}"
    )


def describe(folder: Path) -> tuple[dict[str, object], list[str]]:
    """Return what a package holds, as values and as lines for a person."""
    from tickvision.deployment.decision import caution_text
    from tickvision.deployment.package import read

    package = read(folder)
    policy = package.policy
    promises = [f"{r.name}: {r.certificate.statement() if r.certificate else 'no promise'}" for r in policy.rungs]
    if policy.min_confidence is not None:
        promises = [f"{r.name}: no promise (plain threshold {policy.min_confidence:g})" for r in policy.rungs]
    result: dict[str, object] = {
        "model": package.model_id,
        "bench": package.bench,
        "contact": package.contact,
        "drawn": package.drawn,
        "taxa": list(package.taxonomy.taxa),
        "states": [" ".join(filter(None, s)) for s in package.taxonomy.states],
        "promises": promises,
        "trained_on_photographs": len(package.trained_on),
        "size_px": package.prepare.size_px,
        "network": _network(package.smaller),
        "caution": caution_text(package.drawn),
    }
    lines = [
        f"{k.replace('_', ' ')}: {', '.join(v) if isinstance(v, list) and k != 'promises' else v}"
        for k, v in result.items()
        if k != "promises"
    ]
    return result, lines[:-1] + promises + lines[-1:]
