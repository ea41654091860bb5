"""Band powers of a stream in hops of 20 ms: fine enough for syllables, small enough to store."""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.model.slots import Bands
from morningmix.units import Block

HOPS_PER_SECOND = 50
LOWEST_HZ, HIGHEST_HZ, BANDS = 35.0, 20_000.0, 36


def band_hop_frames(rate_hz: int) -> int:
    """Length of a hop of 20 ms in frames."""
    return rate_hz // HOPS_PER_SECOND


def window_frames(rate_hz: int) -> int:
    """Length of the analysis window: the power of two that spans at least two hops (43 ms at 48 kHz)."""
    return 1 << (2 * band_hop_frames(rate_hz) - 1).bit_length()


def band_edges_bins(rate_hz: int) -> NDArray[np.intp]:
    """First bin of each band and the bin after the last, distinct and under the Nyquist frequency."""
    window = window_frames(rate_hz)
    top_hz = min(HIGHEST_HZ, 0.48 * rate_hz)
    wanted = np.round(np.geomspace(LOWEST_HZ, top_hz, BANDS + 1) * window / rate_hz)
    return np.unique(wanted.astype(np.intp))


def band_edges_hz(rate_hz: int) -> NDArray[np.float64]:
    """Band edges in Hz: ``(bands + 1,)``."""
    edges: NDArray[np.float64] = (band_edges_bins(rate_hz) - 0.5) * rate_hz / window_frames(rate_hz)
    return edges


class BandMeter:
    """Band powers of a stream of blocks; hop ``h`` is centred on the frames ``h * hop ... (h + 1) * hop``.

    `update` returns the hops that became complete, ``(bands, hops)``; `finish` the last ones. Channels are averaged
    as powers. Frames are transformed in groups of fixed size, so any cut into blocks gives the same numbers.
    """

    _GROUP = 50

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._hop = band_hop_frames(rate_hz)
        self._size = window_frames(rate_hz)
        window = np.hanning(self._size + 1)[:-1]
        # A sine of amplitude 1 has power 0.5 over its band, one side of the spectrum, whatever the window.
        self._window = (window / np.sqrt(self._size * np.sum(window**2) / 2.0)).astype(np.float32)
        edges = band_edges_bins(rate_hz)
        # Real and imaginary parts alternate, as a spectrum is stored in memory.
        self._first, self._last = 2 * int(edges[0]), 2 * int(edges[-1])
        self._starts = 2 * (edges[:-1] - edges[0])
        lead = (self._size - self._hop) // 2
        self._kept: Block = np.zeros((channels, lead), np.float32)
        self._frames = 0
        self._hops = 0

    def update(self, block: Block) -> Bands:
        """Take in a block ``(channels, frames)``; return the hops that are complete: ``(bands, hops)``."""
        self._frames += block.shape[1]
        self._kept = np.concatenate((self._kept, block), axis=1)
        return self._transform(self._GROUP)

    def finish(self) -> Bands:
        """Return the remaining hops, with silence after the sound."""
        left = -(-self._frames // self._hop) - self._hops
        padding = np.zeros((self._kept.shape[0], self._size + self._hop * self._GROUP), np.float32)
        self._kept = np.concatenate((self._kept, padding), axis=1)
        return self._transform(self._GROUP)[:, :left]

    def _transform(self, group: int) -> Bands:
        count = max(0, (self._kept.shape[1] - self._size) // self._hop + 1) // group
        if not count:
            return np.zeros((len(self._starts), 0), np.float32)
        frames = np.lib.stride_tricks.sliding_window_view(self._kept, self._size, axis=1)[:, :: self._hop]
        done = np.empty((len(self._starts), count * group), np.float32)
        windowed = np.empty((group, self._size), np.float32)
        squares = np.empty((group, self._last - self._first), np.float32)
        for first in range(0, count * group, group):
            bands = np.zeros((group, len(self._starts)), np.float32)
            for channel in frames[:, first : first + group]:
                spectra = scipy.fft.rfft(np.multiply(channel, self._window, out=windowed), axis=1)
                np.square(spectra.view(np.float32)[:, self._first : self._last], out=squares)
                bands += np.add.reduceat(squares, self._starts, axis=1)
            np.divide(bands.T, np.float32(len(frames)), out=done[:, first : first + group])
        self._kept = self._kept[:, count * group * self._hop :].copy()
        self._hops += count * group
        return done
