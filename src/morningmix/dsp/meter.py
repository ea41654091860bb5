"""A streaming loudness meter: ITU-R BS.1770-5 (11/2023), EBU Tech 3341 v4 and 3342 v4 (2023)."""

from __future__ import annotations

import math
from copy import copy
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.dsp.truepeak import TruePeak
from morningmix.laws.loudness import gated_loudness, k_weighting, loudness_lufs, loudness_range
from morningmix.units import SILENCE_DB, Block, amplitude_db

_FINE_PER_HOP = 10
_FINE_PER_SECOND = 100
"""Maxima are taken on a 10 ms grid, since on 100 ms a 400 ms tone can read 0.6 dB low (Tech 3341, case 13)."""

_MOMENTARY_HOPS = 4
_SHORT_TERM_HOPS = 30
_PAGE_FINE = 32
_CACHED_FRAMES = 16_384
_NOTHING = 1e-100
"""Filter states below this are silence, but would decay into denormal numbers, which are slow."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Loudness:
    """Readings of the meter; None where there was too little sound."""

    integrated_lufs: float | None
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None
    range_lu: float | None
    true_peak_dbtp: float | None
    sample_peak_dbfs: float | None


class KWeighting:
    """A stage that K-weights sound.

    One filter of fourth order runs a third faster than two sections and is as exact in float64.
    Raises ValueError for rates too low for the K-weighting.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._b, self._a = scipy.signal.sos2tf(k_weighting(rate_hz))
        self._state = np.zeros((channels, 4))

    def process(self, block: Block) -> NDArray[np.float64]:
        """The weighted block, ``(channels, frames)`` float64; the state carries on into the next one."""
        if not self._state.any() and not block.any():
            return np.zeros(block.shape)
        weighted = np.empty(block.shape)
        for start in range(0, block.shape[1], _CACHED_FRAMES):
            piece = slice(start, start + _CACHED_FRAMES)
            weighted[:, piece], self._state = scipy.signal.lfilter(
                self._b, self._a, block[:, piece], axis=1, zi=self._state
            )
        self._state[np.abs(self._state) < _NOTHING] = 0.0
        return weighted


class LoudnessMeter:
    """Meters mono or stereo sound of any rate; the readings do not depend on how the sound is cut into blocks.

    Keeps one number per 10 ms. Raises ValueError for rates too low for the K-weighting.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._weighting = KWeighting(rate_hz, channels)
        whole = _FINE_PER_SECOND // math.gcd(rate_hz, _FINE_PER_SECOND)
        fine = whole * max(1, _PAGE_FINE // whole)
        edges = np.arange(fine + 1) * rate_hz // _FINE_PER_SECOND
        self._starts = edges[:-1]
        self._fine_frames = np.diff(edges)
        self._page = np.empty((channels, int(edges[-1])), dtype=np.float32)
        self._filled = 0
        self._energies: list[NDArray[np.float64]] = []
        self._peak = TruePeak(channels)

    def update(self, block: Block) -> None:
        """Takes in a block, ``(channels, frames)``. Raises ValueError for samples that are not finite."""
        self._peak.update(block)
        page_frames = self._page.shape[1]
        done = 0
        while done < block.shape[1]:
            part = block[:, done : done + page_frames - self._filled]
            done += part.shape[1]
            if part.shape[1] < page_frames:
                self._page[:, self._filled : self._filled + part.shape[1]] = part
                self._filled += part.shape[1]
                if self._filled < page_frames:
                    break
                part = self._page
                self._filled = 0
            self._energies.append(self._energies_of(part, self._weighting))

    def momentary_powers(self) -> NDArray[np.float64]:
        """Powers of the 400 ms windows ending every 100 ms: ``(windows,)``, as `laws.loudness` takes them."""
        return self._window_powers(_MOMENTARY_HOPS)[::_FINE_PER_HOP]

    def short_term_powers(self) -> NDArray[np.float64]:
        """Powers of the 3 s windows ending every 100 ms: ``(windows,)``, as `laws.loudness` takes them."""
        return self._window_powers(_SHORT_TERM_HOPS)[::_FINE_PER_HOP]

    def result(self) -> Loudness:
        """The readings so far; metering may go on afterwards. A last block that is not complete does not count."""
        momentary = self._window_powers(_MOMENTARY_HOPS)
        short_term = self._window_powers(_SHORT_TERM_HOPS)
        return Loudness(
            integrated_lufs=gated_loudness(momentary[::_FINE_PER_HOP]),
            max_momentary_lufs=_largest_lufs(momentary),
            max_short_term_lufs=_largest_lufs(short_term),
            range_lu=loudness_range(short_term[::_FINE_PER_HOP]),
            true_peak_dbtp=_decibels(self._peak.result()),
            sample_peak_dbfs=_decibels(self._peak.sample_peak),
        )

    def _energies_of(self, samples: Block, weighting: KWeighting) -> NDArray[np.float64]:
        """Energy of each complete 10 ms, channels summed."""
        weighted = weighting.process(samples)
        np.square(weighted, out=weighted)
        complete = int(np.searchsorted(self._starts + self._fine_frames, samples.shape[1], side="right"))
        if not complete:
            return np.empty(0)
        end = self._starts[complete - 1] + self._fine_frames[complete - 1]
        energies: NDArray[np.float64] = np.add.reduceat(weighted[:, :end], self._starts[:complete], axis=1).sum(axis=0)
        return energies

    def _window_powers(self, hops: int) -> NDArray[np.float64]:
        """Mean powers of the complete windows of `hops` times 100 ms, one every 10 ms."""
        rest = self._energies_of(self._page[:, : self._filled], copy(self._weighting))
        energies = np.concatenate([*self._energies, rest])
        frames = np.resize(self._fine_frames, energies.size)
        windows = energies.size - hops * _FINE_PER_HOP + 1
        if windows <= 0:
            return np.empty(0)
        return _sliding_sum(energies, hops, windows) / _sliding_sum(frames.astype(np.float64), hops, windows)


def _sliding_sum(fine: NDArray[np.float64], hops: int, windows: int) -> NDArray[np.float64]:
    hop = np.zeros(fine.size - _FINE_PER_HOP + 1)
    for k in range(_FINE_PER_HOP):
        hop += fine[k:][: hop.size]
    total = np.zeros(windows)
    for k in range(hops):
        total += hop[k * _FINE_PER_HOP :][:windows]
    return total


def _largest_lufs(powers: NDArray[np.float64]) -> float | None:
    largest = float(powers.max()) if powers.size else 0.0
    if largest <= 0.0:
        return None
    lufs = loudness_lufs(largest)
    return lufs if lufs > SILENCE_DB else None


def _decibels(peak: float) -> float | None:
    return amplitude_db(peak) if peak > 0.0 else None
