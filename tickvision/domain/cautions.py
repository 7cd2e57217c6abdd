"""The cautions that go with every output, and which clinician or authority outranks it.

After the Infectious Diseases Society's guideline of 2020 (IDSA20), the public pages of the US Centers for Disease
Control (CDC-BITE) and the bench's own policy; in our own words.
"""

from __future__ import annotations

SHORT = (
    "A name from a photograph is not a diagnosis and does not tell whether the tick carried anything. "
    "Do not start, withhold or change treatment because of it. Ask a clinician about any bite, and soon: some "
    "preventive care is only considered within 72 hours of removal. Your clinician and the local health authority "
    "outrank this text."
)

LONG = (
    SHORT,
    "See a clinician for a rash or fever in the days to weeks after a bite; trouble breathing, paralysis or a severe "
    "headache need emergency care.",
    "'Not a tick', 'unsure' or the name of another species does not rule out a bite by another tick. A flat tick is "
    "not proof of a short bite.",
    "An attached tick is best removed at once with clean, fine-tipped tweezers, close to the skin, with a steady pull "
    "and no twisting, heat, polish or jelly. Keep it in a sealed bag or in rubbing alcohol, not under tape, so that a "
    "person can name it.",
)

DRAWN = "Trained and tested on drawn specimens: not for identification."
NO_PROMISE = "no promise"
HOURS_TO_PREVENTIVE_CARE = 72  # IDSA20: counted from removal
DEAREST = ("Ixodes",)  # names whose miss costs most, unless the bench says others: of them that care is considered
