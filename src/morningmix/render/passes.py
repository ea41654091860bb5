"""One pass through a song: its threads and the length of its blocks."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass

from morningmix.dsp.control import loudness_hop_frames

BLOCK_HOPS = 20
"""Default length of a block, in hops of 0.1 s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pass:
    """One pass through a song, block by block. The result does not depend on it."""

    pool: Executor
    progress: Callable[[float], None]
    """Called with the seconds done since the last call."""
    block_hops: int = BLOCK_HOPS

    def block_frames(self, rate_hz: int) -> int:
        """Length of a block."""
        return self.block_hops * loudness_hop_frames(rate_hz)
