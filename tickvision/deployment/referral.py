"""What a referral asks for: the further photograph that would help, and the clock that runs from removal.

Never an advice on treatment: the clock only says until when a clinician can still weigh preventive care (IDSA 2020).
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from tickvision.domain.cautions import HOURS_TO_PREVENTIVE_CARE
from tickvision.domain.separating import Hint

SMALL_PX = 400  # common practice, no source: below this the specimen covers too few pixels to show its mouthparts
MICROSCOPE = "No photograph shows what separates these candidates: send the specimen itself, in alcohol."
_VIEWS = (
    ("close-up of capitulum", "From above, a close-up of the mouthparts, in focus to the tips of the palps."),
    ("scale", "With a scale: a ruler beside the specimen, at the same height."),
    ("dorsal", "From straight above: the whole specimen with mouthparts and legs, back plate in focus."),
    ("ventral", "From below: turn the specimen on its back, plates and first segments of the legs in focus."),
    ("lateral", "From the side: the breathing plate behind the last pair of legs, in focus."),
    ("place", "No picture, but words: where it was picked up, and where its host had been."),
    ("season", "No picture, but words: the day it was found."),
    ("host", "No picture, but words: on what animal or person it was found."),
)
_BY_REASON = {
    "novel": (
        "From straight above and from below, the whole specimen alone on a plain light ground.",
        "With a scale: a ruler beside the specimen, at the same height.",
    ),
    "unusable_picture": (
        "The same view again, in focus and from close by: camera held still, bright diffuse light without glare, "
        "focus on the back plate.",
    ),
    "unreadable": ("The same photograph again as a whole file (JPEG or PNG), or the specimen itself.",),
}


def further_photographs(reason: str, hints: Sequence[Hint], short_side_px: int | None) -> tuple[str, ...]:
    """Return what to photograph next, as sentences, the most useful first.

    reason: why the case is referred, as in the policy. hints: what separates the candidates. short_side_px: of the
    largest usable photograph, None if there is none.
    """
    wanted = list(_BY_REASON.get(reason, ()))
    if short_side_px is not None and short_side_px < SMALL_PX:
        wanted.append(
            f"Closer: the largest picture is {short_side_px} pixels on its short side; let the specimen fill the frame."
        )
    views = [hint.view for hint in hints]
    wanted += [sentence for word, sentence in _VIEWS if any(word in view for view in views)]
    if views and all(view in ("microscope", "none on photograph") for view in views):
        wanted.append(MICROSCOPE)
    if not wanted:
        wanted = [_VIEWS[2][1], _VIEWS[0][1]]
    return tuple(dict.fromkeys(wanted))


def preventive_care_until(removed_at: str) -> str:
    """Return the end of the 72 hours after removal (ISO 8601), "" if the time of removal is not known.

    A time without a zone is local, here and in what is returned; 72 hours over a change of the clocks stay 72.
    Source: IDSA guideline on Lyme disease, 2020: preventive care is only considered within 72 h of removal.
    """
    if not removed_at:
        return ""
    removed, span = datetime.fromisoformat(removed_at), timedelta(hours=HOURS_TO_PREVENTIVE_CARE)
    if removed.tzinfo is None:
        due = (removed.astimezone(UTC) + span).astimezone().replace(tzinfo=None)
    else:
        due = removed + span
    return due.isoformat(timespec="minutes")


def clock(removed_at: str, now: datetime | None = None) -> str:
    """Return the clock in words, "" if the time of removal is not known. now: to say how many hours are left."""
    if not removed_at:
        return ""
    until = preventive_care_until(removed_at)
    line = f"Removed {removed_at}; the {HOURS_TO_PREVENTIVE_CARE} h in which a clinician can weigh preventive care "
    line += f"(IDSA 2020) end {until}"
    if now is not None:
        left = (datetime.fromisoformat(until).astimezone() - now.astimezone()).total_seconds() / 3600
        line += f", in {left:.0f} h" if left > 0 else ", which is past"
    return f"{line}. Whether to do anything is the clinician's decision."
