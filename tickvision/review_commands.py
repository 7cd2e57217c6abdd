"""What `review ...` and `select` do: the desk's commands, from files to the store and back."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tickvision.config import Config
from tickvision.domain.spreadsheet import guarded, row_writer
from tickvision.errors import DataError, OutputError
from tickvision.progress import Progress
from tickvision.review import store
from tickvision.review.settings import DeskSettings
from tickvision.whole_files import open_text, whole

if TYPE_CHECKING:
    from tickvision.review.embedding import Embedded

Result = tuple[dict[str, object], list[str]]


def settings_of(config: Config) -> DeskSettings:
    """Return how a desk works under this config."""
    r, decide = config.review, config.decide
    return DeskSettings(
        bench=config.bench.name,
        contact=config.bench.contact,
        audit_share=r.audit_share,
        second_share=r.second_share,
        costly=r.costly or decide.costly or DeskSettings.costly,
        rare=r.rare,
        lock_minutes=r.lock_minutes,
        max_error=decide.max_error,
        false_alarm=r.false_alarm,
        any_names=config.taxonomy.kind != "ticks",
        drawn=config.bench.drawn,
    )


def import_predictions(
    predictions: list[Path],
    desk: Path,
    photographs: Path | None,
    facts: Path | None,
    config: Config | None,
    package: Path | None,
    picked: Path | None,
    progress: Progress,
) -> Result:
    """Add prediction files to a desk, which is made if it is not there; return the counts and lines for a person."""
    from tickvision.review import intake, settings

    is_new = not (desk / store.FILE).exists()
    decisions = [d for path in predictions for d in intake.read_predictions(path)]
    if not decisions:
        raise DataError(f"{', '.join(map(str, predictions))}: no predictions.")
    said, picks = intake.read_facts(facts), intake.read_picks(picked)
    embeddings = _embeddings(package, decisions, photographs or Path.cwd(), progress) if package else None
    connection = store.open_store(desk, create=True)
    kept = settings_of(config) if config else settings.load(connection)
    if any(d.caution.startswith("Trained and tested on drawn") for d in decisions):
        kept = replace(kept, drawn=True)
    if config or is_new or kept.drawn:
        settings.save(connection, kept)
    done = intake.take_in(connection, decisions, kept, photographs or Path.cwd(), said, embeddings, picks)
    lines = [
        f"{done.new:,} new specimens, {done.renewed:,} with a new prediction, {done.unchanged:,} unchanged; "
        f"{done.queued:,} are queued at this desk (referred, and {kept.audit_share:.0%} of the named as audits).",
        *(
            [f"{done.not_shown:,} photographs cannot be shown: outside the folder, or in an archive (--photographs)."]
            if done.not_shown
            else []
        ),
        f"Next: tickvision review serve --desk {desk}",
    ]
    return asdict(done) | {"desk": str(desk)}, lines


def _embeddings(package: Path, decisions: list[Any], photographs: Path, progress: Progress) -> dict[str, bytes]:
    """Return specimen_id -> mean embedding (float32 bytes) of the readable photographs, for the watch on drift.

    photographs: the folder below which they must lie. What was looked at of a photograph is looked at again.
    """
    from tickvision.deployment.specimens import Specimen
    from tickvision.review.embedding import embed
    from tickvision.review.intake import confine

    root, specimens = photographs.resolve(), []
    for d in decisions:
        found = [(*confine(p.path, root)[:2], p.region) for p in d.photographs if p.status == "ok"]
        shown = [(path, region) for path, status, region in found if status == "ok"]
        if shown:
            paths, regions = zip(*shown, strict=True)
            specimens.append(Specimen(d.specimen_id, paths, regions))
    if not specimens:
        return {}
    table = embed(package, specimens, partial(progress.tick, "looking at specimens"))
    return {i: e.astype("<f4").tobytes() for i, e in zip(table.ids, table.embedding, strict=True)}


def add_reader(desk: Path, name: str, password: str) -> Result:
    """Give a reader a password."""
    from tickvision.review import readers

    readers.add(store.open_store(desk), name, password)
    return {"reader": name}, [f"'{name}' can sign in at {desk}. From now on this desk asks for passwords."]


def remove_reader(desk: Path, name: str) -> Result:
    """Take a reader's password away."""
    from tickvision.review import readers

    readers.remove(store.open_store(desk), name)
    return {"removed": name}, [f"'{name}' can no longer sign in; what they decided stays."]


def list_readers(desk: Path) -> Result:
    """Name the readers that have a password."""
    from tickvision.review import readers

    known = readers.known(store.open_store(desk))
    return {"readers": known}, known or ["No reader has a password; on this machine a name alone signs in."]


def export(desk: Path, labels: Path | None, darwin_core: Path | None, non_target: str) -> Result:
    """Write what people have settled as label rows, as Darwin Core, or both."""
    from tickvision.review import export as writer
    from tickvision.review import settings

    connection = store.open_store(desk)
    result: dict[str, object] = {}
    lines: list[str] = []
    try:
        if labels:
            done = writer.write_labels(connection, labels, non_target)
            result["labels"] = asdict(done) | {"file": str(labels)}
            lines.append(
                f"{labels}: {done.photographs:,} photographs of {done.specimens:,} settled specimens; "
                f"{done.free:,} specimens were drawn at random and may calibrate and test, all others are marked "
                f"`train`. {done.waiting_random:,} drawn specimens are not settled yet: a calibration without them "
                "would leave out the hard ones."
            )
            if done.not_shown:
                lines.append(f"{done.not_shown:,} photographs that the desk could not show are left out.")
            lines.append(f"Next: add these rows to your labels, or tickvision import CONFIG --set data.path={labels}")
        if darwin_core:
            count = writer.write_darwin_core(connection, darwin_core, settings.load(connection).drawn)
            result["darwin_core"] = {"occurrences": count, "file": str(darwin_core)}
            lines.append(f"{darwin_core}: {count:,} occurrences with their previous identifications.")
    except OSError as error:
        raise OutputError(f"{error.filename}: cannot be written ({error.strerror}).") from None
    return result, lines


