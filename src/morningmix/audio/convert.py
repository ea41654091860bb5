"""Convert the rate of sound that comes in blocks."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import soxr  # noqa: TID251

from morningmix.units import Block


def converted(blocks: Iterable[Block], from_hz: float, to_hz: float, channels: int) -> Iterator[Block]:
    """The sound at another rate, frame for frame at the same time, as blocks ``(channels, frames)``.

    Rates need not be whole: a ratio a little off 1 stretches the sound.
    """
    stream = soxr.ResampleStream(from_hz, to_hz, channels, dtype="float32", quality="HQ")
    for block in blocks:
        yield np.ascontiguousarray(stream.resample_chunk(np.ascontiguousarray(block.T)).T)
    yield np.ascontiguousarray(stream.resample_chunk(np.empty((0, channels), np.float32), last=True).T)
