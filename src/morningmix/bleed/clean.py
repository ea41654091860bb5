"""Clean microphones of bleed over a stretch of a take, and keep the result in the cache.

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
from morningmix.audio.scratch import Scratch, ScratchWriter, recording_of
from morningmix.bleed.cleaned import fractions_of_total, read_cleaned
from morningmix.bleed.excess import measure_residual
from morningmix.bleed.learn import Learnt, learn, ranges, total_sources
from morningmix.bleed.mask import Residual, masked, resting_fraction
from morningmix.bleed.spectra import Targets
from morningmix.bleed.subtract import Part, Piece, Sounds, apply_gain_step, parts_of, subtracted
from morningmix.dsp.bands import BandMeter, band_hop_frames
from morningmix.errors import OutputError
from morningmix.measure.band_store import BandStore, BandWriter
from morningmix.measure.take import slots_of
from morningmix.model.measured import CleanedStretch, GainStep
from morningmix.model.plan import Cleaning
from morningmix.model.recording import Recording, Take
from morningmix.storage.cache import EntryWriter, beside, key, path_of, remove, take_key
from morningmix.storage.home import refuse_full
from morningmix.storage.records import write_record
from morningmix.workers.jobs import Job, Lane

Result = TypeVar("Result")
_LEAST_FRESH_S, _JUDGED_HOPS = 5.0, 2000
_HELPS = 10.0 ** (-1.0 / 10.0)
"""Subtraction is used if it takes away 1 dB or more in the best quarter of a stretch; otherwise it can only do harm."""
_LEAST_HOPS = 50
_METERED_HOPS = 100

_SCRATCHES = 3.2
"""Copies of a microphone on disk at a time: residual, subtracted bleed and result, and some room for band powers."""

_LEARN_COST, _SUBTRACT_COST, _RESIDUAL_COST, _MASK_COST, _FINISH_COST = 0.010, 0.012, 0.003, 0.004, 0.002
"""Seconds of one core per second of sound and microphone (measured with ten inputs)."""
CLEANING_COST = _LEARN_COST + _SUBTRACT_COST + _RESIDUAL_COST + _MASK_COST + _FINISH_COST
"""All of it together."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """What is cleaned, and where that lies in the cache."""

    sounds: Sounds
    store: BandStore
    """Band powers of the stretch, gain steps undone."""
    targets: tuple[tuple[int, bool], ...]
    """Microphones that other inputs can explain, and whether predicted bleed is subtracted."""
    references: tuple[int, ...]
    parts: tuple[Part, ...]
    cache: Path
    stem: tuple[str, ...]

    @property
    def seconds(self) -> float:
        """Length."""
        return self.sounds.frames / self.sounds.rate_hz

    @property
    def to_clean(self) -> Targets:
        """As the filters see it."""
        return Targets(sounds=self.sounds, subtracts=self.targets, references=self.references)

    @property
    def pieces(self) -> tuple[Piece, ...]:
        """All pieces of all parts."""
        return tuple(piece for part in self.parts for piece in part.pieces)

    def path(self, target: int) -> Path:
        """Path that the entries of a microphone are named after."""
        return path_of(self.cache, "clean", *self.stem, f"{target:02x}")

    def clean(self, target: int) -> Recording:
        """The cleaned sound, on the timeline of the take."""
        pieces = [self._scratch(beside(self.path(target), "clean", f"{n:02x}"), target, n) for n in self._numbers]
        return recording_of(pieces, self.sounds.first_frame)

    def scratch(self, target: int, what: int, number: int) -> Scratch:
        """What is left (0) or was taken (1) of a microphone in a piece."""
        return self._scratch(beside(self.path(target), "scratch", str(what), f"{number:02x}"), target, number)

    def scratches(self, target: int, what: int) -> Recording:
        """What is left or was taken of a microphone, on the timeline of the stretch."""
        return recording_of([self.scratch(target, what, number) for number in self._numbers])

    def bands(self, target: int, what: int) -> Path:
        """Band powers of what is left (0), of what was taken (1), and of the bleed expected in what is left (2)."""
        return beside(self.path(target), "scratch", f"b{what}")

    @property
    def _numbers(self) -> range:
        return range(len(self.pieces))

    def _scratch(self, path: Path, target: int, number: int) -> Scratch:
        piece = self.pieces[number]
        return Scratch(
            path=path,
            rate_hz=self.sounds.rate_hz,
            channels=self.sounds.channels(target),
            frames=piece.stop_frame - piece.start_frame,
        )


def stretch_of(take: Take, store: BandStore, cleaning: Cleaning, cache: Path) -> Stretch | None:
    """The stretch of a take that a song's plan cleans; None where no other input could explain any bleed."""
    references = cleaning.references
    targets = tuple((target, on) for target, on in cleaning.targets if any(other != target for other in references))
    gain_steps = tuple((index, GainStep(at_s=at_s, step_db=step_db)) for index, at_s, step_db in cleaning.gain_steps)
    start_s, end_s = cleaning.stretch_s or (0.0, take.duration_s)
    hop = band_hop_frames(take.rate_hz)
    first_hop = round(start_s / store.hop_s)
    last_hop = min(round(end_s / store.hop_s), store.hops) if cleaning.stretch_s else store.hops
    if not targets or last_hop - first_hop < _LEAST_HOPS:
        return None
    first_frame = first_hop * hop
    settings = key(sorted(targets), references, gain_steps, cleaning.repaired, first_hop, last_hop)
    sounds = Sounds(
        take=take,
        first_frame=first_frame,
        frames=min(last_hop * hop, take.frames) - first_frame,
        gain_steps=gain_steps,
        repaired=cleaning.repaired,
    )
    return Stretch(
        sounds=sounds,
        parts=parts_of(sounds),
        store=replace(store, gain_steps=gain_steps, first_hop=first_hop, hops=last_hop - first_hop),
        targets=targets,
        references=references,
        cache=cache,
        stem=(take_key(take.folder), store.key, settings),
    )


