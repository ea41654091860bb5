"""Turning down what is left of bleed, time by time and frequency by frequency.

The gain is the minimum mean-square error estimate of the log spectral amplitude (Ephraim, Malah, IEEE TASSP 33(2)
1985), with the ratio of own to bleed taken from frames on both sides, which only works because nothing is live.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from itertools import pairwise

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.audio.write import FloatScratch
from morningmix.bleed.filters import smooth_power
from morningmix.bleed.opening import clear_reach_db, open_where_clear, widen
from morningmix.bleed.subtract import apply_gain_step
from morningmix.dsp.bands import band_edges_bins, band_hop_frames, window_frames
from morningmix.dsp.stft import OVERLAP, Spectrum, Synthesis, analyse
from morningmix.measure.band_store import BandStore
from morningmix.model.measured import GainStep
from morningmix.model.recording import Take
from morningmix.model.slots import Bands
from morningmix.storage.cache import EntryWriter
from morningmix.units import Block

FLOOR_DB = -15.0
"""Never less: deeper cuts sound of water (common practice, no source)."""
_OVERSUBTRACT = np.float32(2.0)
_TINY = np.float32(1e-14)

_STEPS = 4096
_LOG_NU = np.linspace(np.log(1e-4), np.log(30.0), _STEPS)


@cache
def _gain_of_nu() -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """The gain at every step, and how far it is to the next one."""
    gain = np.exp(0.5 * scipy.special.exp1(np.exp(_LOG_NU)))
    return gain.astype(np.float32), np.diff(gain, append=gain[-1]).astype(np.float32)


def mask(spectrum: Spectrum, bleed: NDArray[np.float32]) -> NDArray[np.float32]:
    """Gain ``(bins, frames)`` for a spectrum that holds bleed of that power."""
    power = spectrum.real**2 + spectrum.imag**2
    noise = _OVERSUBTRACT * bleed + _TINY
    own = np.maximum(scipy.ndimage.uniform_filter(power, (3, 3)) - noise, np.float32(0.0))
    first = (own / (own + noise)) ** 2 * power
    smooth = np.float32(0.6) * scipy.ndimage.uniform_filter(first, (1, 5)) + np.float32(0.4) * first
    prior = np.maximum(smooth / noise, np.float32(1e-4))
    share = prior / (np.float32(1.0) + prior)
    nu = share * np.clip(power / noise, np.float32(1e-3), np.float32(1e4))
    at = (np.log(np.clip(nu, np.float32(1e-4), np.float32(29.0))) - np.float32(_LOG_NU[0])) * np.float32(
        (_STEPS - 1) / (_LOG_NU[-1] - _LOG_NU[0])
    )
    # Straight lines between the steps: a step would make an inaudible difference of processors a thousand times larger.
    below = at.astype(np.int32)
    table, slope = _gain_of_nu()
    at -= below
    gain: NDArray[np.float32] = share * (table[below] + at * slope[below])
    return np.clip(gain, np.float32(10.0 ** (FLOOR_DB / 20.0)), np.float32(1.0), out=gain)


_MASK_CHUNK_S, _MASK_CHUNKS, _MASK_AROUND = 2.0, 4, 8
"""Length of a chunk, how many are under way at a time, and frames around each that the mask looks at."""
_AT_REST = np.float32(10.0 ** (-6.0 / 20.0))
"""Where the own source rests there is nothing to choose, and choosing is what sounds of water: all goes down alike."""
_SLOPE_S = 0.05
_SHAPED = np.float32(0.7)
_LEAST_LEFT = np.float32(0.03)
"""No prediction is trusted to leave less than this share of what it took away."""
_TINY = np.float32(1e-20)


def mask_all(masked: Sequence[Masked], pool: ThreadPoolExecutor) -> None:
    """Mask all microphones side by side, and write them."""
    chunks = range(masked[0].chunks)
    for first in chunks[::_MASK_CHUNKS]:
        jobs = [(one, chunk) for one in masked for chunk in chunks[first : first + _MASK_CHUNKS]]
        for (one, chunk), spectra in zip(jobs, pool.map(lambda job: job[0].spectra(job[1]), jobs), strict=True):
            one.write(chunk, spectra)


class Masked:
    """One microphone on its way through the mask into its file."""

    def __init__(
        self,
        take: Take,
        left: FloatScratch,
        taken: FloatScratch,
        subtracted: bool,
        bleed: BandStore,
        gain_step: GainStep | None,
        resting: NDArray[np.float32],
        file: EntryWriter,
    ) -> None:
        self._take, self._left, self._taken, self._bleed = take, left, taken, bleed
        self._subtracted, self._resting = subtracted, resting
        self._turned, self._file = gain_step, file
        self._size = window_frames(take.rate_hz)
        self._hop = self._size // OVERLAP
        self._frames = -(-take.frames // self._hop) + OVERLAP - 1
        self._chunk = round(_MASK_CHUNK_S * take.rate_hz / self._hop)
        self._synthesis = [Synthesis(self._size) for _ in range(left.channels)]
        self.chunks = -(-self._frames // self._chunk)

    def spectra(self, chunk: int) -> list[Spectrum]:
        """Masked spectra of every channel, of the frames of a chunk; any order, any thread."""
        first, around, size, rate_hz = chunk * self._chunk, _MASK_AROUND, self._size, self._take.rate_hz
        last = min(first + self._chunk, self._frames)
        begin, end = (first - around + 1) * self._hop - size, (last + around) * self._hop
        left, removed = _from(self._left, begin, end), _from(self._taken, begin, end)
        if not self._subtracted:
            left, removed = left + removed, np.zeros_like(removed)
        hops = _middles_hops(rate_hz, size, first - around, last + around)
        expected = _bleed_at(self._bleed, rate_hz, size, hops)
        resting = np.interp(hops, np.arange(len(self._resting)), self._resting).astype(np.float32)
        done = []
        for channel in range(self._left.channels):
            spectrum = analyse(left[channel], size)
            gone = smooth_power(analyse(removed[channel], size))
            gain = mask(spectrum, _shaped(expected, gone, rate_hz))
            gain += resting * (_AT_REST - gain)
            done.append((spectrum * gain)[:, around:-around])
        return done

    def write(self, chunk: int, spectra: Sequence[Spectrum]) -> None:
        """Write what is complete after these frames; chunk after chunk."""
        done = [stage.process(spectrum) for stage, spectrum in zip(self._synthesis, spectra, strict=True)]
        start = (chunk * self._chunk + 1) * self._hop - self._size
        sound = np.stack(done)[:, max(0, start) - start : self._take.frames - start]
        apply_gain_step(sound, max(0, start), self._turned, self._take.rate_hz, undo=False)
        self._file.write(sound.T.astype("<f4").tobytes())


def _from(scratch: FloatScratch, begin: int, end: int) -> Block:
    block = np.zeros((scratch.channels, end - begin), np.float32)
    first = max(0, begin)
    if end > first:
        block[:, first - begin :] = scratch.read(first, end - first)
    return block


def resting_fraction(clear_db: NDArray[np.float32], hop_s: float) -> NDArray[np.float32]:
    """1 where the own source does not sound, 0 where it does, and slopes between: ``(hops,)``."""
    reach_db = clear_reach_db(clear_db)
    if reach_db is None:
        return np.ones_like(clear_db)
    slope = round(_SLOPE_S / hop_s)
    # A slope lies outside what is open, so that no line starts or ends in it.
    silent = ~widen(open_where_clear(clear_db, reach_db, hop_s), slope, slope)
    resting: NDArray[np.float32] = scipy.ndimage.uniform_filter1d(silent.astype(np.float32), 2 * slope + 1)
    return resting


def _middles_hops(rate_hz: int, size: int, first: int, last: int) -> NDArray[np.float64]:
    """Where the middles of spectra `first` to `last` lie, in hops of the band powers."""
    return ((np.arange(first, last) + 1) * (size // OVERLAP) - size / 2) / band_hop_frames(rate_hz) - 0.5


def _bleed_at(store: BandStore, rate_hz: int, size: int, at: NDArray[np.float64]) -> Bands:
    """Predicted bleed per band at those hops, as mean power of a bin of a spectrum."""
    low = int(np.clip(np.floor(at[0]), 0, store.hops - 1))
    high = int(np.clip(np.ceil(at[-1]) + 1, low + 1, store.hops))
    levels = store.read(0, low, high)
    place = np.clip(at - low, 0.0, high - low - 1.0)
    before = np.minimum(place.astype(int), high - low - 1)
    after = np.minimum(before + 1, high - low - 1)
    share = (place - before).astype(np.float32)
    between = levels[:, before] * (np.float32(1.0) - share) + levels[:, after] * share
    # A band holds the power of its bins, a sine of amplitude 1 counting 0.5; a root-Hann spectrum counts size / 2.
    bins = np.diff(band_edges_bins(rate_hz)).astype(np.float32)[:, None]
    per_bin: Bands = between / bins * np.float32(size * size / 4.0)
    return per_bin


def _shaped(expected: Bands, gone: NDArray[np.float32], rate_hz: int) -> NDArray[np.float32]:
    """Bleed per bin ``(bins, frames)``: its bands' power, spread as what was taken away is spread over their bins."""
    edges = band_edges_bins(rate_hz)
    bleed = np.empty_like(gone)
    for band, (low, high) in enumerate(pairwise(edges)):
        first = 0 if band == 0 else low
        last = len(gone) if band == len(edges) - 2 else high
        mine = gone[first:last]
        mean = mine.mean(axis=0, keepdims=True)
        shape = np.where(mean > _TINY, mine / (mean + _TINY), np.float32(1.0))
        bleed[first:last] = expected[band] * ((np.float32(1.0) - _SHAPED) + _SHAPED * shape)
    np.maximum(bleed, _LEAST_LEFT * gone, out=bleed)
    return bleed
