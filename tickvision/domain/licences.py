"""Licences of photographs: what was written, the SPDX id, and what it allows (licences.csv).

Creative Commons URIs after creativecommons.org, SPDX ids after the SPDX licence list. Not legal advice.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from tickvision.domain.tables import rows
from tickvision.domain.vocabulary import clean

NONE = "NOASSERTION"
_URI = re.compile(
    r"creativecommons\.org/(?:licenses/(?P<kind>by(?:-nc)?(?:-nd|-sa)?)/(?P<version>\d\.\d)"
    r"|publicdomain/(?P<public>zero|mark)/(?P<public_version>\d\.\d))",
    re.IGNORECASE,
)
_TEXT = re.compile(
    r"\bcc[ -]?(?P<kind>by(?:[ -]nc)?(?:[ -](?:nd|sa))?)\b(?:[ -]?v?(?P<version>\d(?:\.\d)?))?", re.IGNORECASE
)
_LIMITS = {"NC": "non-? ?commercial", "ND": "no-? ?deriv", "SA": "share-? ?alike"}
_DASHES = re.compile("[\u2010-\u2015\u2212]")  # of typography: a licence is not read short because its hyphen is one


@dataclass(frozen=True)
class Licence:
    """spdx: SPDX id, "NOASSERTION" if unreadable. family: spdx without version ("CC-BY"). uri: canonical or ""."""

    spdx: str
    uri: str

    @property
    def family(self) -> str:
        """Return the id without its version; CC0-1.0 and CC-PDM-1.0 keep theirs."""
        return self.spdx if self.spdx in ("CC0-1.0", "CC-PDM-1.0", NONE) else re.sub(r"-\d\.\d$", "", self.spdx)


def parse(text: str) -> Licence:
    """Return the licence that a URI, a short form or a sentence names.

    NOASSERTION if none can be read, if the sentence limits the use further than the licence that it names, or if it
    names several: which of them holds for this photograph is not for us to choose.
    """
    written = _DASHES.sub("-", clean(text))
    found, start, end = _read(written)
    if _read(written[:start] + " " + written[end:])[0].family not in (found.family, NONE):
        return Licence(NONE, "")
    for sign, words in _LIMITS.items():
        behind = re.match(rf"\W{{0,3}}{sign}\b", written[end:], re.IGNORECASE)  # "CC BY (NC)"
        if sign not in found.spdx and (behind or re.search(words, written, re.IGNORECASE)):
            return Licence(NONE, "")
    return found


def _read(written: str) -> tuple[Licence, int, int]:
    """Return the first licence that a text names, and where what names it starts and ends."""
    match = _URI.search(written)
    if match and match["kind"]:
        return _cc(match["kind"].lower(), match["version"]), *match.span()
    if match:
        return _public(match["public"].lower(), match["public_version"]), *match.span()
    if match := re.search(r"\bcc[ -]?0\b|\bcc[ -]zero\b", written, re.IGNORECASE):
        return _public("zero", "1.0"), *match.span()
    if match := re.search(r"\bpublic domain mark\b|\bcc[ -]?pdm?\b", written, re.IGNORECASE):
        return _public("mark", "1.0"), *match.span()
    if match := _TEXT.search(written):
        version = match["version"] or "4.0"
        kind = match["kind"].lower().replace(" ", "-")
        return _cc(kind, version if "." in version else f"{version}.0"), *match.span()
    return Licence(NONE, ""), 0, 0


def _cc(kind: str, version: str) -> Licence:
    return Licence(f"CC-{kind.upper()}-{version}", f"https://creativecommons.org/licenses/{kind}/{version}/")


def _public(kind: str, version: str) -> Licence:
    spdx = "CC0-1.0" if kind == "zero" else "CC-PDM-1.0"
    return Licence(spdx, f"https://creativecommons.org/publicdomain/{kind}/{version}/")


def is_allowed(licence: Licence, allowed: tuple[str, ...]) -> bool:
    """True if the policy names the licence by its id or its family."""
    return licence.spdx in allowed or licence.family in allowed


def may_share_derived(spdx: str) -> bool:
    """True if a picture made from the photograph, such as a smaller one, may be given on with its credit."""
    row = next((r for r in rows("licences") if r["spdx"] == spdx), None)
    return row is not None and row["share_derived_images"].startswith("yes")


def needs_credit(licence: Licence) -> bool:
    """True if the licence asks for attribution; unknown licences count as asking."""
    row = next((r for r in rows("licences") if r["spdx"] == licence.spdx), None)
    return row is None or row["attribution_required"] != "no"
