"""Bleed subtracted from microphones as it is predicted (`bleed.predict`), over a whole take."""

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
"""For a shorter take, starting processes takes longer than it saves (measured)."""
_BESIDES = 0.05
"""What putting sound together costs, as a share of predicting (measured)."""


class Sounds:
    """Any stretch of any input of a take: clipped runs mended, gains that were turned brought back."""

    def __init__(
        self, take: Take, gain_step: Sequence[tuple[int, GainStep]], repaired: Sequence[tuple[int, float]] = ()
    ) -> None:
        self.take = take
        self.rate_hz, self.frames = take.rate_hz, take.frames
        self._turned, self._longest_s = dict(gain_step), dict(repaired)

    def channels(self, index: int) -> int:
        """Of an input."""
        return self.take.recordings[index].channels

    def read(self, index: int, start: int, stop: int) -> Block:
        """Samples `start` (may be negative) to `stop` (may lie after the end), silence outside."""
        if index in self._longest_s:
            read = partial(read_stretch, self.take.recordings[index], self.take.rate_hz)
            block = declipped_stretch(read, start, stop, self._longest_s[index], self.take.rate_hz)
        else:
            block = read_stretch(self.take.recordings[index], self.take.rate_hz, start, stop)
        apply_gain_step(block, start, self._turned.get(index), self.take.rate_hz, undo=True)
        return block


def apply_gain_step(block: Block, start: int, gain_step: GainStep | None, rate_hz: int, *, undo: bool) -> None:
    """Bring a gain that was turned in mid-take back, or turn it again, in a block that begins at frame `start`."""
    if gain_step is not None:
        at = max(0, round(gain_step.at_s * rate_hz) - start)
        block[:, at:] *= np.float32(10.0 ** ((-gain_step.step_db if undo else gain_step.step_db) / 20.0))


class Subtraction:
    """The microphones of a take with their bleed subtracted, a few seconds at a time.

    `ears` is by input and says whether its bleed is subtracted at all; `references` are all inputs that play. What
    comes out does not depend on the number of workers; with several, `sounds` travels to each as a pickle.
    """

    def __init__(self, sounds: Tracks, targets: Mapping[int, bool], references: Sequence[int], workers: int) -> None:
        self._sounds, self._ears, self._references = sounds, targets, tuple(references)
        self._grid = grid_of(sounds)
        self._rows = rows_of(sounds, targets, references)
        self._workers = workers if sounds.frames > _WORTH_S * sounds.rate_hz else 1
        self.learnt_s: list[tuple[float, float]] = []
        """Stretches that filters were learnt from, of what was gone through so far."""
        self.bleed_sources: dict[int, dict[int, float]] = {target: dict.fromkeys(references, 0.0) for target in targets}
        """Power of the bleed that each reference explains, by ear and reference, over what was learnt from."""

    def run(self, took: Callable[[Mapping[int, Block], Mapping[int, Block]], None]) -> None:
        """Go through the take; `took` is given, by ear, what is left of the next frames and what was taken away."""
        grid, total = self._grid, self._sounds.frames
        synthesis = [Synthesis(grid.size) for _ in self._rows]
        with closing(self._predictions()) as chunks:
            for first, ranges in zip(grid.chunks, chunks, strict=True):
                begin = (first - grid.block + 1) * grid.hop - grid.size
                done = slice(max(0, begin), max(0, min(begin + grid.chunk * grid.hop, total)))
                taken = {
                    target: np.zeros((self._sounds.channels(target), done.stop - done.start), np.float32)
                    for target in self._ears
                }
                for index, row in enumerate(self._rows):
                    bleed = np.concatenate([one.bleed[index] for one in ranges])
                    sound = synthesis[index].process(bleed)
                    taken[row.target][row.channel] = sound[done.start - begin : done.stop - begin]
                self._count(ranges)
                took(
                    {target: self._sounds.read(target, done.start, done.stop) - taken[target] for target in self._ears},
                    taken,
                )

    def _predictions(self) -> Generator[tuple[Prediction, ...], None, None]:
        """Chunk by chunk, of one range of bins after the other."""
        if not self._rows:
            for _ in self._grid.chunks:
                yield ()
            return
        ranges = _shared_out(slabs(self._grid.size, self._sounds.rate_hz), self._workers)
        jobs = [partial(predictions, self._sounds, self._ears, self._references, some) for some in ranges]
        with closing(run_in_lockstep(jobs)) as chunks:
            yield from chunks

    def _count(self, ranges: Sequence[Prediction]) -> None:
        if ranges:
            self.learnt_s += ranges[0].learnt_s
        for one in ranges:
            for row, powers in zip(self._rows, one.bleed_sources, strict=True):
                for other, power in zip(row.references, powers.tolist(), strict=True):
                    self.bleed_sources[row.target][other] += power


def _shared_out(all_slabs: Sequence[Slab], workers: int) -> list[tuple[Slab, ...]]:
    """The slabs in order, in as many groups that take about equally long; the first has more to do besides."""
    # Following moves twice as much as predicting (measured).
    ends = list(accumulate(3.0 * slab.taps if slab.follows else slab.taps for slab in all_slabs))

    def group(place: int) -> int:
        middle = (ends[place] + (ends[place - 1] if place else 0.0)) / 2.0 / ends[-1]
        return int((middle + _BESIDES) / (1.0 + _BESIDES) * workers)

    return [tuple(all_slabs[place] for place in places) for _, places in groupby(range(len(all_slabs)), group)]
