"""Where cymbals would pass for a voice in a singer's microphone."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from morningmix.laws.track_power import Powers, loud_above, momentary
from morningmix.model.measured import Measurements, TrackFacts

CORNER_HZ = 5000.0
"""Sibilants and cymbals lie above this (common practice, no source)."""
_CRASH = 10.0 ** (6.0 / 10.0)
_LEAST_S = 2.0

Mask = NDArray[np.bool_]


def cymbals_rest(drums: Sequence[TrackFacts], plays: Mask, measured: Measurements) -> Mask:
    """Slots in which the drums are no louder above the corner than in half of those in `plays`.

    What a vocal microphone hears of cymbals would pass for sibilants (measured in four modelled rooms: the loudest
    hundredth above the corner read 5 to 18 dB too high in all slots, and within 6 dB in these).
    """
    return _at_most(1.0, _above_corner(drums, measured), plays)


def without_crashes(drums: Sequence[TrackFacts], plays: Mask, measured: Measurements) -> Mask:
    """The slots in `plays` in which no crash is heard, over which a singer's level is judged.

    A crash is 6 dB louder than what else the cymbals play there (design choice). Where a singer moves it cannot be
    predicted, passes for the voice, and is louder: a soft voice came out 2 dB too soft (measured on nine takes). Where
    under 2 s are left, all of `plays` counts. Verses without drums say nothing of how loud cymbals are.
    """
    powers = momentary(_above_corner(drums, measured), measured.slot_s)
    with_drums = plays & (powers > loud_above(powers))
    calm = plays & _at_most(_CRASH, powers, with_drums)
    return calm if np.count_nonzero(calm) * measured.slot_s >= _LEAST_S else plays


def _above_corner(drums: Sequence[TrackFacts], measured: Measurements) -> Powers:
    above = np.where(measured.band_centres_hz > CORNER_HZ, 1.0, 0.0)
    powers = np.zeros(measured.slots)
    for track in drums:
        powers += track.slots.weighted(above)
    return powers


def _at_most(times: float, powers: Powers, plays: Mask) -> Mask:
    calm: Mask = powers <= times * (np.median(powers[plays]) if plays.any() else 0.0)
    return calm