def read_clean(stretch: Stretch, *, check_sound: bool = True) -> dict[int, CleanedStretch] | None:
    """Cleaned microphones by `Input.index`; None unless the cache has all of them.

    Checking the sound takes a while, and whoever does not mix does not need it.
    """
    found: dict[int, CleanedStretch] = {}
    for target, _ in stretch.targets:
        cleaned = read_cleaned(stretch.path(target), stretch.clean(target), check_sound=check_sound)
        if cleaned is None:
            return None
        found[target] = cleaned
    return found


def clean_stretch(stretch: Stretch, lane: Lane) -> dict[int, CleanedStretch]:
    """Cleaned microphones by `Input.index`, made now unless the cache has them.

    Gain steps are undone while learning and applied again to the result. Raises `RecordingsError` and `OutputError`.
    """
    cached = read_clean(stretch)
    if cached is not None:
        lane.run.meter.did(CLEANING_COST * stretch.seconds * len(stretch.targets))
        return cached
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
    to_clean = stretch.to_clean
    parts = stretch.parts
    of_bins = ranges(to_clean) if to_clean.rows else []
    cost = stretch.seconds * len(stretch.targets)
    learnt = lane.all(
        [
            _job(
                "learn bleed",
                _LEARN_COST * cost / len(parts) / len(of_bins),
                partial(learn, to_clean, slabs, part.first, part.last),
            )
            for part in parts
            for slabs in of_bins
        ]
    )
    by_part = [learnt[place * len(of_bins) : (place + 1) * len(of_bins)] for place in range(len(parts))]
    pieces = [(of_part, piece) for part, of_part in zip(parts, by_part, strict=True) for piece in part.pieces]
    lane.all(
        [
            _job("subtract bleed", _SUBTRACT_COST * cost / len(pieces), partial(_subtract, stretch, of_part, number))
            for number, (of_part, _) in enumerate(pieces)
        ]
    )
    learnt_s = tuple(span for of_part in by_part for span in (of_part[0].learnt_s if of_part else ()))
    judged = lane.all(
        [
            _job("find what is left", _RESIDUAL_COST * stretch.seconds, partial(_judge, stretch, target, on, learnt_s))
            for target, on in stretch.targets
        ]
    )
    found = dict(zip((target for target, _ in stretch.targets), judged, strict=True))
    lane.all(
        [
            _job(
                "mask what is left",
                _MASK_COST * stretch.seconds / len(pieces),
                partial(_mask, stretch, target, one, number),
            )
            for target, one in found.items()
            for number in range(len(pieces))
        ]
    )
    sources = total_sources(learnt)
    cleaned = lane.all(
        [
            _job(
                "measure what is clean",
                _FINISH_COST * stretch.seconds,
                partial(_finish, stretch, target, one, sources.get(target, {})),
            )
            for target, one in found.items()
        ]
    )
    return dict(zip(found, cleaned, strict=True))


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
    left = _exact(stretch, target, 0)
    ratios = []
    for hop in np.flatnonzero(fresh)[::step].tolist():
        before, after = (
            float(source.read(track, hop, hop + 1).sum()) for source, track in ((store, target), (left, 0))
        )
        if before > 0.0:
            ratios.append(after / before)
    return bool(ratios) and float(np.quantile(ratios, 0.25)) < _HELPS


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


def _finish(stretch: Stretch, target: int, judged: _Judged, sources: dict[int, float]) -> CleanedStretch:
    """Measure the cleaned sound, and keep the measurements beside it."""
    sound, sounds = stretch.clean(target), stretch.sounds
    cleaned = CleanedStretch(
        sound=sound,
        subtracted=judged.helped,
        bleed_sources=fractions_of_total(sources) if judged.helped else (),
        slots=slots_of(sound, sounds.take, sounds.first_frame, sounds.frames),
        hop_s=stretch.store.hop_s,
        clear_db=judged.clear_db,
    )
    write_record(beside(stretch.path(target), "cleaned"), cleaned, ("sound",))
    # Read back, because what is mixed must be what the next run finds.
    kept = read_cleaned(stretch.path(target), sound, check_sound=True)
    if kept is None:
        raise OutputError(f"What was just written to {stretch.cache} cannot be read back; the disk failed.")
    return kept


def _remove_scratch(stretch: Stretch) -> None:
    for target, _ in stretch.targets:
        for what in (0, 1):
            for number in range(len(stretch.pieces)):
                stretch.scratch(target, what, number).remove()
        for what in (0, 1, 2):
            remove(stretch.bands(target, what))
