"""A filter stage of second-order sections."""

from __future__ import annotations

import numpy as np
import scipy

from morningmix.laws.filters import Sos
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
