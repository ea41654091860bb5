"""Pan position of each input."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from morningmix.decide.asked import asked
from morningmix.model.input import Input
from morningmix.model.measured import Measurements
from morningmix.model.names import with_article
from morningmix.model.plan import Reason

_SOURCE = (
    "Mansbridge, Finn, Reiss, AES 133, 2012: low sounds and leads in the centre, neighbours in pitch to opposite sides"
)
MONO_BELOW_HZ = 120.0
"""Hardly any direction is heard under this, and a system's one woofer plays the sum (common practice, no source)."""
WIDTHS = {
    "bass": 0.45,
    "drums": 0.35,
    "guitars": 0.6,
    "keys": 0.45,
    "horns": 0.45,
    "strings": 0.45,
    "extras": 0.45,
    "playback": 0.45,
    "vocals": 0.35,
}
"""How far out a family is panned, in the order in which sides are assigned (design choice; hard panning is generally
unnecessary, same source)."""


def decide_pans(inputs: Sequence[Input], measured: Measurements) -> Mapping[int, tuple[float, Reason]]:
    """Pan -1..1 per `Input.index`; inputs of a family that spreads alternate by the pitch of their sound."""
    pans: dict[int, tuple[float, Reason]] = {}
    spread: dict[str, list[Input]] = {}
    for input_ in inputs:
        if input_.wish.pan is not None:
            pans[input_.index] = input_.wish.pan, asked(input_.wish, "pan").reason("pan")
        elif input_.facts.channels == 2:
            pans[input_.index] = (
                0.0,
                Reason(what="pan", because="a stereo input keeps its own width", source="design choice"),
            )
        elif input_.preset.pan == "spread":
            spread.setdefault(input_.preset.family, []).append(input_)
        else:
            pans[input_.index] = (
                0.0,
                Reason(what="pan", because=f"{with_article(input_.role)} belongs in the centre", source=_SOURCE),
            )
    side = -1.0
    for family, widest in WIDTHS.items():
        members = sorted(spread.get(family, ()), key=lambda input_: centroid_hz(input_, measured))
        width = widest * (0.5 if len(members) == 1 else 1.0)
        for place, input_ in enumerate(members):
            # Pairs mirror each other; one left over stays nearer to the middle.
            out = width if len(members) == 1 or place < len(members) // 2 * 2 else 0.0
            pan = round(side * out, 2)
            side = -side
            pans[input_.index] = (
                pan,
                Reason(
                    what="pan",
                    because="shares the width with the others of its kind "
                    f"(the centre of its spectrum is at {centroid_hz(input_, measured):.0f} Hz)",
                    source=_SOURCE,
                ),
            )
    return pans


def lows_in_the_middle() -> tuple[float, Reason]:
    """The frequency under which the mix has no sides, and why."""
    because = "nobody can tell where lows come from, and every loudspeaker plays what is in the middle"
    return MONO_BELOW_HZ, Reason(what="mono_below_hz", because=because, source="common practice, no source")


def centroid_hz(input_: Input, measured: Measurements) -> float:
    """Power-weighted mean of the logarithmic frequency."""
    spectrum = input_.facts.slots.spectrum()
    total = float(spectrum.sum())
    if total <= 0.0:
        return 1000.0
    return float(2.0 ** (np.sum(spectrum * np.log2(measured.band_centres_hz)) / total))
