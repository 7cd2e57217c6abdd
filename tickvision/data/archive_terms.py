"""Which Darwin Core and Audiovisual Core terms fill which of our columns, and what their values mean."""

from __future__ import annotations

import json
import re

from tickvision.domain.vocabulary import clean

# ours -> terms by their last part, the first with a value counts (rs.tdwg.org/dwc/terms, purl.org/dc/terms)
CORE_TERMS: dict[str, tuple[str, ...]] = {
    "specimen_id": ("organismID", "occurrenceID", "materialSampleID"),
    "submission_id": ("eventID", "materialSampleID"),
    "scientific_name": ("scientificName", "verbatimIdentification"),
    "verbatim_name": ("verbatimIdentification",),
    "life_stage": ("verbatimLifeStage", "lifeStage"),
    "sex": ("verbatimSex", "sex"),
    "event_date": ("eventDate",),
    "place": ("locality", "municipality", "county", "stateProvince", "country"),
    "identified_by": ("identifiedBy",),
    "source": ("datasetName", "institutionCode"),
}
# rs.tdwg.org/ac/terms and Simple Multimedia
MEDIA_TERMS: dict[str, tuple[str, ...]] = {
    "file": ("accessURI", "goodQualityAccessURI", "identifier"),
    "photo_id": ("identifier", "accessURI"),
    "view": ("subjectOrientation", "subjectOrientationLiteral"),
    "device": ("captureDevice",),
    "creator": ("creator", "creatorLiteral"),
    "rights_holder": ("rightsHolder", "Owner"),
    "license_uri": ("license", "rights", "WebStatement", "UsageTerms"),
}
# The record as it stood before a portal read it by a thesaurus, which may put one stage for another: it goes first.
VERBATIM_FIRST = ("lifeStage", "sex", "identificationQualifier")
EXTRA_FACTS = ("feeding", "leg_count", "attached", "use")  # read from dynamicProperties, which JSON is advised for
VIEWS = {  # http://rs.tdwg.org/acorient/values/
    "r0006": "dorsal",
    "r0007": "ventral",
    "r0003": "lateral",
    "r0000": "",
    "r0001": "",
    "r0002": "",
}
REGION_TERMS = ("xFrac", "yFrac", "widthFrac", "heightFrac")
_STILL = re.compile(r"(^|/)(still ?image|image)$", re.IGNORECASE)


def is_still(media: dict[str, str]) -> bool:
    """True unless type or format say that the media are sound, video or text."""
    kind, form = media.get("type", ""), media.get("format", "")
    if form and "/" in form:
        return form.lower().startswith("image/")
    return not kind or bool(_STILL.search(kind))


def first(row: dict[str, str], terms: tuple[str, ...]) -> str:
    """Return the first of the terms that has a value."""
    return next((row[t] for t in terms if row.get(t, "").strip()), "").strip()


def name_with_doubt(name: str, qualifier: str) -> str:
    """Return the name as written with its qualifier: "Ixodes scapularis" and "cf." give "Ixodes cf. scapularis".

    Source: identificationQualifier of Darwin Core; cf., aff. and ? keep the species unsaid (Sigovini et al. 2016).
    """
    words, doubt = name.split(), clean(qualifier)
    mark = re.match(r"(cf|aff|sp|spp|indet)\b\.?|\?", doubt, re.IGNORECASE)
    if mark is None or not words:
        return name
    if mark.group().rstrip(".").lower() in ("cf", "aff") and doubt.rstrip(".").lower() in ("cf", "aff"):
        return " ".join([words[0], doubt, *words[1:2]])
    return f"{words[0]} {doubt}" if mark.group() != "?" else f"{name} ?"


def view_of(text: str) -> str:
    """Return our word for a term URI of the orientation vocabulary; other text as it is."""
    return VIEWS.get(text.rstrip("/").rsplit("/", 1)[-1], text)


def host_of(associated: str) -> str:
    """Return the host named in associatedTaxa, as in '"host":"Canis lupus"'."""
    match = re.search(r'"?\bhost"?\s*:\s*"?([^"|;]+)', associated, re.IGNORECASE)
    return match.group(1).strip() if match else ""


def extra_facts(text: str) -> dict[str, str]:
    """Return the facts of dynamicProperties that have a column of ours."""
    try:
        held = json.loads(text) if text.strip().startswith("{") else {}
    except (ValueError, RecursionError):
        return {}
    return {k: str(v) for k, v in held.items() if k in EXTRA_FACTS and isinstance(v, str | int | float)}


def region_of(row: dict[str, str]) -> str:
    """Return "x y width height" of a region of interest, blank if the row has none (Audiovisual Core, fractions)."""
    parts = [row.get(t, "").strip() for t in REGION_TERMS]
    return " ".join(parts) if all(parts) else ""
