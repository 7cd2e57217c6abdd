"""From what was written to what the program uses: names, stages, sexes, licences, and what is wrong with a record."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import chain, zip_longest

from tickvision.data.columns import LABEL, VERBATIM
from tickvision.domain import licences, names, rules
from tickvision.domain.vocabulary import clean, is_unknown, read_stage_and_sex, read_word

SEVERITIES = ("error", "warning", "note")


@dataclass(frozen=True)
class Finding:
    """One thing a person should know about a photograph or a set. line: in the source file, 0 if there is none."""

    photo_id: str
    finding: str
    severity: str
    message: str
    advice: str = ""
    line: int = 0


def in_turn(findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings in their order but every kind in turn, so that no common kind hides the others."""
    kinds: dict[str, list[Finding]] = {}
    for finding in findings:
        kinds.setdefault(finding.finding, []).append(finding)
    return [f for f in chain.from_iterable(zip_longest(*kinds.values())) if f is not None]


def read_label(record: dict[str, str], kind: str, non_target: str) -> tuple[dict[str, str], list[tuple[str, str, str]]]:
    """Return (cleaned label columns, faults as (finding, severity, message)) of one record.

    kind "ticks" resolves names and applies the vocabulary and the rules; otherwise labels are taken as written.
    """
    written = {key: record.get(key, "") for key in LABEL}
    label = {verbatim: record.get(verbatim, written[ours]) for ours, verbatim in VERBATIM.items()} | {"qualifier": ""}
    if non_target and clean(written["scientific_name"]).lower() == non_target.lower():
        return label | {
            "scientific_name": non_target,
            "taxon_rank": "none",
            "life_stage": "",
            "sex": "",
            "feeding": "",
            "view": "",
        }, []
    if kind == "ticks":
        fields, faults = _tick_label(written, record)
    else:
        fields = {k: "" if is_unknown(v) else clean(v) for k, v in written.items()}
        fields["taxon_rank"], faults = ("species" if fields["scientific_name"] else ""), []
    return label | fields, faults


def _tick_label(written: dict[str, str], record: dict[str, str]) -> tuple[dict[str, str], list[tuple[str, str, str]]]:
    faults: list[tuple[str, str, str]] = []
    name = names.resolve(written["scientific_name"])
    if name.fault:
        faults.append(("unknown_name", "error", name.fault))
    elif name.reason:
        faults.append(("name_changed", "note", name.reason))
    stage, sex, bad_words = read_stage_and_sex(written["life_stage"], written["sex"])
    faults += [("unknown_value", "error", w) for w in bad_words]
    fields = {
        "scientific_name": name.scientific_name,
        "taxon_rank": name.rank,
        "qualifier": name.qualifier,
        "life_stage": stage,
        "sex": sex,
    }
    for column in ("feeding", "view"):
        fields[column], fault = read_word(column, written[column])
        if fault:
            faults.append(("unknown_value", "warning", fault))
    breaches = rules.check_label(
        name.scientific_name,
        name.rank,
        stage,
        sex,
        fields["feeding"],
        record.get("leg_count", ""),
        record.get("attached", ""),
        record.get("host", ""),
    )
    for breach in breaches:
        hard = breach.level == "hard"
        faults.append(
            (
                "contradiction" if hard else "second_look",
                "error" if hard else "warning",
                f"{breach.rule}: {breach.message}",
            )
        )
    return fields, faults


def read_licence(text: str, allowed: tuple[str, ...]) -> tuple[dict[str, str], list[tuple[str, str, str]]]:
    """Return (license_uri and spdx, faults) of what stands in the licence column under the config's policy."""
    licence = licences.parse(text)
    fields = {"license_uri": licence.uri or text.strip(), "spdx": licence.spdx}
    if "any" in allowed or licences.is_allowed(licence, allowed):
        return fields, []
    found = f"'{text.strip()}' ({licence.spdx})" if text.strip() else "no licence is stated; that"
    return fields, [("licence", "error", f"{found} is not among the licences that may train: {', '.join(allowed)}.")]
