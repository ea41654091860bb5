"""How the level in ten bands moves, fifty times a second: what two microphones in one room have in common."""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.units import Block

ENVELOPE_HZ = 50
BANDS = 10
_LOWEST_HZ, _HIGHEST_HZ = 100.0, 6000.0
_FLOOR = 1e-5
"""Of a band's mean power: 50 dB down, movements are noise."""
_LEVEL_S = 1.0
"""Slower movements are level controls, of players and of cameras."""
_FRAMES = 512


class Envelope:
    """Meter: the power of mono sound in `BANDS` bands, `ENVELOPE_HZ` times a second.

    The rate of the sound is a multiple of `ENVELOPE_HZ`.
    """

    def __init__(self, rate_hz: int) -> None:
        if rate_hz % ENVELOPE_HZ:
            raise ValueError(f"{rate_hz} Hz is no multiple of {ENVELOPE_HZ} Hz")
        self._hop = rate_hz // ENVELOPE_HZ
        self._window = scipy.signal.get_window("hann", 2 * self._hop).astype(np.float32)
        bins_hz = scipy.fft.rfftfreq(2 * self._hop, 1.0 / rate_hz)
        self._edges = np.searchsorted(bins_hz, np.geomspace(_LOWEST_HZ, _HIGHEST_HZ, BANDS + 1))
        self._rest = np.zeros(self._hop, np.float32)
        self._powers: list[NDArray[np.float32]] = []

    def update(self, block: Block) -> None:
        """Take in the next sound, ``(1, frames)``."""
        sound = np.concatenate((self._rest, block[0]))
        count = max(0, len(sound) // self._hop - 1)
        for first in range(0, count, _FRAMES):
            last = min(first + _FRAMES, count)
            piece = sound[first * self._hop : (last + 1) * self._hop]
            frames = np.lib.stride_tricks.sliding_window_view(piece, 2 * self._hop)[:: self._hop]
            spectra = scipy.fft.rfft(frames * self._window)[:, : self._edges[-1]]
            powers = spectra.real**2 + spectra.imag**2
            self._powers.append(np.add.reduceat(powers, self._edges[:-1], axis=1).T)
        self._rest = sound[count * self._hop :]

    def result(self) -> NDArray[np.float32]:
        """Level of each band against its mean over a second around, ``(BANDS, frames)``.

        Frame n lies at n / `ENVELOPE_HZ` seconds. Natural logarithms of power, at most about 3 either way.
        """
        powers = np.concatenate(self._powers, axis=1) if self._powers else np.zeros((BANDS, 0), np.float32)
        if not powers.size:
            return powers
        floor = _FLOOR * powers.mean(axis=1, keepdims=True, dtype=np.float64) + 1e-12
        levels = np.log(powers + floor.astype(np.float32))
        levels -= scipy.ndimage.uniform_filter1d(levels, round(_LEVEL_S * ENVELOPE_HZ), axis=1, mode="nearest")
        moved: NDArray[np.float32] = 3.0 * np.tanh(levels / 3.0)
        return moved
