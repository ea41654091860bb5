"""Clean the microphones in front of people over a stretch of a take, and keep the result in the cache.

There are two steps. First the bleed is predicted from the other inputs and subtracted (`bleed.subtract`), with filters
of its own every five minutes, learnt from about forty seconds of them (`bleed.learn`). Then the residual bleed is
modelled from the band powers of the other inputs and of the subtracted bleed (`bleed.excess`), and masked
(`bleed.mask`). The same model tells where the target source sounds.

All of it is jobs over pieces of the stretch; between them lie scratch files in the cache.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from morningmix.audio.read import open_recording
from morningmix.audio.scratch import ScratchWriter
from morningmix.bleed.cleaned import finish_cleaned
from morningmix.bleed.excess import measure_residual
from morningmix.bleed.jobs import learn_and_subtract
from morningmix.bleed.learn import Learnt, total_sources
from morningmix.bleed.mask import Residual, masked, resting_fraction
from morningmix.bleed.stretch import Stretch
from morningmix.bleed.subtract import apply_gain_step, subtracted
from morningmix.dsp.bands import BandMeter, band_hop_frames
from morningmix.measure.band_store import BandStore, BandWriter
from morningmix.model.measured import CleanedStretch
from morningmix.model.recording import Recording
from morningmix.storage.cache import EntryWriter, remove
from morningmix.storage.home import refuse_full
from morningmix.workers.jobs import Job, Lane

Result = TypeVar("Result")
_LEAST_FRESH_S, _JUDGED_HOPS = 5.0, 2000
_HELPS = 10.0 ** (-1.0 / 10.0)
"""Subtraction is used if it takes away 1 dB or more in the best quarter of a stretch; otherwise it can only do harm."""
_METERED_HOPS = 100

_SCRATCHES = 3.2
"""Copies of a microphone on disk at a time: residual, subtracted bleed and result, and some room for band powers."""

_LEARN_COST, _SUBTRACT_COST, _RESIDUAL_COST, _MASK_COST, _FINISH_COST = 0.010, 0.012, 0.003, 0.004, 0.002
"""Seconds of one core per second of sound and microphone (measured with ten inputs)."""
VOICE_COST = _LEARN_COST + _SUBTRACT_COST + _RESIDUAL_COST + _MASK_COST + _FINISH_COST
"""All of it together."""


def clean_voices(stretch: Stretch, lane: Lane) -> dict[int, CleanedStretch]:
    """Cleaned microphones in front of people, by `Input.index`.

    Gain steps are undone while learning and applied again to the result. Raises `RecordingsError` and `OutputError`.
    """
    sounds = stretch.sounds
    refuse_full(
        stretch.cache,
        _SCRATCHES * 4.0 * sounds.frames * sum(sounds.channels(target) for target, _ in stretch.targets),
        "Cleaning",
    )
    try:
        return _cleaned(stretch, lane)
    finally:
        _remove_scratch(stretch)


def _cleaned(stretch: Stretch, lane: Lane) -> dict[int, CleanedStretch]:
    by_part = learn_and_subtract(stretch, lane, "bleed", (_LEARN_COST, _SUBTRACT_COST), _subtract)
    learnt_s = tuple(span for of_part in by_part for span in (of_part[0].learnt_s if of_part else ()))
    sources = total_sources([one for of_part in by_part for one in of_part])

    def of_target(target: int, subtracts: bool, lane: Lane) -> CleanedStretch:
        seconds, pieces = stretch.seconds, range(len(stretch.pieces))
        judge = partial(_judge, stretch, target, subtracts, learnt_s)
        judged = lane.one(_job("find what is left", _RESIDUAL_COST * seconds, judge))
        mask_cost = _MASK_COST * seconds / len(pieces)
        lane.all(
            [_job("mask what is left", mask_cost, partial(_mask, stretch, target, judged, number)) for number in pieces]
        )
        of_helped = sources.get(target, {}) if judged.helped else None
        finish = partial(finish_cleaned, stretch, target, sources=of_helped, clear_db=judged.clear_db)
        return lane.one(_job("measure what is clean", _FINISH_COST * seconds, finish))

    cleaned = lane.split([partial(of_target, target, subtracts) for target, subtracts in stretch.targets])
    return dict(zip((target for target, _ in stretch.targets), cleaned, strict=True))


def _job(what: str, cost: float, call: Callable[[], Result]) -> Job[Result]:
    return Job(what=what, cost=cost, call=call)


def _subtract(stretch: Stretch, learnt: Sequence[Learnt], number: int) -> None:
    """Write what is left and what was taken of every microphone in a piece."""
    with ExitStack() as stack:
        writers = {
            (target, what): stack.enter_context(ScratchWriter(stretch.scratch(target, what, number)))
            for target, _ in stretch.targets
            for what in (0, 1)
        }
        for left, taken in subtracted(stretch.to_clean, learnt, stretch.pieces[number]):
            for (target, what), writer in writers.items():
                writer.write((taken if what else left)[target])


@dataclass(frozen=True, slots=True)
class _Judged:
    """Whether subtraction helped a microphone, and its level over what is left of the bleed."""

    helped: bool
    clear_db: NDArray[np.float32]


def _judge(stretch: Stretch, target: int, subtracts: bool, learnt_s: Sequence[tuple[float, float]]) -> _Judged:
    for what in (0, 1):
        _write_bands(stretch, stretch.scratches(target, what), stretch.bands(target, what))
    helped = subtracts and _helps(stretch, target, learnt_s)
    clear_db = measure_residual(
        stretch.store,
        target,
        stretch.references,
        stretch.bands(target, 0),
        stretch.bands(target, 1) if helped else None,
        stretch.bands(target, 2),
    )
    return _Judged(helped, clear_db)


def _write_bands(stretch: Stretch, sound: Recording, path: Path) -> None:
    rate_hz, frames = stretch.sounds.rate_hz, stretch.sounds.frames
    meter = BandMeter(rate_hz, sound.channels)
    block = _METERED_HOPS * band_hop_frames(rate_hz)
    with BandWriter(path, exact=True) as writer, open_recording(sound, rate_hz, 0, frames) as reader:
        for start in range(0, frames, block):
            writer.write(meter.update(reader.read(min(block, frames - start))))
        writer.write(meter.finish())


def _helps(stretch: Stretch, target: int, learnt_s: Sequence[tuple[float, float]]) -> bool:
    """Whether subtraction lowers the level outside the stretches that the filters were learnt from."""
    store = stretch.store
    fresh = np.ones(store.hops, bool)
    for start_s, end_s in learnt_s:
        fresh[max(0, round(start_s / store.hop_s)) : round(end_s / store.hop_s)] = False
    if np.count_nonzero(fresh) * store.hop_s < _LEAST_FRESH_S:
        fresh[:] = True
    step = max(1, np.count_nonzero(fresh) // _JUDGED_HOPS)
    judged = np.flatnonzero(fresh)[::step]
    before, after = _powers(store, target)[judged], _powers(_exact(stretch, target, 0), 0)[judged]
    sounds = before > 0.0
    return bool(sounds.any()) and float(np.quantile(after[sounds] / before[sounds], 0.25)) < _HELPS


def _powers(store: BandStore, track: int) -> NDArray[np.float64]:
    """Power of one input per hop, all bands together."""
    powers = np.zeros(store.hops)
    for start in range(0, store.hops, _JUDGED_HOPS):
        stop = min(start + _JUDGED_HOPS, store.hops)
        powers[start:stop] = store.read(track, start, stop).sum(axis=0, dtype=np.float64)
    return powers


def _exact(stretch: Stretch, target: int, what: int) -> BandStore:
    return replace(stretch.store, paths=(stretch.bands(target, what),), gain_steps=(), exact=True, first_hop=0)


def _mask(stretch: Stretch, target: int, judged: _Judged, number: int) -> None:
    """Write the cleaned sound of a piece into the cache."""
    residual = Residual(
        left=stretch.scratches(target, 0),
        taken=stretch.scratches(target, 1),
        subtracted=judged.helped,
        bleed=_exact(stretch, target, 2),
        resting=resting_fraction(judged.clear_db, stretch.store.hop_s),
    )
    piece, sounds = stretch.pieces[number], stretch.sounds
    gain_step = dict(sounds.gain_steps).get(target)
    at = sounds.first_frame + piece.start_frame
    with EntryWriter(stretch.clean(target).lanes[0][number].path) as writer:
        for sound in masked(residual, sounds.rate_hz, piece.start_frame, piece.stop_frame):
            apply_gain_step(sound, at, gain_step, sounds.rate_hz, undo=False)
            at += sound.shape[1]
            writer.write(sound.T.astype("<f4").tobytes())


def _remove_scratch(stretch: Stretch) -> None:
    for target, _ in stretch.targets:
        for what in (0, 1):
            for number in range(len(stretch.pieces)):
                stretch.scratch(target, what, number).remove()
        for what in (0, 1, 2):
            remove(stretch.bands(target, what))
