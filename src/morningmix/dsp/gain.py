"""Stages of gain: steady, on lines over time, and between left and right."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from morningmix.dsp.control import Line, gains_of, spread, step_frames
from morningmix.units import Block


class SteadyGain:
    """One gain throughout; negative inverts the polarity."""

    latency_frames = 0

    def __init__(self, gain: float) -> None:
        self._gain = np.float32(gain)

    def process(self, block: Block) -> Block:
        """The block times the gain."""
        return block * self._gain


class LineGain:
    """The sum of lines in dB, at control rate."""

    latency_frames = 0

    def __init__(self, lines: Sequence[Line], rate_hz: int) -> None:
        self._lines = lines
        self._step = step_frames(rate_hz)
        self._steps_per_second = rate_hz / self._step
        self._frame = 0

    def process(self, block: Block) -> Block:
        """The block times the gain of its time."""
        frames = block.shape[1]
        first = self._frame // self._step
        last = -(-(self._frame + frames) // self._step)
        # Each step runs from the gain of the one before it to its own.
        times_s = np.maximum(np.arange(first - 1, last), 0) / self._steps_per_second
        gains = gains_of(np.sum([line.at(times_s) for line in self._lines], axis=0))
        into = self._frame - first * self._step
        self._frame += frames
        return block * spread(gains, self._step)[into : into + frames]


class Pan:
    """One channel or a pair onto left and right."""

    latency_frames = 0

    def __init__(self, left: float, right: float) -> None:
        self._left, self._right = np.float32(left), np.float32(right)

    def process(self, block: Block) -> Block:
        """``(2, frames)``."""
        placed = np.empty((2, block.shape[1]), np.float32)
        np.multiply(block[0], self._left, out=placed[0])
        np.multiply(block[-1], self._right, out=placed[1])
        return placed
