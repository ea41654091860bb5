"""Gain curve of a look-ahead limiter, computed from peaks of short steps and interpolated to samples.

Feed-forward with look-ahead after Giannoulis, Massberg, Reiss, JAES 60(6), 2012 and Hamalainen, DAFx-02, 2002: hold
the deepest reduction over the look-ahead, then smooth, so that smoothing never overshoots. The curve is computed for
the whole song at once, so the look-ahead costs no latency.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

_INAUDIBLE_DB = 1e-3
"""The release ends at this reduction."""

_CHUNK_STEPS = 32_768
"""Steps per chunk, which keeps temporary arrays small; the result does not depend on it."""


def limiter_gain_db(
    peak_db: NDArray[np.floating], ceiling_db: float, lookahead_s: float, release_s: float, step_s: float
) -> NDArray[np.float32]:
    """Gain of each step, dB, 0 or less: peak plus gain never exceeds the ceiling. ``(steps,)`` in and out.

    The reduction in dB grows along half a cosine over the look-ahead before a peak, and falls exponentially with the
    time constant `release_s` after it.
    """
    steps = len(peak_db)
    ahead = max(1, round(lookahead_s / step_s))
    weights = 1.0 - np.cos(2.0 * math.pi * np.arange(1, ahead + 2) / (ahead + 2))
    weights /= weights.sum()
    gain_db = np.zeros(steps, np.float32)
    falling_db = np.zeros(ahead)
    largest = -math.inf
    for start in range(0, steps + ahead, _CHUNK_STEPS):
        # The reduction at a step depends on the next `ahead` steps, so this chunk yields gains of earlier steps.
        stop = min(start + _CHUNK_STEPS, steps + ahead)
        needed_db = np.zeros(stop - start)
        known = max(0, min(stop, steps) - start)
        needed_db[:known] = np.maximum(peak_db[start : start + known].astype(np.float64) - ceiling_db, 0.0)
        # An exponential decay is a constant slope in the logarithm, which a running maximum follows exactly.
        slope = np.arange(start, stop) * (step_s / release_s)
        rising = np.log(np.maximum(needed_db, _INAUDIBLE_DB)) + slope
        rising[0] = max(rising[0], largest)
        np.maximum.accumulate(rising, out=rising)
        largest = float(rising[-1])
        logarithm = rising - slope
        # A little above the floor, so that rounding cannot make the floor itself count as a reduction.
        new_db = np.where(logarithm > math.log(_INAUDIBLE_DB) + 1e-6, np.exp(logarithm), 0.0)
        falling_db = np.concatenate((falling_db, np.maximum(new_db, needed_db)))
        ready = len(falling_db) - 2 * ahead
        if ready > 0:
            held_db = _largest_ahead(falling_db, ahead)
            smooth_db = np.zeros(ready)
            for lag, weight in enumerate(weights):
                smooth_db += weight * held_db[ahead - lag :][:ready]
            first = stop - ready - ahead
            # A weighted mean of equal values may fall short of them by a rounding error.
            needed = np.maximum(peak_db[first : first + ready].astype(np.float64) - ceiling_db, 0.0)
            gain_db[first : first + ready] = -np.maximum(smooth_db, needed)
            falling_db = falling_db[ready:]
    return gain_db


def expand(gain_db: NDArray[np.floating], step_frames: int, start_frame: int, frames: int) -> NDArray[np.float32]:
    """Linear gain per sample, ``(frames,)`` from `start_frame` on, never above the gain of the sample's step.

    The gain at the edge of two steps is the lower of theirs; between edges it is linear. After the last step the gain
    stays. Any cut of the song into stretches gives the same samples.
    """
    first = start_frame // step_frames
    last = (start_frame + frames - 1) // step_frames
    # One step more on both sides, since an edge belongs to two.
    nearby = gain_db[np.clip(np.arange(first - 1, last + 2), 0, gain_db.size - 1)]
    edges = (10.0 ** (np.minimum(nearby[:-1], nearby[1:]) / 20.0)).astype(np.float32)
    along = (np.arange(step_frames) / step_frames).astype(np.float32)
    gains = edges[:-1, None] * (np.float32(1.0) - along) + edges[1:, None] * along
    skipped = start_frame - first * step_frames
    return np.asarray(gains.ravel()[skipped : skipped + frames], dtype=np.float32)


def _largest_ahead(values: NDArray[np.float64], ahead: int) -> NDArray[np.float64]:
    """At each place the largest of the value there and the next `ahead` ones."""
    largest = values.copy()
    for shift in range(1, min(ahead, values.size - 1) + 1):
        np.maximum(largest[:-shift], values[shift:], out=largest[:-shift])
    return largest
