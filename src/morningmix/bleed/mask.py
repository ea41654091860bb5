"""Mask residual bleed per frame and frequency bin.

The gain is the minimum mean-square error estimate of the log spectral amplitude (Ephraim, Malah, IEEE TASSP 33(2)
1985). Its a priori ratio of source to bleed is averaged over frames on both sides, since nothing runs live.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import cache

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.audio.write import FloatScratch
from morningmix.bleed.filters import smooth_power, smoothed
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
"""Lowest gain: deeper cuts cause musical noise (common practice, no source)."""
_OVERSUBTRACT = np.float32(2.0)
_TINY = np.float32(1e-14)

_STEPS = 4096
_LOG_NU = np.linspace(np.log(1e-4), np.log(30.0), _STEPS)


@cache
def _gain_of_nu() -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """The gain at each step of the table, and the difference to the next."""
    gain = np.exp(0.5 * scipy.special.exp1(np.exp(_LOG_NU)))
    return gain.astype(np.float32), np.diff(gain, append=gain[-1]).astype(np.float32)


def mask(spectrum: Spectrum, bleed: NDArray[np.float32]) -> NDArray[np.float32]:
    """Gain ``(bins, frames)`` for a spectrum that contains bleed of this power."""
    power = spectrum.real**2 + spectrum.imag**2
    noise = _OVERSUBTRACT * bleed + _TINY
    direct = smoothed(power)
    direct -= noise
    np.maximum(direct, np.float32(0.0), out=direct)
    first = direct / (direct + noise)
    first *= first
    first *= power
    smooth = np.float32(0.6) * scipy.ndimage.uniform_filter(first, (1, 5)) + np.float32(0.4) * first
    prior = np.maximum(smooth / noise, np.float32(1e-4))
    wiener = prior / (np.float32(1.0) + prior)
    nu = wiener * np.clip(power / noise, np.float32(1e-3), np.float32(1e4))
    at = (np.log(np.clip(nu, np.float32(1e-4), np.float32(29.0))) - np.float32(_LOG_NU[0])) * np.float32(
        (_STEPS - 1) / (_LOG_NU[-1] - _LOG_NU[0])
    )
    # Interpolated, because a step would enlarge the rounding differences between processors a thousand times.
    below = at.astype(np.intp)
    table, slope = _gain_of_nu()
    at -= below
    gain: NDArray[np.float32] = slope.take(below)
    gain *= at
    gain += table.take(below)
    gain *= wiener
    return np.clip(gain, np.float32(10.0 ** (FLOOR_DB / 20.0)), np.float32(1.0), out=gain)


_MASK_CHUNK_S, _MASK_CHUNKS, _MASK_AROUND = 2.0, 4, 8
"""Length of a chunk, chunks per batch, and frames of context on either side."""
_RESTING_GAIN = np.float32(10.0 ** (-6.0 / 20.0))
"""Where the target source is silent everything is turned down equally, because selecting causes musical noise."""
_SLOPE_S = 0.05
_SHAPED = np.float32(0.7)
_LEAST_LEFT = np.float32(0.03)
"""At least this fraction of the subtracted power is assumed to remain."""
_TINY = np.float32(1e-20)


def mask_all(masked: Sequence[Masked], pool: ThreadPoolExecutor) -> None:
    """Mask all microphones in parallel and write them."""
    chunks = range(masked[0].chunks)
    for first in chunks[::_MASK_CHUNKS]:
        jobs = [(microphone, chunk) for microphone in masked for chunk in chunks[first : first + _MASK_CHUNKS]]
        for (microphone, chunk), spectra in zip(jobs, pool.map(lambda job: job[0].spectra(job[1]), jobs), strict=True):
            microphone.write(chunk, spectra)


class Masked:
    """One microphone being masked and written to its file."""

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
        self._gain_step, self._file = gain_step, file
        self._size = window_frames(take.rate_hz)
        self._hop = self._size // OVERLAP
        self._frames = -(-take.frames // self._hop) + OVERLAP - 1
        self._chunk = round(_MASK_CHUNK_S * take.rate_hz / self._hop)
        self._synthesis = [Synthesis(self._size) for _ in range(left.channels)]
        self.chunks = -(-self._frames // self._chunk)

    def spectra(self, chunk: int) -> list[Spectrum]:
        """Masked spectra of every channel for the frames of a chunk; chunks in any order, from any thread."""
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
            subtracted = smooth_power(analyse(removed[channel], size))
            gain = mask(spectrum, _shaped(expected, subtracted, rate_hz))
            gain += resting * (_RESTING_GAIN - gain)
            done.append((spectrum * gain)[:, around:-around])
        return done

    def write(self, chunk: int, spectra: Sequence[Spectrum]) -> None:
        """Write the samples that these frames complete. Chunks must come in order."""
        done = [stage.process(spectrum) for stage, spectrum in zip(self._synthesis, spectra, strict=True)]
        start = (chunk * self._chunk + 1) * self._hop - self._size
        sound = np.stack(done)[:, max(0, start) - start : self._take.frames - start]
        apply_gain_step(sound, max(0, start), self._gain_step, self._take.rate_hz, undo=False)
        self._file.write(sound.T.astype("<f4").tobytes())


def _from(scratch: FloatScratch, begin: int, end: int) -> Block:
    block = np.zeros((scratch.channels, end - begin), np.float32)
    first = max(0, begin)
    if end > first:
        block[:, first - begin :] = scratch.read(first, end - first)
    return block


def resting_fraction(clear_db: NDArray[np.float32], hop_s: float) -> NDArray[np.float32]:
    """1 where the target source is silent, 0 where it sounds, with ramps between: ``(hops,)``."""
    reach_db = clear_reach_db(clear_db)
    if reach_db is None:
        return np.ones_like(clear_db)
    slope = round(_SLOPE_S / hop_s)
    # Ramps lie outside the open stretches, so that no line starts or ends in one.
    silent = ~widen(open_where_clear(clear_db, reach_db, hop_s), slope, slope)
    resting: NDArray[np.float32] = scipy.ndimage.uniform_filter1d(silent.astype(np.float32), 2 * slope + 1)
    return resting


def _middles_hops(rate_hz: int, size: int, first: int, last: int) -> NDArray[np.float64]:
    """Centres of the spectra `first` to `last`, in hops of the band powers."""
    return ((np.arange(first, last) + 1) * (size // OVERLAP) - size / 2) / band_hop_frames(rate_hz) - 0.5


def _bleed_at(store: BandStore, rate_hz: int, size: int, at: NDArray[np.float64]) -> Bands:
    """Predicted bleed per band at these hops, as mean power per spectral bin."""
    low = int(np.clip(np.floor(at[0]), 0, store.hops - 1))
    high = int(np.clip(np.ceil(at[-1]) + 1, low + 1, store.hops))
    levels = store.read(0, low, high)
    place = np.clip(at - low, 0.0, high - low - 1.0)
    before = np.minimum(place.astype(int), high - low - 1)
    after = np.minimum(before + 1, high - low - 1)
    fraction = (place - before).astype(np.float32)
    between = levels[:, before] * (np.float32(1.0) - fraction) + levels[:, after] * fraction
    # A sine of amplitude 1 has power 0.5 in its band, and the sum of bin powers is scaled to the root-Hann spectrum.
    bins = np.diff(band_edges_bins(rate_hz)).astype(np.float32)[:, None]
    per_bin: Bands = between / bins * np.float32(size * size / 4.0)
    return per_bin


def _shaped(expected: Bands, subtracted: NDArray[np.float32], rate_hz: int) -> NDArray[np.float32]:
    """Bleed per bin ``(bins, frames)``: each band's power, distributed over its bins like the subtracted bleed."""
    edges = band_edges_bins(rate_hz)
    # The outer bands reach to the ends of the spectrum.
    edges[0], edges[-1] = 0, len(subtracted)
    bins = np.diff(edges)
    mean = np.add.reduceat(subtracted, edges[:-1], axis=0)
    mean /= bins[:, None].astype(np.float32)
    shaped = np.where(mean > _TINY, _SHAPED, np.float32(0.0))
    bleed: NDArray[np.float32] = np.repeat(expected * (shaped / (mean + _TINY)), bins, axis=0)
    bleed *= subtracted
    bleed += np.repeat(expected * (np.float32(1.0) - shaped), bins, axis=0)
    np.maximum(bleed, _LEAST_LEFT * subtracted, out=bleed)
    return bleed
