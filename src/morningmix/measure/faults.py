"""Streaming meters for faults of a single input: hum, pops, dropouts."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray

from morningmix.dsp.bands import band_hop_frames
from morningmix.model.measured import Hum, Spans
from morningmix.units import Block, power_db

MAINS_HZ = (50.0, 60.0)
_HARMONICS = 4
_DECIMATED_HZ = 2000
_WINDOW_S = 4
_BESIDE_HZ = (-3.0, -2.0, 2.0, 3.0)
_CLEAR_DB, _ALSO_CLEAR_DB, _VERY_CLEAR_DB = 8.0, 3.5, 12.0
_LEAST_HUM_DBFS = -66.0


@cache
def _waves(length: int, rate_hz: float) -> NDArray[np.float32]:
    """Windowed cosines, then sines, of every line and the frequencies beside it: ``(length, waves)``."""
    times = np.arange(length) / rate_hz
    window = np.hanning(length)
    lines = np.array([mains * k for mains in MAINS_HZ for k in range(1, _HARMONICS + 1)])
    hz = (lines[:, None] + np.array((0.0, *_BESIDE_HZ))).ravel()
    # A sine of amplitude 1 on a line has power 1 there.
    waves = (np.exp(-2j * np.pi * hz[:, None] * times) * window * 2.0 / window.sum()).T
    return np.ascontiguousarray(np.concatenate((waves.real, waves.imag), axis=1), np.float32)


class HumMeter:
    """Detects mains hum: lines at the mains frequency and its harmonics that stand out nearly all the time.

    Windows of 4 s, longer than notes last, are decimated to about 2 kHz and compared at the lines and 2 and 3 Hz
    beside them: fine enough that no note of equal temperament falls on 50 or 60 Hz. Hum must show in four windows out
    of five, at the mains frequency and a harmonic, or at the mains frequency alone if very clear (common practice, no
    source).
    """

    def __init__(self, rate_hz: int) -> None:
        self._factor = max(1, rate_hz // _DECIMATED_HZ)
        self._length = _WINDOW_S * rate_hz // self._factor
        self._kept, self._decimated = np.zeros(0, np.float32), np.zeros(0, np.float32)
        self._mean = np.full(self._factor, 1.0 / self._factor, np.float32)
        self._waves = _waves(self._length, rate_hz / self._factor)
        self._windows: list[NDArray[np.float64]] = []

    def update(self, mono: NDArray[np.float32]) -> None:
        """Take in the mean of the channels, ``(frames,)``."""
        sound = np.concatenate((self._kept, mono)) if len(self._kept) else mono
        whole = len(sound) // self._factor
        self._decimated = np.concatenate(
            (self._decimated, sound[: whole * self._factor].reshape(whole, self._factor) @ self._mean)
        )
        self._kept = sound[whole * self._factor :].copy()
        while len(self._decimated) >= self._length:
            window, self._decimated = self._decimated[: self._length], self._decimated[self._length :]
            cosines, sines = (window @ self._waves).astype(np.float64).reshape(2, -1)
            powers = cosines**2 + sines**2
            self._windows.append(powers.reshape(len(MAINS_HZ), _HARMONICS, 1 + len(_BESIDE_HZ)))

    def result(self) -> Hum | None:
        """The hum found, or None."""
        if len(self._windows) < 5:
            return None
        powers = np.array(self._windows)
        lines, beside = powers[..., 0], powers[..., 1:].mean(axis=-1)
        standing_db = np.percentile(10.0 * np.log10((lines + 1e-16) / (beside + 1e-16)), 20, axis=0)
        levels = np.percentile(lines, 20, axis=0)
        for index, mains in enumerate(MAINS_HZ):
            clear = standing_db[index] > _CLEAR_DB
            level_dbfs = power_db(float(levels[index].sum()) / 2.0)
            also = np.count_nonzero(standing_db[index] > _ALSO_CLEAR_DB) >= 2
            standing = clear[0] and (also or standing_db[index][0] > _VERY_CLEAR_DB)
            if standing and level_dbfs > _LEAST_HUM_DBFS:
                return Hum(mains_hz=mains, level_dbfs=level_dbfs)
        return None


_POP_TIMES, _LEAST_JUMP, _MOST_POPS = 4.0, 0.25, 20
_POP_HOPS = 3


class PopMeter:
    """Detects pops of plugs, switches and static: jumps between samples far above what is usual in the input."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._hop = band_hop_frames(rate_hz)
        self._last: Block = np.zeros((channels, 1), np.float32)
        self._kept = np.zeros(0, np.float32)
        self._jumps: list[NDArray[np.float32]] = []

    def update(self, block: Block) -> None:
        """Take in a block ``(channels, frames)``."""
        steps = np.zeros(len(self._kept) + block.shape[1], np.float32)
        steps[: len(self._kept)] = self._kept
        for before, sound in zip(self._last[:, 0], block, strict=True):
            jumps = np.empty_like(sound)
            np.subtract(sound[1:], sound[:-1], out=jumps[1:])
            jumps[:1] = sound[:1] - before
            np.maximum(steps[len(self._kept) :], np.abs(jumps, out=jumps), out=steps[len(self._kept) :])
        if block.shape[1]:
            self._last = block[:, -1:].copy()
        whole = len(steps) // self._hop * self._hop
        self._jumps.append(steps[:whole].reshape(-1, self._hop).max(axis=1))
        self._kept = steps[whole:]

    def result(self) -> tuple[int, ...]:
        """Hops with a pop; none if there are too many to be faults."""
        jumps = np.concatenate([*self._jumps, self._kept.max(keepdims=True) if len(self._kept) else self._kept])
        if not len(jumps):
            return ()
        usual = float(np.percentile(jumps, 99.5))
        pops = np.flatnonzero(jumps > max(_POP_TIMES * usual, _LEAST_JUMP))
        return tuple(int(hop) for hop in pops) if len(pops) <= _MOST_POPS else ()


