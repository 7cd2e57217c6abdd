"""Media of an archive: where the files lie, and the regions that make specimens of their own."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import unquote, urlsplit

from tickvision.data.archive_guard import Archive, clean_name, inside
from tickvision.data.archive_terms import MEDIA_TERMS, first, region_of, view_of
from tickvision.errors import DataError

Row = dict[str, str]


@dataclass(frozen=True)
class Photo:
    """One photograph or region. fields: our columns; others: what the media row says besides; media: the whole row."""

    fields: Row
    others: Row
    media: Row


class MediaFinder:
    """Where the files of media lie: in the archive itself, or in the folder of photographs."""

    def __init__(self, archive: Archive, work: Path, photographs: Path) -> None:
        self._archive, self._work, self._photographs = archive, work, photographs

    def find(self, written: str) -> Row:
        """Return {"file": path} or, where nothing can be read, also "fault" with the reason."""
        if not written:
            return {"file": "", "fault": f"its media names no file ({', '.join(MEDIA_TERMS['file'])} are blank)"}
        if "://" in written:
            try:
                name = unquote(urlsplit(written).path).rsplit("/", 1)[-1]
            except ValueError as error:  # brackets, say
                return {"file": written, "fault": f"'{written}' is no web address ({error})"}
            found = inside(self._photographs, name)
            if found:
                return {"file": str(found)}
            return {
                "file": written,
                "fault": f"'{written}' is on the web, no '{name}' in {self._photographs}; import --fetch brings it",
            }
        name = clean_name(written.removeprefix("./")) or ""
        if not name:
            return {"file": written, "fault": f"'{written}' is an absolute path or climbs out of the archive"}
        if self._archive.is_zip and self._archive.holds(name):
            try:
                return {"file": str(self._archive.take_out(name, self._work))}
            except DataError as error:
                return {"file": written, "fault": str(error)}
        if not self._archive.is_zip and self._archive.holds(name):
            return {"file": str(self._archive.path / name)}
        if inside(self._photographs, name):
            return {"file": str(self._photographs / name)}
        fault = f"photograph '{written}' is not in {self._photographs}"
        return {"file": str(self._photographs / name), "fault": fault}


def merge(rows: list[Row]) -> list[Row]:
    """Return one row a file: the same file in two extensions, or twice, is one photograph; regions stay apart."""
    merged: dict[tuple[str, str], Row] = {}
    for row in rows:
        held = merged.setdefault((first(row, MEDIA_TERMS["file"]), region_of(row)), {})
        held.update({k: v for k, v in row.items() if v and not held.get(k)})
    return list(merged.values())


def photographs_of(media: list[Row], regions: list[Row], specimen: str, used: dict[str, int]) -> Iterator[Photo]:
    """Yield the photographs of one specimen; where a photograph has several regions, each is a specimen of its own.

    regions: rows of the region extension (isROIOf names the photograph). used: photo_id -> how often it stood so far.
    """
    by_media: dict[str, list[str]] = defaultdict(list)
    for row in regions:
        by_media[row.get("isROIOf", "")].append(region_of(row))
    in_file: dict[str, int] = defaultdict(int)
    for row in media:
        in_file[first(row, MEDIA_TERMS["file"])] += 1
    number: dict[str, int] = defaultdict(int)
    for row in media:
        fields = {ours: first(row, terms) for ours, terms in MEDIA_TERMS.items()}
        fields["view"] = view_of(fields["view"])
        own = region_of(row)
        boxes = [own] if own else by_media.get(fields["photo_id"]) or by_media.get(fields["file"]) or [""]
        several = in_file[fields["file"]] > 1 or len(boxes) > 1
        for box in boxes:
            number[fields["file"]] += 1
            used[fields["photo_id"]] += 1
            again = used[fields["photo_id"]]
            photo_id = fields["photo_id"] + (f"#{again}" if again > 1 else "")
            own_specimen = {"specimen_id": f"{specimen}#{number[fields['file']]}"} if several else {}
            group = {} if not several else {"region_of": specimen}
            yield Photo(fields | own_specimen | {"photo_id": photo_id, "region": box}, row | group, row)
