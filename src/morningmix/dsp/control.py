"""Gain curves at control rate: steps of about a millisecond, interpolated per sample."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.laws.curves import gain_db, one_pole
from morningmix.model.measured import Spans
from morningmix.model.plan import Compressor, Gate, Move
from morningmix.units import Block, amplitude_db

Curve = NDArray[np.float64]
"""One value a step: ``(steps,)``."""


def loudness_hop_frames(rate_hz: int) -> int:
    """Length of a hop of 100 ms in frames: the hop of loudness measurement, and the unit of block sizes."""
    return rate_hz // 10


def step_frames(rate_hz: int) -> int:
    """Length of a control step: the divisor of the hop nearest to a millisecond (48 at 48 kHz, 45 at 44.1)."""
    hop = loudness_hop_frames(rate_hz)
    return min((n for n in range(1, hop + 1) if hop % n == 0), key=lambda n: (abs(n * 1000 - rate_hz), n))


def step_peaks(block: Block, step: int) -> NDArray[np.float32]:
    """Largest absolute sample per step over all channels; a last step may be short: ``(steps,)``."""
    loudest = np.abs(block[0])
    for channel in block[1:]:
        np.maximum(loudest, np.abs(channel), out=loudest)
    peaks: NDArray[np.float32] = np.maximum.reduceat(loudest, np.arange(0, len(loudest), step))
    return peaks


class GainLine:
    """Gain in dB, linear between points (s, dB), constant before the first and after the last."""

    def __init__(self, points: Sequence[tuple[float, float]]) -> None:
        self._at_s, self._db = np.array(points if points else [(0.0, 0.0)], np.float64).T

    def at(self, times_s: Curve) -> Curve:
        """Gain at each time."""
        curve: Curve = np.interp(times_s, self._at_s, self._db)
        return curve


def gate_line(gate: Gate) -> GainLine:
    """Gain of a gate: 0 dB in its open stretches, the floor outside, linear ramps between."""
    return _stretches(gate.open_s, gate.floor_db, 0.0, gate.ramp_s)


DUCK_DB, DUCK_RAMP_S = -20.0, 0.005
"""How far and how fast a pop is turned down (design choice)."""


def ducks_line(spans: Spans) -> GainLine:
    """Gain that turns the spans down."""
    return _stretches(spans, 0.0, DUCK_DB, DUCK_RAMP_S)


def move_line(move: Move) -> GainLine:
    """Gain of a fader move, with ramps outside its stretch."""
    return _stretches(((move.from_s, move.to_s),), 0.0, move.level_db, move.ramp_s)


def _stretches(spans: Sequence[tuple[float, float]], outside_db: float, inside_db: float, ramp_s: float) -> GainLine:
    """Gain of `inside_db` in the spans and `outside_db` elsewhere; ramps lie outside and meet where spans are near."""
    if not spans:
        return GainLine([(0.0, outside_db)])
    points = [(spans[0][0] - ramp_s, outside_db)]
    for (start, end), (until, _) in pairwise([*spans, (np.inf, np.inf)]):
        gap_s = max(0.0, until - end)
        points += [(start, inside_db), (end, inside_db)]
        if gap_s >= 2.0 * ramp_s:
            points += [(end + ramp_s, outside_db), (until - ramp_s, outside_db)]
        else:
            points.append((end + gap_s / 2.0, inside_db + (outside_db - inside_db) * gap_s / 2.0 / ramp_s))
    return GainLine(points[:-1])


class CompressorCurve:
    """Gain in dB per step of a compressor, from the peak of each step.

    Feed-forward: peak level, static curve, then a decoupled detector on the reduction in dB (Giannoulis, Massberg,
    Reiss, JAES 60(6) 2012): a release that falls exponentially, then an attack that smooths it. The falling maximum is
    exact with a running maximum of logarithms, counted from the first step on, so any cut into blocks gives the same.
    """

    _INAUDIBLE_DB = 1e-3

    def __init__(self, plan: Compressor, steps_per_second: float) -> None:
        self._plan = plan
        self._slope = 1.0 / (plan.release_s * steps_per_second)
        self._attack = one_pole(plan.attack_s, steps_per_second)
        self._steps = 0
        self._largest = -np.inf
        self._smooth = np.zeros(1)

    def process(self, peaks: NDArray[np.float32]) -> Curve:
        """Gain, 0 or less, for linear peaks ``(steps,)``."""
        plan = self._plan
        level_db = 20.0 * np.log10(np.maximum(peaks.astype(np.float64), 1e-6))
        wanted_db = np.minimum(-gain_db(level_db, plan.threshold_db, plan.ratio, plan.knee_db), plan.max_reduction_db)
        slope = (self._steps + np.arange(len(peaks))) * self._slope
        rising = np.log(np.maximum(wanted_db, self._INAUDIBLE_DB)) + slope
        if not len(rising):
            return np.zeros(0)
        rising[0] = max(rising[0], self._largest)
        largest = np.maximum.accumulate(rising)
        self._largest = float(largest[-1])
        self._steps += len(peaks)
        falling_db = np.exp(largest - slope)
        smooth_db, self._smooth = scipy.signal.lfilter(
            [1.0 - self._attack], [1.0, -self._attack], falling_db, zi=self._smooth
        )
        curve: Curve = -smooth_db
        return curve


class GainRamp:
    """Interpolates gains per step to samples: linear from the previous step's gain to its own."""

    def __init__(self, step: int, first_db: float = 0.0) -> None:
        self._along = (np.arange(1, step + 1, dtype=np.float32) / np.float32(step)).astype(np.float32)
        self._last = np.float32(10.0 ** (first_db / 20.0))

    def process(self, curve_db: Curve, frames: int) -> NDArray[np.float32]:
        """Linear gain per sample, ``(frames,)``, of the steps that these frames begin."""
        gains = np.power(10.0, curve_db / 20.0).astype(np.float32)
        before = np.concatenate(([self._last], gains[:-1]))
        self._last = gains[-1] if len(gains) else self._last
        ramp = before[:, None] + (gains - before)[:, None] * self._along
        samples: NDArray[np.float32] = ramp.reshape(-1)[:frames]
        return samples


def peaks_db(peaks: NDArray[np.float32]) -> NDArray[np.float32]:
    """Levels of linear peaks, dBFS, at least -120: ``(steps,)``."""
    floor = np.float32(10.0 ** (amplitude_db(0.0) / 20.0))
    levels: NDArray[np.float32] = np.maximum(peaks, floor)
    np.log10(levels, out=levels)
    levels *= np.float32(20.0)
    return levels
