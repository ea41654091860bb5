"""Stages of second-order sections: any filter, and lows in the middle."""

from __future__ import annotations

import numpy as np
import scipy

from morningmix.laws.filters import Sos, butterworth_high_pass
from morningmix.units import Block

_NOTHING = 1e-100
"""States below this cannot change a float32 sample, but would decay into denormal numbers, which are slow."""


class FilterStage:
    """Second-order sections with float64 state; float32 in and out, no latency.

    One stage of four sections is hardly slower than one section, so put all filters of a track in one stage.
    """

    latency_frames = 0

    def __init__(self, sos: Sos, channels: int) -> None:
        self._sos = sos
        self._state = np.zeros((len(sos), channels, 2))

    def process(self, block: Block) -> Block:
        """The filtered block, ``(channels, frames)``; the state carries on into the next one."""
        filtered, self._state = scipy.signal.sosfilt(self._sos, block, axis=1, zi=self._state)
        self._state[np.abs(self._state) < _NOTHING] = 0.0
        out: Block = filtered.astype(np.float32)
        return out


_ABOVE = 4.0 / 3.0


def side_high_pass(below_hz: float, rate_hz: int) -> Sos:
    """What the side signal passes so that it is 10 dB down at a frequency."""
    return butterworth_high_pass(min(_ABOVE * below_hz, 0.49 * rate_hz), rate_hz, 4)


class LowsInTheMiddle:
    """Takes the side signal (left minus right) away: by 10 dB at a frequency, and by 24 dB more an octave below.

    What is in the middle stays as it is.
    """

    latency_frames = 0

    def __init__(self, below_hz: float, rate_hz: int) -> None:
        self._high_pass = FilterStage(side_high_pass(below_hz, rate_hz), 1)

    def process(self, block: Block) -> Block:
        """The block ``(2, frames)`` without low sides."""
        side = (block[:1] - block[1:]) * np.float32(0.5)
        low = side - self._high_pass.process(side)
        placed: Block = np.concatenate((block[:1] - low, block[1:] + low))
        return placed
