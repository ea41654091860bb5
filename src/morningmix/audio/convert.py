"""Convert the rate of sound that comes in blocks, and the length of the blocks."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import soxr  # noqa: TID251

from morningmix.units import Block

_SILENT_FRAMES = 8192


def converted(blocks: Iterable[Block], from_hz: float, to_hz: float, channels: int) -> Iterator[Block]:
    """The sound at another rate, frame for frame at the same time, as blocks ``(channels, frames)``.

    Rates need not be whole: a ratio a little off 1 stretches the sound.
    """
    stream = soxr.ResampleStream(from_hz, to_hz, channels, dtype="float32", quality="HQ")
    for block in blocks:
        yield np.ascontiguousarray(stream.resample_chunk(np.ascontiguousarray(block.T)).T)
    yield np.ascontiguousarray(stream.resample_chunk(np.empty((0, channels), np.float32), last=True).T)


def regrouped(pieces: Iterable[Block], channels: int, frames: int) -> Iterator[Block]:
    """The same sound in blocks of `frames`, the last one shorter."""
    block = np.empty((channels, frames), np.float32)
    filled = 0
    for piece in pieces:
        used = 0
        while used < piece.shape[1]:
            count = min(frames - filled, piece.shape[1] - used)
            block[:, filled : filled + count] = piece[:, used : used + count]
            filled, used = filled + count, used + count
            if filled == frames:
                yield block.copy()
                filled = 0
    if filled:
        yield np.ascontiguousarray(block[:, :filled])


def lasting(pieces: Iterable[Block], channels: int, frames: int) -> Iterator[Block]:
    """The sound cut, or continued by silence, to that many frames."""
    left = frames
    for piece in pieces:
        if left <= 0:
            return
        yield piece[:, :left]
        left -= piece.shape[1]
    while left > 0:
        silent = min(left, _SILENT_FRAMES)
        yield np.zeros((channels, silent), np.float32)
        left -= silent
