"""Somebody turned a gain in mid-take: from then on all that a microphone hears is louder or softer by the same amount.

It shows in the bleed. Where nobody sings, the excess over the predicted bleed makes a narrow heap; a turned gain makes
two, one before and one after. (A singer who comes in makes no narrow heap.)
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from morningmix.facts import Turned

LEAST_STEP_DB = 2.0
_SIDE_S = 10.0
_NEAR_DB, _LEAST_MASS, _MOST_SPREAD_DB = 1.0, 0.12, 1.6
_GAIN_IN_MASS = 0.08


def find_turn(excess_db: NDArray[np.float32], hop_s: float) -> Turned | None:
    """The one place where the heap of resting hops moves by 2 dB or more and stays; None if there is none."""
    side = round(_SIDE_S / hop_s)
    hops = len(excess_db)
    if hops < 2 * side:
        return None
    whole = _near(excess_db, _mode(excess_db))
    best, split = 0, 0
    step = round(1.0 / hop_s)
    for at in range(side, hops - side + 1, step):
        held = _near(excess_db[:at], _mode(excess_db[:at])) + _near(excess_db[at:], _mode(excess_db[at:]))
        if held > best:
            best, split = held, at
    before, after = _mode(excess_db[:split]), _mode(excess_db[split:])
    if best < whole + _GAIN_IN_MASS * hops or abs(after - before) < LEAST_STEP_DB:
        return None
    for part, mode in ((excess_db[:split], before), (excess_db[split:], after)):
        below = mode - part[part <= mode]
        spread = 1.48 * float(np.median(below)) if len(below) else np.inf
        if _near(part, mode) < _LEAST_MASS * len(part) or spread > _MOST_SPREAD_DB:
            return None
    left = np.cumsum(np.abs(excess_db - before) < _NEAR_DB)
    right = np.cumsum((np.abs(excess_db - after) < _NEAR_DB)[::-1])[::-1]
    around = slice(max(1, split - 2 * step), min(hops, split + 2 * step))
    held_at = left[around.start - 1 : around.stop - 1] + right[around]
    at = around.start + int(np.argmax(held_at))
    return Turned(at_s=round(at * hop_s, 3), step_db=heap_step_db(excess_db, at))


def heap_step_db(excess_db: NDArray[np.float32], at: int) -> float:
    """By how much the resting hops from hop `at` on lie over those before: between their lower thirds."""
    low, high = (float(np.quantile(part, 0.25)) for part in (excess_db[:at], excess_db[at:]))
    return round(high - low, 2)


def _mode(excess_db: NDArray[np.float32]) -> float:
    edges = np.arange(-3.0, 15.1, 0.2)
    counts, _ = np.histogram(excess_db, edges)
    smooth = np.convolve(counts, (0.25, 0.5, 0.25), "same")
    # Of two heaps the lower is bleed: a heap counts when it holds half of what the highest does.
    peaks = np.flatnonzero(smooth >= 0.5 * smooth.max())
    first = int(peaks[0])
    while first + 1 < len(smooth) and smooth[first + 1] > smooth[first]:
        first += 1
    return float(edges[first] + 0.1)


def _near(excess_db: NDArray[np.float32], mode_db: float) -> int:
    return int(np.count_nonzero(np.abs(excess_db - mode_db) < _NEAR_DB))
