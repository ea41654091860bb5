"""Short-time spectra of a stretch of sound and back: root-Hann windows at both ends, four frames to a window.

Frame ``t`` of a recording covers its samples ``(t + 1) * hop - size ... (t + 1) * hop``, wherever a stretch is cut out.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.units import Block

OVERLAP = 4

Spectrum = NDArray[np.complex64]
"""``(bins, frames)``."""


def size_for(window_s: float, rate_hz: int) -> int:
    """The power of two nearest to a window length."""
    return 1 << max(4, round(float(np.log2(window_s * rate_hz))))


def _window(size: int) -> NDArray[np.float32]:
    window: NDArray[np.float32] = np.sqrt(np.hanning(size + 1)[:-1]).astype(np.float32)
    return window


def analyse(sound: NDArray[np.float32], size: int) -> Spectrum:
    """All whole frames in a stretch of sound ``(samples,)``: ``(size // 2 + 1, frames)``."""
    hop = size // OVERLAP
    frames = np.lib.stride_tricks.sliding_window_view(sound, size)[::hop]
    spectrum: NDArray[Any] = scipy.fft.rfft(frames * _window(size), axis=1)
    return np.ascontiguousarray(spectrum.T, np.complex64)


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
        pieces = scipy.fft.irfft(spectrum.T, self._size, axis=1).astype(np.float32) * self._window
        total = np.zeros((OVERLAP + count - 1, self._hop), np.float32)
        total[: OVERLAP - 1] = self._open.reshape(OVERLAP - 1, self._hop)
        for part in range(OVERLAP):
            total[part : part + count] += pieces[:, part * self._hop : (part + 1) * self._hop]
        self._open = total[count:].reshape(1, -1)
        done: NDArray[np.float32] = total[:count].reshape(-1)
        return done
