"""Short-time Fourier transform and its inverse, with root-Hann windows and an overlap of four.

Frame ``t`` of a recording covers its samples ``(t + 1) * hop - size ... (t + 1) * hop``, wherever a stretch is cut out.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.units import Block

OVERLAP = 4
_CACHED_FRAMES = 32
"""Frames per transform, few enough for the processor's cache."""

Spectrum = NDArray[np.complex64]
"""``(bins, frames)``."""


def size_for(window_s: float, rate_hz: int) -> int:
    """The power of two nearest to a window length."""
    return 1 << max(4, round(float(np.log2(window_s * rate_hz))))


@cache
def _window(size: int) -> NDArray[np.float32]:
    window: NDArray[np.float32] = np.sqrt(np.hanning(size + 1)[:-1]).astype(np.float32)
    return window


def analyse(sound: NDArray[np.float32], size: int, bins: slice = slice(None), out: Spectrum | None = None) -> Spectrum:
    """Spectra of all complete frames of a sound ``(samples,)``: ``(size // 2 + 1, frames)``, or only those `bins`.

    They are written into `out` if that is given.
    """
    frames = np.lib.stride_tricks.sliding_window_view(sound, size)[:: size // OVERLAP]
    window = _window(size)
    spectrum = np.empty((len(range(size // 2 + 1)[bins]), len(frames)), np.complex64) if out is None else out
    windowed = np.empty((_CACHED_FRAMES, size), np.float32)
    for first in range(0, len(frames), _CACHED_FRAMES):
        batch = slice(first, first + _CACHED_FRAMES)
        cut = np.multiply(frames[batch], window, out=windowed[: len(frames[batch])])
        # Transformed along the first axis, because that transposes on the way.
        spectrum[:, batch] = scipy.fft.rfft(cut.T, axis=0)[bins]
    return spectrum


class Synthesis:
    """Resynthesises sound from spectra, a stretch at a time; the inverse of `analyse`.

    The first ``size - hop`` samples of the output lie before the start of the recording.
    """

    def __init__(self, size: int) -> None:
        self._size, self._hop = size, size // OVERLAP
        self._window = _window(size) / np.float32(OVERLAP / 2)
        self._open: Block = np.zeros((1, size - self._hop), np.float32)

    def process(self, spectrum: Spectrum) -> NDArray[np.float32]:
        """The samples that are complete after these frames: ``(frames * hop,)``."""
        count = spectrum.shape[1]
        total = np.zeros((OVERLAP + count - 1, self._hop), np.float32)
        total[: OVERLAP - 1] = self._open.reshape(OVERLAP - 1, self._hop)
        for first in range(0, count, _CACHED_FRAMES):
            batch = spectrum[:, first : first + _CACHED_FRAMES]
            pieces: Block = scipy.fft.irfft(batch.T, self._size, axis=1)
            pieces *= self._window
            for part in range(OVERLAP):
                begin = first + part
                total[begin : begin + len(pieces)] += pieces[:, part * self._hop : (part + 1) * self._hop]
        self._open = total[count:].reshape(1, -1)
        done: NDArray[np.float32] = total[:count].reshape(-1)
        return done
