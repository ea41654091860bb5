"""Quantise float samples to integers with dither.

Lipshitz, Wannamaker, Vanderkooy, "Quantization and dither: a theoretical survey", JAES 40(5), 1992: two independent
uniform values of +-1/2 LSB added before rounding make mean and power of the error independent of the signal.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from morningmix.units import Block

_PAGE_FRAMES = 16_384


def triangular_lsb(random_words: NDArray[np.uint64]) -> NDArray[np.float64]:
    """Triangular dither in LSB, within -1..1 and of zero mean: two values from each 64-bit word.

    ``(..., words)`` gives ``(..., 2 * words)``. Each value is the sum of two uniform 16-bit numbers.
    """
    pairs = random_words.view(np.uint32)
    sums = (pairs & np.uint32(0xFFFF)) + (pairs >> np.uint32(16))
    # Signed integers become floats several times faster than unsigned ones.
    return np.asarray(sums.view(np.int32) - np.int32(0xFFFF), dtype=np.float64) * 2.0**-16


def quantise(block: Block, bits: int, dither_lsb: NDArray[np.float64]) -> tuple[NDArray[np.int32], int]:
    """Integer samples of width `bits` (full scale 1.0 is 2 ** (bits - 1)) and how many had to be clipped.

    `block` and `dither_lsb` are ``(channels, frames)``. Raises ValueError for samples that are not finite.
    """
    half = 1 << (bits - 1)
    scaled = np.multiply(block, half, dtype=np.float64)
    scaled += dither_lsb
    np.rint(scaled, out=scaled)
    overs = 0
    if scaled.size:
        low, high = float(scaled.min()), float(scaled.max())
        if not np.isfinite(low) or not np.isfinite(high):
            raise ValueError("a sample is not a finite number and cannot be written")
        if low < -half or high > half - 1:
            overs = int(np.count_nonzero((scaled < -half) | (scaled > half - 1)))
            np.clip(scaled, -half, half - 1, out=scaled)
    return scaled.astype(np.int32), overs


class Dither:
    """A stage that quantises to integers without latency; one seed gives the same samples for any cut into blocks."""

    latency_frames = 0

    def __init__(self, seed: int, channels: int, bits: int) -> None:
        self.overs = 0
        """Samples clipped so far."""
        self._bits = bits
        self._channels = channels
        self._source = np.random.PCG64(seed)
        self._page = np.empty((channels, 0))
        self._used = 0

    def process(self, block: Block) -> NDArray[np.int32]:
        """``(channels, frames)`` integers of the width asked for. Raises ValueError for samples that are not finite."""
        frames = block.shape[1]
        out = np.empty(block.shape, dtype=np.int32)
        done = 0
        while done < frames:
            if self._used == self._page.shape[1]:
                words = self._source.random_raw(self._channels * _PAGE_FRAMES // 2)
                self._page = triangular_lsb(words.reshape(self._channels, -1))
                self._used = 0
            count = min(frames - done, self._page.shape[1] - self._used)
            dither_lsb = self._page[:, self._used : self._used + count]
            out[:, done : done + count], overs = quantise(block[:, done : done + count], self._bits, dither_lsb)
            self.overs += overs
            self._used += count
            done += count
        return out