def season(desk: Path, folder: Path) -> Result:
    """Write the season's tables."""
    from tickvision.review import audit, season_files, settings
    from tickvision.review import season as seasons
    from tickvision.whole_files import write_text

    connection = store.open_store(desk)
    found = seasons.summarise(connection)
    watch = audit.watch_promise(connection, settings.load(connection))
    folder.mkdir(parents=True, exist_ok=True)
    write_text(folder / "weeks.csv", season_files.weeks_csv(found))
    write_text(folder / "found.csv", season_files.found_csv(found))
    write_text(folder / "stream.csv", season_files.stream_csv(seasons.drifts(connection)))
    total = found.total
    lines = [
        f"{total.specimens:,} specimens, {total.referred:,} referred, {total.concluded:,} concluded; audits: "
        f"{watch.alarm.errors} of {watch.alarm.n} wrong, {watch.waiting} not settled.",
        *watch.advice,
        f"Tables: {', '.join(str(folder / name) for name in ('weeks.csv', 'found.csv', 'stream.csv'))}",
    ]
    return {"season": asdict(total), "alarm_at": watch.alarm.raised_at, "folder": str(folder)}, lines


@dataclass(frozen=True)
class SelectRequest:
    """The options of `select`."""

    package: Path
    photographs: tuple[str, ...]
    table: Path | None
    group_by: str
    number: int
    output: Path
    manifest: Path | None
    enough: int
    measure: str


def select(ask: SelectRequest, progress: Progress) -> Result:
    """Write which unlabelled specimens to label next, and which cells lack specimens; return lines for a person."""
    from tickvision.deployment.package import read
    from tickvision.deployment.specimens import named
    from tickvision.review import picking
    from tickvision.review.embedding import embed

    specimens = named(ask.photographs, ask.table, ask.group_by)
    labelled = _labelled(ask.manifest)
    fresh = [s for s in specimens if s.specimen_id not in labelled.specimens]
    if not fresh:
        raise DataError("every one of these specimens is labelled already (--manifest).")
    looked = embed(ask.package, fresh, partial(progress.tick, "looking at specimens"))
    taxonomy = read(ask.package).taxonomy
    picks = picking.pick(looked.probs, looked.embedding, taxonomy, ask.number, ask.measure)
    lacking = picking.lacking_cells(labelled.cells, taxonomy, ask.enough) if ask.manifest else []
    _write_picks(ask.output, looked, picks)
    lines = [
        f"{len(picks):,} of {len(looked.ids):,} unlabelled specimens picked ({len(specimens) - len(fresh):,} are "
        f"labelled already): {ask.output}. They are marked `train`: what is picked for its doubt says nothing about "
        "how often the model is wrong.",
    ]
    if ask.manifest and picking.is_cold_start(len(labelled.specimens), taxonomy):
        lines.append(
            f"Only {len(labelled.specimens):,} specimens are labelled, fewer than {picking.COLD} a taxon: the model's "
            "doubt says little yet, and specimens drawn at random teach as much and may calibrate too."
        )
    if lacking:
        lines.append(f"Cells with fewer than {ask.enough} labelled specimens (photograph these where you can):")
        lines += [f"  {c.scientific_name}, {c.state or 'any stage'}: {c.specimens}" for c in lacking]
    return {
        "picked": len(picks),
        "output": str(ask.output),
        "lacking": [asdict(c) for c in lacking],
    }, lines


@dataclass(frozen=True)
class _Labelled:
    specimens: frozenset[str]
    cells: dict[tuple[str, str, str], int]


def _labelled(manifest: Path | None) -> _Labelled:
    if manifest is None:
        return _Labelled(frozenset(), {})
    from tickvision.data import manifest as manifests

    frame = manifests.usable(manifests.read(manifest)).drop_duplicates("specimen_id")
    counted = Counter(zip(frame["scientific_name"], frame["life_stage"], frame["sex"], strict=True))
    return _Labelled(frozenset(frame["specimen_id"]), dict(counted))


def _write_picks(path: Path, looked: Embedded, picks: list[Any]) -> None:
    try:
        with whole(path) as temporary, open_text(temporary) as handle:
            write_row = row_writer(handle)
            write_row(
                ("rank", "file", "specimen_id", "suggested_name", "confidence", "doubt", "distance", "use", "drawn")
            )
            for rank, p in enumerate(picks, 1):
                write_row(
                    (
                        str(rank),
                        guarded(looked.first_path[p.row]),
                        guarded(looked.ids[p.row]),
                        guarded(p.suggested),
                        f"{p.confidence:.4f}",
                        f"{p.doubt:.4f}",
                        f"{p.distance:.4f}",
                        "train",
                        "picked",
                    )
                )
    except OSError as error:
        raise OutputError(f"{path}: cannot be written ({error.strerror}).") from None
