"""Microphones without their bleed: learnt from the whole take, written once, kept in the cache.

Two steps. First the bleed is predicted from the other inputs and subtracted (`dsp.cancel`), with filters for every five
minutes, learnt on some forty seconds of them. Then what is left of it is modelled from the band powers of the other
inputs and of what was subtracted (`measure.bleed`), and masked (`dsp.mask`). The same model says where the own source
sounds.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import BinaryIO

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.audio.write import FloatScratch, cannot_write
from morningmix.dsp.cancel import smooth_power
from morningmix.dsp.frames import OVERLAP, Spectrum, Synthesis, analyse
from morningmix.dsp.mask import mask
from morningmix.dsp.spectrum import BandMeter, band_edges_bins, window_frames
from morningmix.dsp.spectrum import hop_frames as band_hop_frames
from morningmix.facts import Cleaned, Part, Recording, Take, Turned
from morningmix.files.arrays import read_arrays, write_arrays
from morningmix.home import refuse_full
from morningmix.laws.opening import clear_reach_db, open_where_clear, widen
from morningmix.measure.bleed import hear_residual
from morningmix.measure.spectrum import BandStore, BandWriter
from morningmix.measure.subtract import Sounds, Subtraction, turn
from morningmix.measure.take import slots_arrays, slots_from, slots_of
from morningmix.plan import Cleaning
from morningmix.slots import Bands
from morningmix.units import Block

FORMAT = 9
"""Part of the cache key: raise it when anything here sounds differently."""

_LEAST_FRESH_S, _JUDGED_HOPS = 5.0, 2000
_HELPS = 10.0 ** (-1.0 / 10.0)
"""In the quarter of a take in which most is taken away, that is at least 1 dB; else all it could do is harm."""
_MASK_CHUNK_S, _MASK_CHUNKS, _MASK_AROUND = 2.0, 4, 8
"""Length of a chunk, how many are under way at a time, and frames around each that the mask looks at."""
_AT_REST = np.float32(10.0 ** (-6.0 / 20.0))
"""Where the own source rests there is nothing to choose, and choosing is what sounds of water: all goes down alike."""
_SLOPE_S = 0.05
_SHAPED = np.float32(0.7)
_LEAST_LEFT = np.float32(0.03)
"""No prediction is trusted to leave less than this share of what it took away."""
_TINY = np.float32(1e-20)
_SCRATCHES = 3.2
"""Sounds of a microphone on disk at a time: what is left, what was taken, what comes of it, and a little of numbers."""


def clean_take(
    take: Take,
    store: BandStore,
    cleaning: Cleaning,
    cache: Path,
    workers: int,
    progress: Callable[[float], None],
    *,
    only_kept: bool = False,
) -> dict[int, Cleaned]:
    """Clean microphones as the plan says; the result is by `Input.index`, empty where `only_kept` finds none kept.

    Gains that were turned in mid-take are brought back while learning; what is written has them as they were recorded.
    An ear that no other input can explain is missing in the result. Raises `RecordingsError` and `OutputError`.
    """
    references = cleaning.references
    ears = {ear: linear for ear, linear in cleaning.ears if any(other != ear for other in references)}
    store = replace(
        store, turned=tuple((one, Turned(at_s=at_s, step_db=step_db)) for one, at_s, step_db in cleaning.turned)
    )
    if not ears or store.hops < 50:
        return {}
    key = _key(store, ears, cleaning)
    paths = {ear: cache / f"{_take_key(take)}-{key}-{ear:02d}.clean" for ear in ears}
    kept = _all_kept(paths, take)
    if kept is not None:
        progress(take.duration_s)
        return kept
    if only_kept:
        return {}
    # What was cleaned by other inputs or settings is large, and so is what a killed run left.
    for old in cache.glob(f"{_take_key(take)}-*-??.*"):
        old.unlink(missing_ok=True)
    refuse_full(cache, _SCRATCHES * 4.0 * take.frames * sum(take.recordings[ear].channels for ear in ears), "Cleaning")
    with ThreadPoolExecutor(workers) as pool:
        sounds = Sounds(take, store.turned, cleaning.repaired)
        _clean(sounds, store, ears, references, cache, paths, pool, workers, progress)
    # Read back, because what stays must not lie in memory among what the threads worked with.
    return _all_kept(paths, take) or {}


def _all_kept(paths: Mapping[int, Path], take: Take) -> dict[int, Cleaned] | None:
    found = {ear: _kept(path, take, take.recordings[ear].channels) for ear, path in paths.items()}
    kept = {ear: one for ear, one in found.items() if one is not None}
    return kept if len(kept) == len(found) else None


def _take_key(take: Take) -> str:
    return hashlib.sha256(str(take.folder).encode()).hexdigest()[:8]


def _key(store: BandStore, ears: Mapping[int, bool], cleaning: Cleaning) -> str:
    state = [str(FORMAT), *(path.name for path in store.paths), repr(sorted(ears.items()))]
    state += [repr(tuple(each)) for each in (cleaning.references, store.turned, cleaning.repaired)]
    return hashlib.sha256("\n".join(state).encode()).hexdigest()[:24]


def _clean(
    sounds: Sounds,
    store: BandStore,
    ears: Mapping[int, bool],
    references: Sequence[int],
    cache: Path,
    paths: Mapping[int, Path],
    pool: ThreadPoolExecutor,
    workers: int,
    progress: Callable[[float], None],
) -> None:
    take = sounds.take
    drafts = {ear: path.with_suffix(".partial") for ear, path in paths.items()}
    bands = {
        (ear, what): path.with_suffix(f".{what}") for ear, path in paths.items() for what in ("left", "taken", "bleed")
    }
    try:
        with ExitStack() as stack:
            scratches = {
                (ear, what): stack.enter_context(FloatScratch(cache, take.recordings[ear].channels))
                for ear in ears
                for what in ("left", "taken")
            }
            subtraction = Subtraction(sounds, ears, references, workers)
            _subtract(subtraction, scratches, bands, pool, take, progress)
            helped = {ear: on and _helps(store, bands, ear, subtraction.learnt_s) for ear, on in ears.items()}

            def residual(ear: int) -> NDArray[np.float32]:
                left, taken, bleed = (bands[ear, what] for what in ("left", "taken", "bleed"))
                return hear_residual(store, ear, references, left, taken if helped[ear] else None, bleed)

            clear_db = dict(zip(ears, pool.map(residual, ears), strict=True))
            turned = dict(store.turned)
            with ExitStack() as files:
                masked = [
                    _Masked(
                        take,
                        scratches[ear, "left"],
                        scratches[ear, "taken"],
                        helped[ear],
                        replace(store, paths=(bands[ear, "bleed"],), turned=(), exact=True),
                        turned.get(ear),
                        _resting(clear_db[ear], store.hop_s),
                        files.enter_context(_opened(drafts[ear])),
                    )
                    for ear in ears
                ]
                _mask(masked, pool)

            def finish(ear: int) -> None:
                channels = take.recordings[ear].channels
                cleaned = Cleaned(
                    sound=_recording(paths[ear], take, channels),
                    subtracted=helped[ear],
                    heard_of=_shares(subtraction.heard_of[ear]) if helped[ear] else (),
                    slots=slots_of(_recording(drafts[ear], take, channels), take),
                    hop_s=store.hop_s,
                    clear_db=clear_db[ear],
                )
                _save(paths[ear], drafts[ear], cleaned)

            list(pool.map(finish, ears))
    finally:
        for path in (*bands.values(), *drafts.values()):
            path.unlink(missing_ok=True)


def _subtract(
    subtraction: Subtraction,
    scratches: Mapping[tuple[int, str], FloatScratch],
    bands: Mapping[tuple[int, str], Path],
    pool: ThreadPoolExecutor,
    take: Take,
    progress: Callable[[float], None],
) -> None:
    rate_hz = take.rate_hz
    meters = {key: BandMeter(rate_hz, scratch.channels) for key, scratch in scratches.items()}
    with ExitStack() as stack:
        writers = {key: stack.enter_context(BandWriter(bands[key], exact=True)) for key in scratches}

        def took(left: Mapping[int, Block], taken: Mapping[int, Block]) -> None:
            def keep(key: tuple[int, str]) -> None:
                sound = (left if key[1] == "left" else taken)[key[0]]
                scratches[key].write(sound)
                writers[key].write(meters[key].update(sound))

            list(pool.map(keep, scratches))
            progress(next(iter(left.values())).shape[1] / rate_hz)

        subtraction.run(took)
        for key, meter in meters.items():
            writers[key].write(meter.finish())


def _helps(
    store: BandStore, bands: Mapping[tuple[int, str], Path], ear: int, learnt_s: Sequence[tuple[float, float]]
) -> bool:
    """Whether subtracting took anything away, where the filters were not learnt: what only fits does not count."""
    fresh = np.ones(store.hops, bool)
    for start_s, end_s in learnt_s:
        fresh[max(0, round(start_s / store.hop_s)) : round(end_s / store.hop_s)] = False
    if np.count_nonzero(fresh) * store.hop_s < _LEAST_FRESH_S:
        fresh[:] = True
    step = max(1, np.count_nonzero(fresh) // _JUDGED_HOPS)
    left = replace(store, paths=(bands[ear, "left"],), turned=(), exact=True)
    ratios = []
    for hop in np.flatnonzero(fresh)[::step].tolist():
        before, after = (float(one.read(track, hop, hop + 1).sum()) for one, track in ((store, ear), (left, 0)))
        if before > 0.0:
            ratios.append(after / before)
    return bool(ratios) and float(np.quantile(ratios, 0.25)) < _HELPS


# ---------------------------------------------------------------- second step: mask


@contextmanager
def _opened(path: Path) -> Iterator[BinaryIO]:
    try:
        with path.open("wb") as file:
            yield file
    except OSError as error:
        raise cannot_write(path, error) from error


def _mask(masked: Sequence[_Masked], pool: ThreadPoolExecutor) -> None:
    chunks = range(masked[0].chunks)
    for first in chunks[::_MASK_CHUNKS]:
        jobs = [(one, chunk) for one in masked for chunk in chunks[first : first + _MASK_CHUNKS]]
        for (one, chunk), spectra in zip(jobs, pool.map(lambda job: job[0].spectra(job[1]), jobs), strict=True):
            one.write(chunk, spectra)


class _Masked:
    """One microphone on its way through the mask into its file."""

    def __init__(
        self,
        take: Take,
        left: FloatScratch,
        taken: FloatScratch,
        subtracted: bool,
        bleed: BandStore,
        turned: Turned | None,
        resting: NDArray[np.float32],
        file: BinaryIO,
    ) -> None:
        self._take, self._left, self._taken, self._bleed = take, left, taken, bleed
        self._subtracted, self._resting = subtracted, resting
        self._turned, self._file = turned, file
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
        turn(sound, max(0, start), self._turned, self._take.rate_hz, back=False)
        np.ascontiguousarray(sound.T, "<f4").tofile(self._file)


def _from(scratch: FloatScratch, begin: int, end: int) -> Block:
    block = np.zeros((scratch.channels, end - begin), np.float32)
    first = max(0, begin)
    if end > first:
        block[:, first - begin :] = scratch.read(first, end - first)
    return block


def _resting(clear_db: NDArray[np.float32], hop_s: float) -> NDArray[np.float32]:
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


# ---------------------------------------------------------------- what is kept


def _recording(path: Path, take: Take, channels: int) -> Recording:
    """Plain float32 samples, no header."""
    part = Part(
        path=path,
        rate_hz=take.rate_hz,
        channels=channels,
        frames=take.frames,
        subtype="FLOAT",
        embedded_name=None,
        data_offset_bytes=0,
    )
    return Recording(lanes=((part,),))


def _shares(powers: Mapping[int, float]) -> tuple[tuple[int, float], ...]:
    total = sum(powers.values())
    found = sorted(((power / total, other) for other, power in powers.items() if power > 0.0), reverse=True)
    return tuple((other, round(share, 4)) for share, other in found)


def _save(path: Path, draft: Path, cleaned: Cleaned) -> None:
    others, shares = zip(*cleaned.heard_of, strict=True) if cleaned.heard_of else ((), ())
    arrays = {
        "subtracted": np.array(cleaned.subtracted),
        "others": np.array(others, np.int64),
        "shares": np.array(shares, np.float64),
        "hop_s": np.array(cleaned.hop_s),
        "clear_db": cleaned.clear_db,
        **slots_arrays(cleaned.slots),
    }
    write_arrays(path.with_suffix(".npz"), arrays)
    try:
        draft.replace(path)
    except OSError as error:
        raise cannot_write(path, error) from error


def _kept(path: Path, take: Take, channels: int) -> Cleaned | None:
    arrays = read_arrays(path.with_suffix(".npz")) if path.exists() else None
    if arrays is None:
        return None
    return Cleaned(
        sound=_recording(path, take, channels),
        subtracted=bool(arrays["subtracted"]),
        heard_of=tuple(zip(arrays["others"].tolist(), arrays["shares"].tolist(), strict=True)),
        slots=slots_from(arrays),
        hop_s=float(arrays["hop_s"]),
        clear_db=arrays["clear_db"],
    )
