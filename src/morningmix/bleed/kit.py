"""Clean the microphones of a drum kit: what the rest of the band adds to them is predicted and subtracted.

The filters are those of `bleed.learn`, and do not follow movement: nothing moves. Other drum microphones are never
references, since all of them pick up the same drums. What is left is not masked, which costs more than it gains
(measured).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from functools import partial

import numpy as np

from morningmix.audio.read import read_stretch
from morningmix.bleed.cleaned import finish_cleaned
from morningmix.bleed.jobs import learn_and_subtract
from morningmix.bleed.learn import Learnt, total_sources
from morningmix.bleed.stretch import Stretch
from morningmix.bleed.subtract import Piece, subtracted
from morningmix.model.measured import CleanedStretch
from morningmix.storage.cache import EntryWriter
from morningmix.units import Block
from morningmix.workers.jobs import Job, Lane

_LEARN_COST, _SUBTRACT_COST, _FINISH_COST = 0.004, 0.004, 0.002
_HITS, _AUDIBLE, _FOLLOWS = 0.95, 1e-4, 10.0 ** (6.0 / 10.0)
"""The loudest twentieth are hits. Bleed in them was -0.2 to 1.6 dB over that in the rest, a cancelled kick 12 to 15 dB
(measured on ten microphones)."""
KIT_COST = _LEARN_COST + _SUBTRACT_COST + _FINISH_COST
"""Seconds of one core per second of sound and microphone (measured with ten inputs)."""


def clean_kit(stretch: Stretch, lane: Lane) -> dict[int, CleanedStretch]:
    """Cleaned drum microphones by `Input.index`. Raises `RecordingsError`, `OutputError`."""
    by_part = learn_and_subtract(stretch, lane, "bleed of the kit", (_LEARN_COST, _SUBTRACT_COST), _subtract)
    sources = total_sources([one for of_part in by_part for one in of_part])
    targets = [target for target, _ in stretch.targets]
    cleaned = lane.all(
        [
            Job(
                what="measure the clean kit",
                cost=_FINISH_COST * stretch.seconds,
                call=partial(_finish, stretch, target, sources.get(target, {})),
            )
            for target in targets
        ]
    )
    return dict(zip(targets, cleaned, strict=True))


def _finish(stretch: Stretch, target: int, sources: dict[int, float]) -> CleanedStretch:
    """Measure the cleaned sound; a microphone that would lose its own stays as it was recorded."""
    harmed = _takes_hits(stretch, target)
    if harmed:
        for number in range(len(stretch.pieces)):
            _write_recorded(stretch, target, number)
    return finish_cleaned(stretch, target, sources=None if harmed else sources, clear_db=np.zeros(0, np.float32))


def _takes_hits(stretch: Stretch, target: int) -> bool:
    """Whether what was subtracted follows the microphone's own hits.

    Bleed does not care when a drum is hit. What an amplifier's microphone picks up of the drum does, and cancels it.
    """
    slot = stretch.sounds.rate_hz // 10
    recorded, taken = [], []
    for piece in stretch.pieces:
        for start, before in _blocks(stretch, target, piece):
            after = read_stretch(stretch.clean(target), stretch.sounds.rate_hz, *_in_take(stretch, start, before))
            starts = np.arange(0, before.shape[1], slot)
            recorded.append(np.add.reduceat(np.square(before).sum(axis=0), starts))
            taken.append(np.add.reduceat(np.square(before - after).sum(axis=0), starts))
    powers, of_taken = np.concatenate(recorded), np.concatenate(taken)
    hits = powers > np.quantile(powers, _HITS)
    rests = ~hits & (powers > _AUDIBLE * powers.max(initial=0.0))
    if not hits.any() or not rests.any():
        return False
    at_hits, between = (float(np.median(of_taken[where])) for where in (hits, rests))
    return bool(at_hits > _FOLLOWS * between)


def _write_recorded(stretch: Stretch, target: int, number: int) -> None:
    with EntryWriter(stretch.clean(target).lanes[0][number].path) as writer:
        for _, block in _blocks(stretch, target, stretch.pieces[number]):
            writer.write(block.T.astype("<f4").tobytes())


def _blocks(stretch: Stretch, target: int, piece: Piece) -> Iterator[tuple[int, Block]]:
    """A piece as it was recorded, in blocks of 5 s, each with its first frame in the stretch."""
    block = 50 * (stretch.sounds.rate_hz // 10)
    for start in range(piece.start_frame, piece.stop_frame, block):
        yield start, stretch.sounds.read(target, start, min(start + block, piece.stop_frame))


def _in_take(stretch: Stretch, start: int, block: Block) -> tuple[int, int]:
    first = stretch.sounds.first_frame + start
    return first, first + block.shape[1]


def _subtract(stretch: Stretch, learnt: Sequence[Learnt], number: int) -> None:
    """Write the cleaned sound of a piece into the cache."""
    with ExitStack() as stack:
        writers = {
            target: stack.enter_context(EntryWriter(stretch.clean(target).lanes[0][number].path))
            for target, _ in stretch.targets
        }
        for left, _ in subtracted(stretch.to_clean, learnt, stretch.pieces[number]):
            for target, writer in writers.items():
                writer.write(left[target].T.astype("<f4").tobytes())
