"""Samples as the sound that clips and takes are compared by."""

from __future__ import annotations

import numpy as np

from morningmix.film.sounds import Sound


def sound_of(samples: np.ndarray, rate_hz: int) -> Sound:
    block = np.ascontiguousarray(samples[None], np.float32)

    def stretch(start: int, stop: int) -> np.ndarray:
        out = np.zeros((1, stop - start), np.float32)
        first, last = max(0, start), min(block.shape[1], stop)
        out[:, first - start : last - start] = block[:, first:last]
        return out

    return Sound(rate_hz=rate_hz, frames=block.shape[1], blocks=lambda: iter([block]), stretch=stretch)
