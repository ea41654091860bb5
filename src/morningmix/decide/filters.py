"""High-pass per role, and the roll-off of a speaker cabinet."""

from __future__ import annotations

from morningmix.decide.asked import asked
from morningmix.model.input import Input
from morningmix.model.measured import Measurements
from morningmix.model.names import with_article
from morningmix.model.plan import Filter, Reason
from morningmix.units import power_db

LOUDSPEAKER_HZ = 5000.0
"""No bass or guitar cabinet passes much above this (common practice, no source)."""
DIRECT_AIR_DB = -45.0


LINE_HAS_LOWS_HZ = 120.0
"""Below this a bass comes from its line alone if there is one: two of them in the low end, a little apart in time,
cancel where they should add (common practice; the corner is a design choice)."""


def decide_filters(
    input_: Input, measured: Measurements, *, line_too: str | None = None
) -> tuple[tuple[Filter, ...], tuple[Reason, ...]]:
    """The filters of one input in order, each with its reason.

    `line_too` names the line of a bass when this input is its microphone.
    """
    filters: list[Filter] = []
    reasons: list[Reason] = []
    wished_hz = input_.wish.high_pass_hz
    if wished_hz is not None:
        filters.append(Filter(kind="high_pass", corner_hz=wished_hz))
        reasons.append(asked(input_.wish, "high_pass_hz").reason("high_pass_hz"))
    elif input_.wish.high_pass == "off":
        reasons.append(asked(input_.wish, "high_pass", "turned off").reason("high_pass_hz"))
    elif line_too is not None:
        filters.append(Filter(kind="high_pass", corner_hz=LINE_HAS_LOWS_HZ))
        reasons.append(
            Reason(what="high_pass_hz", because=f"the lows come from {line_too}", source="common practice, no source")
        )
    elif input_.preset.high_pass_hz is not None:
        corner = input_.preset.high_pass_hz
        filters.append(Filter(kind="high_pass", corner_hz=corner.value))
        reasons.append(
            Reason(what="high_pass_hz", because=f"{with_article(input_.role)} has nothing below", source=corner.source)
        )
    if input_.wish.eq == "auto" and input_.role == "bass":
        spectrum = input_.facts.slots.spectrum()
        above = float(spectrum[measured.band_centres_hz > LOUDSPEAKER_HZ].sum())
        air_db = power_db(above / float(spectrum.sum())) if spectrum.sum() > 0.0 else 0.0
        if spectrum.sum() > 0.0 and air_db > DIRECT_AIR_DB:
            filters.append(Filter(kind="low_pass", corner_hz=LOUDSPEAKER_HZ))
            reasons.append(
                Reason(
                    what="low_pass_hz",
                    because="it was recorded without a loudspeaker: "
                    f"there is sound above {LOUDSPEAKER_HZ / 1000:.0f} kHz ({-air_db:.0f} dB below the whole)",
                    source="common practice, no source",
                )
            )
    return tuple(filters), tuple(reasons)
