"""Short-time spectra of a stretch of sound and back: root-Hann windows at both ends, four frames to a window.

Frame ``t`` of a recording covers its samples ``(t + 1) * hop - size ... (t + 1) * hop``, wherever a stretch is cut out.
"""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.units import Block

OVERLAP = 4
_CACHED_FRAMES = 32
"""What is transformed at once stays in the processor's cache."""

Spectrum = NDArray[np.complex64]
"""``(bins, frames)``."""


def size_for(window_s: float, rate_hz: int) -> int:
    """The power of two nearest to a window length."""
    return 1 << max(4, round(float(np.log2(window_s * rate_hz))))


def _window(size: int) -> NDArray[np.float32]:
    window: NDArray[np.float32] = np.sqrt(np.hanning(size + 1)[:-1]).astype(np.float32)
    return window


def analyse(sound: NDArray[np.float32], size: int, bins: slice = slice(None), out: Spectrum | None = None) -> Spectrum:
    """All whole frames in a stretch of sound ``(samples,)``: ``(size // 2 + 1, frames)``, or only those `bins`.

    They are written into `out` if that is given.
    """
    frames = np.lib.stride_tricks.sliding_window_view(sound, size)[:: size // OVERLAP]
    window = _window(size)
    spectrum = np.empty((len(range(size // 2 + 1)[bins]), len(frames)), np.complex64) if out is None else out
    for first in range(0, len(frames), _CACHED_FRAMES):
        some = slice(first, first + _CACHED_FRAMES)
        spectrum[:, some] = scipy.fft.rfft(frames[some] * window, axis=1)[:, bins].T
    return spectrum


class Synthesis:
    """Frames of a recording back to sound, a stretch at a time; what `analyse` gave comes back unchanged.

    The first ``size - hop`` samples that come out lie before the recording's start.
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
            some = spectrum[:, first : first + _CACHED_FRAMES]
            pieces: Block = scipy.fft.irfft(some.T, self._size, axis=1)
            pieces *= self._window
            for part in range(OVERLAP):
                begin = first + part
                total[begin : begin + len(pieces)] += pieces[:, part * self._hop : (part + 1) * self._hop]
        self._open = total[count:].reshape(1, -1)
        done: NDArray[np.float32] = total[:count].reshape(-1)
        return done
