"""The count-in: evenly spaced clicks before the band comes in. All thresholds are design choices."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from morningmix.decide.playing import COUNTED, Band

CLICKS, PERIOD_S, UNEVEN = 3, (0.2, 1.3), 0.08
"""Fewest clicks of a count-in, seconds between two of them, and how uneven they may be."""

COUNT_IN_S = 9.0
"""How far before the band's entry to look for a count-in."""


@dataclass(frozen=True, slots=True)
class _CountIn:
    first_s: float
    clicks: int
    period_s: float


def find_count_in(band: Band, comes_in_s: float, earliest_s: float) -> _CountIn | None:
    """Clicks that lead up to the band's entry: on the drum microphones, or else on any."""
    return _even(band, band.clicks_s, CLICKS, comes_in_s, earliest_s) or _even(
        band, band.ticks_s, COUNTED, comes_in_s, earliest_s
    )


def _even(
    band: Band, clicks_s: NDArray[np.float64], least: int, comes_in_s: float, earliest_s: float
) -> _CountIn | None:
    """The longest run of evenly spaced clicks; of equally long ones the latest."""
    near = clicks_s[(clicks_s > max(earliest_s, comes_in_s - COUNT_IN_S)) & (clicks_s < comes_in_s - 0.05)]
    best: _CountIn | None = None
    for last in range(len(near) - 1, 0, -1):
        beats_s = band.beats_s[(band.beats_s > near[last]) & (band.beats_s < comes_in_s)]
        follows_s = float(beats_s[0]) if len(beats_s) else comes_in_s
        for before in range(last - 1, -1, -1):
            period = float(near[last] - near[before])
            if period < PERIOD_S[0]:
                continue
            if period > PERIOD_S[1]:
                break
            if not 0.5 * period <= follows_s - near[last] <= 1.6 * period:
                continue
            chain = [near[last], near[before]]
            while True:
                wanted = chain[-1] - period
                off = np.abs(near - wanted)
                if not len(off) or off.min() > max(0.03, UNEVEN * period):
                    break
                chain.append(near[int(off.argmin())])
            if len(chain) >= least and (best is None or len(chain) > best.clicks):
                best = _CountIn(float(chain[-1]), len(chain), period)
    return best
