"""Subtract predicted bleed (`bleed.predict`) from microphones over a whole take."""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping, Sequence
from contextlib import closing
from functools import partial
from itertools import accumulate, groupby

import numpy as np

from morningmix.audio.read import read_stretch
from morningmix.bleed.filters import Slab, slabs
from morningmix.bleed.predict import Prediction, Tracks, grid_of, predictions, rows_of
from morningmix.dsp.declip import declipped_stretch
from morningmix.dsp.stft import Synthesis
from morningmix.model.measured import GainStep
from morningmix.model.recording import Take
from morningmix.units import Block
from morningmix.workers.processes import run_in_lockstep

_WORTH_S = 15.0
"""Below this length starting processes takes longer than it saves (measured)."""
_SYNTHESIS_COST = 0.05
"""Cost of the synthesis, as a fraction of the cost of predicting (measured)."""


class Sounds:
    """Inputs of a take, declipped and with gain steps undone."""

    def __init__(
        self, take: Take, gain_step: Sequence[tuple[int, GainStep]], repaired: Sequence[tuple[int, float]] = ()
    ) -> None:
        self.take = take
        self.rate_hz, self.frames = take.rate_hz, take.frames
        self._gain_steps, self._longest_s = dict(gain_step), dict(repaired)

    def channels(self, index: int) -> int:
        """Number of channels of an input."""
        return self.take.recordings[index].channels

    def read(self, index: int, start: int, stop: int) -> Block:
        """Samples `start` to `stop`; silence before the start and after the end of the take."""
        if index in self._longest_s:
            read = partial(read_stretch, self.take.recordings[index], self.take.rate_hz)
            block = declipped_stretch(read, start, stop, self._longest_s[index], self.take.rate_hz)
        else:
            block = read_stretch(self.take.recordings[index], self.take.rate_hz, start, stop)
        apply_gain_step(block, start, self._gain_steps.get(index), self.take.rate_hz, undo=True)
        return block


def apply_gain_step(block: Block, start: int, gain_step: GainStep | None, rate_hz: int, *, undo: bool) -> None:
    """Undo a gain step, or apply it again, in a block that begins at frame `start`."""
    if gain_step is not None:
        at = max(0, round(gain_step.at_s * rate_hz) - start)
        block[:, at:] *= np.float32(10.0 ** ((-gain_step.step_db if undo else gain_step.step_db) / 20.0))


class Subtraction:
    """Subtracts bleed from the microphones of a take, a few seconds at a time.

    `targets` says by input whether bleed is subtracted; `references` are all inputs that play. The result does not
    depend on the number of workers; with several, `sounds` is pickled for each.
    """

    def __init__(self, sounds: Tracks, targets: Mapping[int, bool], references: Sequence[int], workers: int) -> None:
        self._sounds, self._targets, self._references = sounds, targets, tuple(references)
        self._grid = grid_of(sounds)
        self._rows = rows_of(sounds, targets, references)
        self._workers = workers if sounds.frames > _WORTH_S * sounds.rate_hz else 1
        self.learnt_s: list[tuple[float, float]] = []
        """Stretches that filters were learnt from so far."""
        self.bleed_sources: dict[int, dict[int, float]] = {target: dict.fromkeys(references, 0.0) for target in targets}
        """Power of the bleed from each reference, by target and reference, over the training stretches."""

    def run(self, on_chunk: Callable[[Mapping[int, Block], Mapping[int, Block]], None]) -> None:
        """Process the take; `on_chunk` receives the residual and the subtracted bleed of the next frames, by target."""
        grid, total = self._grid, self._sounds.frames
        synthesis = [Synthesis(grid.size) for _ in self._rows]
        with closing(self._predictions()) as chunks:
            for first, ranges in zip(grid.chunks, chunks, strict=True):
                begin = (first - grid.block + 1) * grid.hop - grid.size
                done = slice(max(0, begin), max(0, min(begin + grid.chunk * grid.hop, total)))
                taken = {
                    target: np.zeros((self._sounds.channels(target), done.stop - done.start), np.float32)
                    for target in self._targets
                }
                for index, row in enumerate(self._rows):
                    bleed = np.concatenate([prediction.bleed[index] for prediction in ranges])
                    sound = synthesis[index].process(bleed)
                    taken[row.target][row.channel] = sound[done.start - begin : done.stop - begin]
                self._count(ranges)
                on_chunk(
                    {
                        target: self._sounds.read(target, done.start, done.stop) - taken[target]
                        for target in self._targets
                    },
                    taken,
                )

    def _predictions(self) -> Generator[tuple[Prediction, ...], None, None]:
        """Predictions of each chunk, one per range of bins."""
        if not self._rows:
            for _ in self._grid.chunks:
                yield ()
            return
        ranges = _balanced(slabs(self._grid.size, self._sounds.rate_hz), self._workers)
        jobs = [
            partial(predictions, self._sounds, self._targets, self._references, slab_range) for slab_range in ranges
        ]
        with closing(run_in_lockstep(jobs)) as chunks:
            yield from chunks

    def _count(self, ranges: Sequence[Prediction]) -> None:
        if ranges:
            self.learnt_s += ranges[0].learnt_s
        for prediction in ranges:
            for row, powers in zip(self._rows, prediction.bleed_sources, strict=True):
                for other, power in zip(row.references, powers.tolist(), strict=True):
                    self.bleed_sources[row.target][other] += power


def _balanced(all_slabs: Sequence[Slab], workers: int) -> list[tuple[Slab, ...]]:
    """The slabs in order, in `workers` groups of about equal cost; the first group's worker also does the synthesis."""
    # Tracking gains costs twice as much as predicting (measured).
    ends = list(accumulate(3.0 * slab.taps if slab.follows else slab.taps for slab in all_slabs))

    def worker_of(place: int) -> int:
        middle = (ends[place] + (ends[place - 1] if place else 0.0)) / 2.0 / ends[-1]
        return int((middle + _SYNTHESIS_COST) / (1.0 + _SYNTHESIS_COST) * workers)

    return [tuple(all_slabs[place] for place in places) for _, places in groupby(range(len(all_slabs)), worker_of)]
