"""Mask residual bleed per frame and frequency bin.

The gain is the minimum mean-square error estimate of the log spectral amplitude (Ephraim, Malah, IEEE TASSP 33(2)
1985). Its a priori ratio of source to bleed is averaged over frames on both sides, since nothing runs live.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.audio.read import read_stretch
from morningmix.bleed.filters import smooth_power, smoothed
from morningmix.bleed.opening import clear_reach_db, opened, where_clear, widen
from morningmix.dsp.bands import band_edges_bins, band_hop_frames, window_frames
from morningmix.dsp.stft import OVERLAP, Spectrum, Synthesis, analyse
from morningmix.measure.band_store import BandStore
from morningmix.model.recording import Recording
from morningmix.model.slots import Bands
from morningmix.units import Block

FLOOR_DB = -15.0
"""Lowest gain: deeper cuts cause musical noise (common practice, no source)."""
_OVERSUBTRACT = np.float32(2.0)
_TINY = np.float32(1e-20)

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


_MASK_CHUNK_S, _MASK_AROUND = 2.0, 8
"""Length of a chunk, and frames of context on either side."""
_RESTING_GAIN = np.float32(10.0 ** (-6.0 / 20.0))
"""Where the target source is silent everything is turned down equally, because selecting causes musical noise."""
_SLOPE_S = 0.05
_SHAPED = np.float32(0.7)
_LEAST_LEFT = np.float32(0.03)
"""At least this fraction of the subtracted power is assumed to remain."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Residual:
    """A microphone whose bleed was subtracted, as far as it can be. Times are those of the stretch."""

    left: Recording
    taken: Recording
    """The subtracted bleed."""
    subtracted: bool
    """Whether the subtraction counts; if not, what was taken is added again."""
    bleed: BandStore
    """Expected power of the residual bleed: one track."""
    resting: NDArray[np.float32]
    """`resting_fraction` of the microphone."""


def masked(residual: Residual, rate_hz: int, start: int, stop: int) -> Iterator[Block]:
    """Frames `start` to `stop` with the residual bleed masked, a few seconds at a time. Raises `RecordingsError`."""
    size = window_frames(rate_hz)
    hop = size // OVERLAP
    first, last = start // hop, -(-stop // hop) + OVERLAP - 1
    synthesis = [Synthesis(size) for _ in range(residual.left.channels)]
    chunk = round(_MASK_CHUNK_S * rate_hz / hop)
    for at in range(first, last, chunk):
        spectra = _masked_spectra(residual, rate_hz, at, min(at + chunk, last))
        sound = np.stack([stage.process(spectrum) for stage, spectrum in zip(synthesis, spectra, strict=True)])
        begin = (at + 1) * hop - size
        yield sound[:, max(0, start - begin) : max(0, stop - begin)]


def _masked_spectra(residual: Residual, rate_hz: int, first: int, last: int) -> list[Spectrum]:
    """Masked spectra of every channel for these frames."""
    size, around = window_frames(rate_hz), _MASK_AROUND
    hop = size // OVERLAP
    begin, end = (first - around + 1) * hop - size, (last + around) * hop
    left, removed = (read_stretch(sound, rate_hz, begin, end) for sound in (residual.left, residual.taken))
    if not residual.subtracted:
        left, removed = left + removed, np.zeros_like(removed)
    hops = _middles_hops(rate_hz, size, first - around, last + around)
    expected = _bleed_at(residual.bleed, rate_hz, size, hops)
    resting = np.interp(hops, np.arange(len(residual.resting)), residual.resting).astype(np.float32)
    done = []
    for channel, samples in enumerate(left):
        spectrum = analyse(samples, size)
        subtracted = smooth_power(analyse(removed[channel], size))
        gain = mask(spectrum, _shaped(expected, subtracted, rate_hz))
        gain += resting * (_RESTING_GAIN - gain)
        done.append((spectrum * gain)[:, around:-around])
    return done


def resting_fraction(clear_db: NDArray[np.float32], hop_s: float) -> NDArray[np.float32]:
    """1 where the target source is silent, 0 where it sounds, with ramps between: ``(hops,)``."""
    reach_db = clear_reach_db(clear_db)
    if reach_db is None:
        return np.ones_like(clear_db)
    slope = round(_SLOPE_S / hop_s)
    # Ramps lie outside the open stretches, so that no line starts or ends in one.
    silent = ~widen(opened(where_clear(clear_db, reach_db), hop_s), slope, slope)
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