def pop_spans(hops: Sequence[int], hop_s: float) -> Spans:
    """Stretches in seconds to turn down around pops; overlapping ones are merged."""
    spans: list[tuple[float, float]] = []
    for hop in hops:
        start, end = round(hop * hop_s, 3), round((hop + _POP_HOPS) * hop_s, 3)
        if spans and start <= spans[-1][1]:
            spans[-1] = (spans[-1][0], end)
        else:
            spans.append((start, end))
    return tuple(spans)


_DROPOUT_S, _LOUD = 0.002, 0.01


class DropoutMeter:
    """Counts stretches of exact digital silence that begin in the middle of loud sound."""

    def __init__(self, rate_hz: int) -> None:
        self._least = round(_DROPOUT_S * rate_hz)
        self._run = 0
        self._cut = False
        self._last = 0.0
        self._found = 0

    def update(self, block: Block) -> None:
        """Take in a block ``(channels, frames)``."""
        # Every run long enough contains one of these samples, unless it crosses the ends of the block.
        looked_at = (slice(0, 1), slice(self._least - 1, None, self._least), slice(-1, None))
        if not self._run and block.shape[1] and not any((block[:, at] == 0.0).all(axis=0).any() for at in looked_at):
            self._last = float(np.abs(block[:, -1]).max())
            return
        silent: NDArray[np.bool_] = np.all(block == 0.0, axis=0)
        frames = block.shape[1]
        edges = np.diff(silent.astype(np.int8), prepend=0, append=0)
        starts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
        if self._run and not (len(starts) and starts[0] == 0):
            self._end()
        # Single zeros are common in quiet sound: only long runs count, and those that may cross blocks.
        matters = (stops - starts >= self._least) | (starts == 0) | (stops == frames)
        for start, stop in zip(starts[matters], stops[matters], strict=True):
            if not self._run:
                before = float(np.abs(block[:, start - 1]).max()) if start else self._last
                self._cut = before > _LOUD
            self._run += int(stop - start)
            if stop < frames:
                self._end()
        self._last = float(np.abs(block[:, -1]).max()) if frames else self._last

    def _end(self) -> None:
        if self._cut and self._run >= self._least:
            self._found += 1
        self._run, self._cut = 0, False

    def result(self) -> int:
        """Number of dropouts after which sound came back."""
        return self._found
