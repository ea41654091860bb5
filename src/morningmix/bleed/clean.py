"""Clean microphones of bleed over a whole take, and keep the result in the cache.

There are two steps. First the bleed is predicted from the other inputs and subtracted (`bleed.filters`), with new
filters every five minutes, learnt from about forty seconds of them. Then the residual bleed is modelled from the band
powers of the other inputs and of the subtracted bleed (`bleed.excess`), and masked (`bleed.mask`). The same model tells
where the target source sounds."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from morningmix.audio.write import FloatScratch
from morningmix.bleed.cleaned import fractions_of_total, read_all_cleaned, sound_recording
from morningmix.bleed.excess import measure_residual
from morningmix.bleed.mask import Masked, mask_all, resting_fraction
from morningmix.bleed.subtract import Sounds, Subtraction
from morningmix.dsp.bands import BandMeter
from morningmix.errors import OutputError
from morningmix.measure.band_store import BandStore, BandWriter
from morningmix.measure.take import slots_of
from morningmix.model.measured import Cleaned, GainStep
from morningmix.model.plan import Cleaning
from morningmix.model.recording import Take
from morningmix.storage.cache import EntryWriter, beside, entries, key, path_of, remove, take_key
from morningmix.storage.home import refuse_full
from morningmix.storage.records import write_record
from morningmix.units import Block

_LEAST_FRESH_S, _JUDGED_HOPS = 5.0, 2000
_HELPS = 10.0 ** (-1.0 / 10.0)
"""Subtraction is used if it takes away at least 1 dB in the best quarter of a take; otherwise it can only do harm."""

_SCRATCHES = 3.2
"""Copies of a microphone on disk at a time: residual, subtracted bleed and result, and some room for band powers."""


def clean_take(
    take: Take,
    store: BandStore,
    cleaning: Cleaning,
    cache: Path,
    workers: int,
    progress: Callable[[float], None],
    *,
    only_cached: bool = False,
) -> dict[int, Cleaned]:
    """Cleaned microphones by `Input.index`, as the plan asks; with `only_cached` empty unless the cache has them.

    Gain steps are undone while learning and applied again to the result. A target that no other input can explain is
    missing. Raises `RecordingsError` and `OutputError`.
    """
    references = cleaning.references
    targets = {target: linear for target, linear in cleaning.targets if any(other != target for other in references)}
    store = replace(
        store,
        gain_steps=tuple((index, GainStep(at_s=at_s, step_db=step_db)) for index, at_s, step_db in cleaning.gain_steps),
    )
    if not targets or store.hops < 50:
        return {}
    settings_key = key(sorted(targets.items()), references, store.gain_steps, cleaning.repaired)
    stem = (take_key(take.folder), store.key, settings_key)
    paths = {target: path_of(cache, "clean", *stem, f"{target:02d}") for target in targets}
    # Without a mix the sound is not needed, and checking all of it takes a while.
    cached = read_all_cleaned(paths, take, sound=not only_cached)
    if cached is not None:
        progress(take.duration_s)
        return cached
    if only_cached:
        return {}
    # Results of other settings and leftovers of a killed run are large.
    for entry in entries(cache):
        if entry.of[0] == stem[0] and entry.kind in ("clean", "cleaned", "scratch"):
            remove(entry.path)
    refuse_full(
        cache, _SCRATCHES * 4.0 * take.frames * sum(take.recordings[target].channels for target in targets), "Cleaning"
    )
    with ThreadPoolExecutor(workers) as pool:
        sounds = Sounds(take, store.gain_steps, cleaning.repaired)
        _clean(sounds, store, targets, references, cache, paths, pool, workers, progress)
    # Read back, so that what stays in memory does not fragment the memory that the threads used.
    cached = read_all_cleaned(paths, take)
    if cached is None:
        raise OutputError(f"What was just written to {cache} cannot be read back; the disk failed.")
    return cached


def _clean(
    sounds: Sounds,
    store: BandStore,
    targets: Mapping[int, bool],
    references: Sequence[int],
    cache: Path,
    paths: Mapping[int, Path],
    pool: ThreadPoolExecutor,
    workers: int,
    progress: Callable[[float], None],
) -> None:
    take = sounds.take
    bands = {
        (target, what): beside(path, "scratch", str(number))
        for target, path in paths.items()
        for number, what in enumerate(("left", "taken", "bleed"))
    }
    try:
        with ExitStack() as stack:
            scratches = {
                (target, what): stack.enter_context(FloatScratch(cache, take.recordings[target].channels))
                for target in targets
                for what in ("left", "taken")
            }
            subtraction = Subtraction(sounds, targets, references, workers)
            _subtract(subtraction, scratches, bands, pool, take, progress)
            helped = {
                target: on and _helps(store, bands, target, subtraction.learnt_s) for target, on in targets.items()
            }

            def residual(target: int) -> NDArray[np.float32]:
                left, taken, bleed = (bands[target, what] for what in ("left", "taken", "bleed"))
                return measure_residual(store, target, references, left, taken if helped[target] else None, bleed)

            clear_db = dict(zip(targets, pool.map(residual, targets), strict=True))
            gain_steps = dict(store.gain_steps)
            with ExitStack() as files:
                masked = [
                    Masked(
                        take,
                        scratches[target, "left"],
                        scratches[target, "taken"],
                        helped[target],
                        replace(store, paths=(bands[target, "bleed"],), gain_steps=(), exact=True),
                        gain_steps.get(target),
                        resting_fraction(clear_db[target], store.hop_s),
                        files.enter_context(EntryWriter(paths[target])),
                    )
                    for target in targets
                ]
                mask_all(masked, pool)

            def finish(target: int) -> None:
                sound = sound_recording(paths[target], take, take.recordings[target].channels)
                cleaned = Cleaned(
                    sound=sound,
                    subtracted=helped[target],
                    bleed_sources=fractions_of_total(subtraction.bleed_sources[target]) if helped[target] else (),
                    slots=slots_of(sound, take),
                    hop_s=store.hop_s,
                    clear_db=clear_db[target],
                )
                write_record(beside(paths[target], "cleaned"), cleaned, ("sound",))

            list(pool.map(finish, targets))
    finally:
        for path in bands.values():
            remove(path)


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

        def on_chunk(left: Mapping[int, Block], taken: Mapping[int, Block]) -> None:
            def store_sound(key: tuple[int, str]) -> None:
                sound = (left if key[1] == "left" else taken)[key[0]]
                scratches[key].write(sound)
                writers[key].write(meters[key].update(sound))

            list(pool.map(store_sound, scratches))
            progress(next(iter(left.values())).shape[1] / rate_hz)

        subtraction.run(on_chunk)
        for key, meter in meters.items():
            writers[key].write(meter.finish())


def _helps(
    store: BandStore, bands: Mapping[tuple[int, str], Path], target: int, learnt_s: Sequence[tuple[float, float]]
) -> bool:
    """Whether subtraction lowers the level outside the stretches that the filters were learnt from."""
    fresh = np.ones(store.hops, bool)
    for start_s, end_s in learnt_s:
        fresh[max(0, round(start_s / store.hop_s)) : round(end_s / store.hop_s)] = False
    if np.count_nonzero(fresh) * store.hop_s < _LEAST_FRESH_S:
        fresh[:] = True
    step = max(1, np.count_nonzero(fresh) // _JUDGED_HOPS)
    left = replace(store, paths=(bands[target, "left"],), gain_steps=(), exact=True)
    ratios = []
    for hop in np.flatnonzero(fresh)[::step].tolist():
        before, after = (
            float(source.read(track, hop, hop + 1).sum()) for source, track in ((store, target), (left, 0))
        )
        if before > 0.0:
            ratios.append(after / before)
    return bool(ratios) and float(np.quantile(ratios, 0.25)) < _HELPS
