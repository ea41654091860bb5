"""Bleed predicted from the other inputs and subtracted, over a whole take (`dsp.cancel`).

Filters are learnt anew for every five minutes, on some forty seconds of them; memory holds a few seconds of spectra.
A microphone of somebody else hears the singer too, and would cancel the singer's own voice. So as a reference each of
them is masked by what it is expected to hear of the singer; the leak into it shows where the singer is loudest.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from morningmix.audio.read import read_stretch
from morningmix.dsp.cancel import (
    STEPS,
    WINDOW_S,
    Follower,
    NormalEquations,
    References,
    Slab,
    history,
    predict,
    slabs,
    smooth_power,
    whole,
)
from morningmix.dsp.frames import OVERLAP, Spectrum, Synthesis, analyse, size_for
from morningmix.dsp.repair import mended_stretch
from morningmix.facts import Take, Turned
from morningmix.units import Block

_PART_S, _LEARN_S, _SEGMENT_S = 300.0, 40.0, 2.5
_BLOCK_S, _CHUNK_BLOCKS = 1.0, 5
_ROUNDS = ((np.float32(0.1), 2), (np.float32(0.05), 1))
"""Rounds of learning: how little of a microphone's mean power a frame may leave before it counts no more, and of how
many segments one is used. The first round only tells the second where the own source is."""
_LEAK_FACTOR = np.float32(2.0)
"""Design choice: more of it keeps steady voices safer, less leaves more to cancel drums by (measured)."""
_TINY = np.float32(1e-20)
_ATTRIBUTED, _AUDIBLE_HZ = 4, 120.0
"""Whose bleed it is, is told from every fourth segment, and from where a microphone for voices hears."""


@dataclass(frozen=True, slots=True)
class _Row:
    """One channel of a microphone that is cleaned, and the inputs it is cleaned by."""

    ear: int
    channel: int
    references: tuple[int, ...]


class _Heard(Protocol):
    """Inputs that any stretch can be read of: samples `start` (may be negative) to `stop`, silence outside."""

    @property
    def rate_hz(self) -> int: ...
    @property
    def frames(self) -> int: ...
    def channels(self, index: int) -> int: ...
    def read(self, index: int, start: int, stop: int) -> Block: ...


class Sounds:
    """Any stretch of any input of a take: clipped runs mended, gains that were turned brought back."""

    def __init__(
        self, take: Take, turned: Sequence[tuple[int, Turned]], repaired: Sequence[tuple[int, float]] = ()
    ) -> None:
        self.take = take
        self.rate_hz, self.frames = take.rate_hz, take.frames
        self._turned, self._longest_s = dict(turned), dict(repaired)

    def channels(self, index: int) -> int:
        """Of an input."""
        return self.take.recordings[index].channels

    def read(self, index: int, start: int, stop: int) -> Block:
        """Samples `start` (may be negative) to `stop` (may lie after the end), silence outside."""
        if index in self._longest_s:
            read = partial(read_stretch, self.take.recordings[index], self.take.rate_hz)
            block = mended_stretch(read, start, stop, self._longest_s[index], self.take.rate_hz)
        else:
            block = read_stretch(self.take.recordings[index], self.take.rate_hz, start, stop)
        turn(block, start, self._turned.get(index), self.take.rate_hz, back=True)
        return block


def turn(block: Block, start: int, turned: Turned | None, rate_hz: int, *, back: bool) -> None:
    """Bring a gain that was turned in mid-take back, or turn it again, in a block that begins at frame `start`."""
    if turned is not None:
        at = max(0, round(turned.at_s * rate_hz) - start)
        block[:, at:] *= np.float32(10.0 ** ((-turned.step_db if back else turned.step_db) / 20.0))


class Subtraction:
    """The microphones of a take with their bleed subtracted, a few seconds at a time.

    `ears` is by input and says whether its bleed is subtracted at all; `references` are all inputs that play.
    """

    def __init__(self, sounds: _Heard, ears: Mapping[int, bool], references: Sequence[int], pool: Executor) -> None:
        self._sounds, self._ears, self._pool = sounds, ears, pool
        self._indices = tuple(references)
        self._size = size_for(WINDOW_S, sounds.rate_hz)
        self._hop = self._size // OVERLAP
        self._frames_per_second = sounds.rate_hz / self._hop
        self._slabs = slabs(self._size, sounds.rate_hz)
        self._lead = max(slab.taps for slab in self._slabs) - 1
        self._rows = [
            _Row(ear, channel, tuple(other for other in references if other != ear))
            for ear, subtracts in ears.items()
            if subtracts
            for channel in range(sounds.channels(ear))
        ]
        self._jobs = [(row, slab) for row in range(len(self._rows)) for slab in range(len(self._slabs))]
        self._filters: dict[tuple[int, int], References] = {}
        self._levels: list[NDArray[np.float32]] = []
        self._leaks: dict[tuple[int, int], NDArray[np.float32]] = {}
        self._before: _Spectra | None = None
        self._block = 2 * STEPS * round(_BLOCK_S * self._frames_per_second / (2 * STEPS))
        self._followers: dict[tuple[int, int], Follower] = {}
        self._late: dict[tuple[int, int], Spectrum] = {}
        """Bleed of the last block where nothing is followed."""
        for row, slab in self._jobs:
            one = self._slabs[slab]
            if one.follows:
                parts = 2 * len(self._rows[row].references)
                self._followers[row, slab] = Follower(one.last - one.first, parts, self._block)
            else:
                self._late[row, slab] = np.zeros((one.last - one.first, self._block), np.complex64)
        self.learnt_s: list[tuple[float, float]] = []
        """Stretches that filters were learnt from, of what was gone through so far."""
        self.heard_of: dict[int, dict[int, float]] = {ear: dict.fromkeys(references, 0.0) for ear in ears}
        """Power of the bleed that each reference explains, by ear and reference, over what was learnt from."""

    def run(self, took: Callable[[Mapping[int, Block], Mapping[int, Block]], None]) -> None:
        """Go through the take; `took` is given, by ear, what is left of the next frames and what was taken away."""
        frames = -(-self._sounds.frames // self._hop) + OVERLAP - 1
        chunk = _CHUNK_BLOCKS * self._block
        part = round(_PART_S * self._frames_per_second) // chunk * chunk
        synthesis = [Synthesis(self._size) for _ in self._rows]
        # Bleed comes out a block late.
        for first in range(0, frames + self._block, chunk):
            if first % part == 0 and first < frames:
                self._learn(first, min(first + part, frames))
            took(*self._subtract(first, chunk, synthesis))
        self._before = None

    def _subtract(
        self, first: int, chunk: int, synthesis: Sequence[Synthesis]
    ) -> tuple[dict[int, Block], dict[int, Block]]:
        """What is left, and what was taken away, of what is complete after `chunk` frames from `first` on."""
        hop, size = self._hop, self._size
        known, self._before = self._before, None
        start = first if known else first - self._lead
        heard = self._read((start + 1) * hop - size, (first + chunk) * hop)
        spectra = self._spectra(heard, known)
        self._before = spectra.last(self._lead)
        begin = (first - self._block + 1) * hop - size
        done = slice(max(0, begin), max(0, min(begin + chunk * hop, self._sounds.frames)))
        bleeds = list(self._pool.map(partial(self._bleed, spectra), self._jobs))

        def sound_of(index: int) -> NDArray[np.float32]:
            bleed = np.concatenate(bleeds[index * len(self._slabs) : (index + 1) * len(self._slabs)])
            return synthesis[index].process(bleed)[done.start - begin : done.stop - begin]

        taken = {ear: np.zeros((self._sounds.channels(ear), done.stop - done.start), np.float32) for ear in self._ears}
        for row, sound in zip(self._rows, self._pool.map(sound_of, range(len(self._rows))), strict=True):
            taken[row.ear][row.channel] = sound
        left = {ear: self._sounds.read(ear, done.start, done.stop) - taken[ear] for ear in self._ears}
        return left, taken

    def _read(self, start: int, stop: int, indices: Iterable[int] | None = None) -> dict[int, Block]:
        read = partial(self._sounds.read, start=start, stop=stop)
        indices = self._indices if indices is None else tuple(indices)
        return dict(zip(indices, self._pool.map(read, indices), strict=True))

    def _spectra(self, heard: Mapping[int, Block], before: _Spectra | None = None) -> _Spectra:
        """Spectra of a stretch, after those that are known already."""
        if not self._rows:
            return _Spectra({}, {}, {}, {})
        jobs = [*((index, None) for index in heard), *((row.ear, row.channel) for row in self._rows)]

        def spectrum(job: tuple[int, int | None]) -> Spectrum | None:
            index, channel = job
            sound = heard[index]
            if channel is None:
                new = analyse(sound.mean(axis=0), self._size)
                return new if before is None else np.concatenate([before.mono[index], new], axis=1)
            if sound.shape[0] == 1:
                return None
            new = analyse(sound[channel], self._size)
            return new if before is None else np.concatenate([before.own[index, channel], new], axis=1)

        found = dict(zip(jobs, self._pool.map(spectrum, jobs), strict=True))
        mono = {index: made for (index, channel), made in found.items() if channel is None and made is not None}
        own = {
            (index, channel): mono[index] if made is None else made
            for (index, channel), made in found.items()
            if channel is not None
        }
        powers = dict(zip(self._ears, self._pool.map(smooth_power, [mono[ear] for ear in self._ears]), strict=True))
        return _Spectra(mono, own, powers, self._leaks)

    def _bleed(self, spectra: _Spectra, job: tuple[int, int]) -> Spectrum:
        """Bleed in one slab of a row, from one block before the stretch on."""
        row, slab = self._rows[job[0]], self._slabs[job[1]]
        references = spectra.references(row, slab)
        if slab.follows:
            parts = predict(self._filters[job], references, slab.taps, self._lead)
            level = self._levels[job[0]][slab.first : slab.last]
            return self._followers[job].process(spectra.of(row, slab)[:, self._lead :], parts, level)
        predicted = whole(self._filters[job], references, slab.taps, self._lead)
        bleed = np.concatenate([self._late[job], predicted[:, : -self._block]], axis=1)
        self._late[job][...] = predicted[:, -self._block :]
        return bleed

    def _learn(self, first: int, last: int) -> None:
        """Filters by (row, slab), and each row's mean power per bin ``(bins, 1)``, from frames `first` to `last`."""
        hop, size, rate_hz = self._hop, self._size, self._sounds.rate_hz
        segment = min(round(_SEGMENT_S * self._frames_per_second), last - first)
        count = min(round(_LEARN_S / _SEGMENT_S), -(-(last - first) // segment))
        starts = np.linspace(first, last - segment, count).astype(int).tolist()
        self._levels = [np.zeros((size // 2 + 1, 1), np.float32) for _ in self._rows]
        self._filters, self._leaks = {}, {}
        leaks: dict[tuple[int, int], list[NDArray[np.float32]]] = {}
        for start in starts:
            spectra = self._spectra(self._read((start + 1) * hop - size, (start + segment) * hop, self._ears))
            for row, level in zip(self._rows, self._levels, strict=True):
                own = spectra.own[row.ear, row.channel]
                level += (own.real**2 + own.imag**2).mean(axis=1, keepdims=True) / np.float32(len(starts))
            for pair, leak in spectra.leaks().items():
                leaks.setdefault(pair, []).append(leak)
        self._leaks = {pair: np.median(found, axis=0).astype(np.float32) for pair, found in leaks.items()}
        for floor, every in _ROUNDS:
            sums = {job: self._equations(job) for job in self._jobs}
            for start in starts[::every]:
                heard = self._read((start - self._lead + 1) * hop - size, (start + segment) * hop)
                list(self._pool.map(partial(self._count_in, self._spectra(heard), floor, sums), self._jobs))
            solved = self._pool.map(NormalEquations.solve, sums.values())
            self._filters = dict(zip(self._jobs, solved, strict=True))
        self.learnt_s += [(start * hop / rate_hz, (start + segment) * hop / rate_hz) for start in starts]
        self._attribute(starts[::_ATTRIBUTED], segment)

    def _attribute(self, starts: Sequence[int], segment: int) -> None:
        """Count whose sound it is that the filters predict."""
        jobs = [(row, slab) for row, slab in self._jobs if self._slabs[slab].follows]
        for start in starts:
            first = (start - self._lead + 1) * self._hop - self._size
            spectra = self._spectra(self._read(first, (start + segment) * self._hop))
            for (row, _), powers in zip(jobs, self._pool.map(partial(self._explained, spectra), jobs), strict=True):
                heard_of = self.heard_of[self._rows[row].ear]
                for other, power in zip(self._rows[row].references, powers.tolist(), strict=True):
                    heard_of[other] += power

    def _explained(self, spectra: _Spectra, job: tuple[int, int]) -> NDArray[np.float64]:
        row, slab = self._rows[job[0]], self._slabs[job[1]]
        early, late = np.split(predict(self._filters[job], spectra.references(row, slab), slab.taps, self._lead), 2, 1)
        bins = np.arange(slab.first, slab.last) * self._sounds.rate_hz / self._size
        audible = (early + late)[bins >= _AUDIBLE_HZ]
        powers: NDArray[np.float64] = np.sum(audible.real**2 + audible.imag**2, axis=(0, 2), dtype=np.float64)
        return powers

    def _equations(self, job: tuple[int, int]) -> NormalEquations:
        row, slab = self._rows[job[0]], self._slabs[job[1]]
        return NormalEquations(slab.last - slab.first, slab.taps * len(row.references))

    def _count_in(
        self,
        spectra: _Spectra,
        floor: np.float32,
        sums: Mapping[tuple[int, int], NormalEquations],
        job: tuple[int, int],
    ) -> None:
        row, slab = self._rows[job[0]], self._slabs[job[1]]
        own = spectra.of(row, slab)[:, self._lead :]
        references = spectra.references(row, slab)
        left = own
        if job in self._filters:
            left = own - whole(self._filters[job], references, slab.taps, self._lead)
        power = smooth_power(left) + floor * self._levels[job[0]][slab.first : slab.last] + _TINY
        # Frames overlap by three quarters: every second one says nearly all.
        past = history(references, slab.taps, self._lead, every=2)
        sums[job].add(own[:, ::2], past, 1.0 / power[:, ::2])


class _Spectra:
    """Spectra of a stretch of the take: all inputs in mono, and the channels that are cleaned."""

    def __init__(
        self,
        mono: Mapping[int, Spectrum],
        own: Mapping[tuple[int, int], Spectrum],
        powers: Mapping[int, NDArray[np.float32]],
        leaks: Mapping[tuple[int, int], NDArray[np.float32]],
    ) -> None:
        self.mono, self.own, self._powers, self._leaks = mono, own, powers, leaks

    def of(self, row: _Row, slab: Slab) -> Spectrum:
        """A row's own channel in a slab: ``(bins, frames)``."""
        return self.own[row.ear, row.channel][slab.first : slab.last]

    def references(self, row: _Row, slab: Slab) -> References:
        """A row's references in a slab: ``(bins, references, frames)``."""
        return np.stack([self._reference(row.ear, other, slab) for other in row.references], axis=1)

    def _reference(self, ear: int, other: int, slab: Slab) -> Spectrum:
        heard = self.mono[other][slab.first : slab.last]
        leak = self._leaks.get((ear, other))
        if leak is None:
            return heard
        share = -_LEAK_FACTOR * leak[slab.first : slab.last] * self._powers[ear][slab.first : slab.last]
        share /= self._powers[other][slab.first : slab.last] + _TINY
        share += np.float32(1.0)
        masked: Spectrum = heard * np.maximum(share, np.float32(0.0), out=share)
        return masked

    def last(self, frames: int) -> _Spectra:
        """The last frames alone, as far as they are needed to go on."""
        mono = {index: spectrum[:, -frames:].copy() for index, spectrum in self.mono.items()}
        own = {
            (index, channel): mono[index] if spectrum is self.mono[index] else spectrum[:, -frames:].copy()
            for (index, channel), spectrum in self.own.items()
        }
        return _Spectra(mono, own, {}, {})

    def leaks(self) -> dict[tuple[int, int], NDArray[np.float32]]:
        """Power that passes from each cleaned microphone's source into each other's, by bin ``(bins, 1)``.

        What the other hears least of it, while it is loudest: the 10th percentile of the ratio over its loudest fifth.
        """
        found: dict[tuple[int, int], NDArray[np.float32]] = {}
        for ear, power in self._powers.items():
            count = max(1, power.shape[1] // 5)
            loudest = np.argpartition(power, -count, axis=1)[:, -count:]
            level = np.take_along_axis(power, loudest, axis=1) + _TINY
            for other, theirs in self._powers.items():
                if other != ear:
                    ratio = np.take_along_axis(theirs, loudest, axis=1) / level
                    found[ear, other] = np.quantile(ratio, 0.1, axis=1, keepdims=True).astype(np.float32)
        return found
