"""Predict bleed in microphones from the other inputs (`bleed.filters`), over a whole take in a range of frequencies.

Filters are learnt again every five minutes, from about forty seconds of them; memory holds a few seconds of spectra.
Another singer's microphone picks up the target voice too, and as a reference would cancel it. So each such reference is
masked by the target voice expected in it; that leak is measured where the target is loudest. A range needs only one bin
beyond it on either side, so ranges can be processed in parallel.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from morningmix.bleed.filters import (
    NEAR_TAPS,
    STEPS,
    WINDOW_S,
    Follower,
    NormalEquations,
    References,
    Slab,
    history,
    predict,
    smooth_power,
    total_bleed,
)
from morningmix.dsp.stft import OVERLAP, Spectrum, analyse, size_for
from morningmix.units import Block

_PART_S, _LEARN_S, _SEGMENT_S = 300.0, 40.0, 2.5
_BLOCK_S, _CHUNK_BLOCKS = 1.0, 4
_ROUNDS = ((np.float32(0.1), 2), (np.float32(0.05), 1))
"""Rounds of learning: floor of a frame's residual power relative to the microphone's mean, and use every n-th segment.
The first round only tells the second where the target source sounds."""
_LEAK_FACTOR = np.float32(2.0)
"""Design choice: a higher factor protects steady voices, a lower one cancels more of the drums (measured)."""
_TINY = np.float32(1e-20)
_ATTRIBUTED, _AUDIBLE_HZ = 4, 120.0
"""Sources of bleed are measured in every fourth segment, above the low cut of a vocal microphone."""


_Mono = dict[int, Spectrum]
_TargetSpectra = dict[tuple[int, int], Spectrum]


class Tracks(Protocol):
    """Inputs that can be read at random."""

    @property
    def rate_hz(self) -> int:
        """Common sample rate."""

    @property
    def frames(self) -> int:
        """Length of the longest input."""

    def channels(self, index: int) -> int:
        """Number of channels of an input."""

    def read(self, index: int, start: int, stop: int) -> Block:
        """Samples `start` to `stop`; silence before the start and after the end of the take."""


@dataclass(frozen=True, slots=True)
class Row:
    """One channel of a target microphone and its reference inputs."""

    target: int
    channel: int
    references: tuple[int, ...]


def rows_of(sounds: Tracks, targets: Mapping[int, bool], references: Sequence[int]) -> tuple[Row, ...]:
    """All channels of the targets whose bleed is subtracted."""
    return tuple(
        Row(target, channel, tuple(other for other in references if other != target))
        for target, subtracts in targets.items()
        if subtracts
        for channel in range(sounds.channels(target))
    )


@dataclass(frozen=True, slots=True)
class Grid:
    """How a take is divided: spectra of `size` samples every `hop`; the other lengths are in spectra."""

    size: int
    hop: int
    block: int
    """Update interval of the tracked gains."""
    chunk: int
    """Length predicted at a time."""
    part: int
    """Length that shares one set of filters."""
    spectra: int
    """Length of the take."""

    @property
    def chunks(self) -> range:
        """Starts of the chunks. Bleed comes out one block late."""
        return range(0, self.spectra + self.block, self.chunk)


def grid_of(sounds: Tracks) -> Grid:
    """The grid of a take."""
    size = size_for(WINDOW_S, sounds.rate_hz)
    hop = size // OVERLAP
    per_second = sounds.rate_hz / hop
    block = 2 * STEPS * round(_BLOCK_S * per_second / (2 * STEPS))
    chunk = _CHUNK_BLOCKS * block
    return Grid(
        size=size,
        hop=hop,
        block=block,
        chunk=chunk,
        part=round(_PART_S * per_second) // chunk * chunk,
        spectra=-(-sounds.frames // hop) + OVERLAP - 1,
    )


@dataclass(frozen=True, slots=True)
class Prediction:
    """The prediction of one chunk."""

    bleed: tuple[Spectrum, ...]
    """By row: ``(bins of the range, spectra)``, starting one block before the chunk."""
    learnt_s: tuple[tuple[float, float], ...]
    """Stretches that filters were learnt from since the previous chunk."""
    bleed_sources: tuple[NDArray[np.float64], ...]
    """By row: power of the bleed from each reference over the training stretches."""


def predictions(
    sounds: Tracks, targets: Mapping[int, bool], references: Sequence[int], slabs: Sequence[Slab]
) -> Iterator[Prediction]:
    """Predicted bleed in every row of a take, chunk by chunk, for adjacent slabs. Raises `RecordingsError`."""
    predictor = _Predictor(sounds, targets, references, slabs)
    for first in predictor.grid.chunks:
        yield predictor.chunk(first)


class _Predictor:
    def __init__(
        self, sounds: Tracks, targets: Mapping[int, bool], references: Sequence[int], slabs: Sequence[Slab]
    ) -> None:
        self._sounds, self._targets, self._indices = sounds, tuple(targets), tuple(references)
        self.grid = grid_of(sounds)
        self._rows = rows_of(sounds, targets, references)
        self._slabs = slabs
        self._lead = NEAR_TAPS - 1
        # Powers are smoothed over neighbouring bins.
        self._bins = slice(max(0, slabs[0].first - 1), min(slabs[-1].last + 1, self.grid.size // 2 + 1))
        self._jobs = [(row, slab) for row in self._rows for slab in slabs]
        self._filters: dict[tuple[Row, Slab], References] = {}
        self._levels: dict[Row, NDArray[np.float32]] = {}
        self._leaks: dict[tuple[int, int], NDArray[np.float32]] = {}
        self._mono: _Mono = {}
        self._target_spectra: _TargetSpectra = {}
        self._followers: dict[tuple[Row, Slab], Follower] = {}
        self._previous: dict[tuple[Row, Slab], Spectrum] = {}
        """Bleed of the last block in slabs without gain tracking."""
        for row, slab in self._jobs:
            bins, block = slab.last - slab.first, self.grid.block
            if slab.follows:
                self._followers[row, slab] = Follower(bins, 2 * len(row.references), block)
            else:
                self._previous[row, slab] = np.zeros((bins, block), np.complex64)

    def chunk(self, first: int) -> Prediction:
        """Prediction of the chunk that begins at spectrum `first`. Chunks must come in order."""
        grid = self.grid
        learnt: Sequence[int] = ()
        bleed_sources = {row: np.zeros(len(row.references)) for row in self._rows}
        if first % grid.part == 0 and first < grid.spectra:
            with self._chunk_memory_freed():
                segment, learnt = self._learn(first, min(first + grid.part, grid.spectra))
                self._attribute(learnt[::_ATTRIBUTED], segment, bleed_sources)
        for spectrum in self._buffers():
            spectrum[:, : self._lead] = spectrum[:, -self._lead :]
        spectra = self._read(first, first + grid.chunk, self._mono, self._target_spectra)
        bleed = tuple(np.concatenate([self._bleed(spectra, row, slab) for slab in self._slabs]) for row in self._rows)
        seconds = grid.hop / self._sounds.rate_hz
        learnt_s = tuple((start * seconds, (start + segment) * seconds) for start in learnt)
        return Prediction(bleed, learnt_s, tuple(bleed_sources.values()))

    def _buffers(self) -> list[Spectrum]:
        """The preallocated arrays that every chunk is written into, to avoid memory fragmentation."""
        return list(
            {id(spectrum): spectrum for spectrum in (*self._mono.values(), *self._target_spectra.values())}.values()
        )

    @contextmanager
    def _chunk_memory_freed(self) -> Iterator[None]:
        """Free the buffers for chunks meanwhile; before the take there is silence."""
        last = [spectrum[:, -self._lead :].copy() for spectrum in self._buffers()]
        self._mono, self._target_spectra = {}, {}
        yield
        self._mono, self._target_spectra = self._allocate(self._lead + self.grid.chunk, self._indices)
        for spectrum, before in zip(self._buffers(), last, strict=bool(last)):
            spectrum[:, -self._lead :] = before

    def _spectra(self, first: int, last: int, indices: Iterable[int]) -> _Spectra:
        """Spectra `first` to `last` of these inputs."""
        mono, target_spectra = self._allocate(last - first, indices)
        return self._read(first, last, mono, target_spectra)

    def _allocate(self, count: int, indices: Iterable[int]) -> tuple[_Mono, _TargetSpectra]:
        """Zeroed spectra: mono of each input, and each channel that is cleaned."""
        shape = (self._bins.stop - self._bins.start, count)
        mono = {index: np.zeros(shape, np.complex64) for index in indices}
        target_spectra = {
            (row.target, row.channel): mono[row.target]
            if self._sounds.channels(row.target) == 1
            else np.zeros(shape, np.complex64)
            for row in self._rows
        }
        return mono, target_spectra

    def _read(self, first: int, last: int, mono: _Mono, target_spectra: _TargetSpectra) -> _Spectra:
        """Spectra that end with `first` to `last` of the take, written into these arrays."""
        size = self.grid.size
        new = slice(first - last, None)
        for index, spectrum in mono.items():
            sound = self._sounds.read(index, (first + 1) * self.grid.hop - size, last * self.grid.hop)
            analyse(sound.mean(axis=0), size, self._bins, spectrum[:, new])
            for channel, samples in enumerate(sound):
                if len(sound) > 1 and (index, channel) in target_spectra:
                    analyse(samples, size, self._bins, target_spectra[index, channel][:, new])
        powers = {target: smooth_power(mono[target]) for target in self._targets}
        return _Spectra(self._bins.start, mono, target_spectra, powers, self._leaks)

    def _bleed(self, spectra: _Spectra, row: Row, slab: Slab) -> Spectrum:
        """Bleed in one slab of a row, starting one block before the stretch."""
        references = spectra.references(row, slab)
        if slab.follows:
            parts = predict(self._filters[row, slab], references, slab.taps, self._lead)
            target_spectra = spectra.of(row, slab)[:, self._lead :]
            return self._followers[row, slab].process(target_spectra, parts, self._level(row, slab))
        predicted = total_bleed(self._filters[row, slab], references, slab.taps, self._lead)
        late, block = self._previous[row, slab], self.grid.block
        bleed = np.concatenate([late, predicted[:, :-block]], axis=1)
        late[...] = predicted[:, -block:]
        return bleed

    def _learn(self, first: int, last: int) -> tuple[int, list[int]]:
        """Learn filters, levels and leaks from spectra `first` to `last`.

        Returns the length of the training segments and their starts.
        """
        per_second = self._sounds.rate_hz / self.grid.hop
        segment = min(round(_SEGMENT_S * per_second), last - first)
        count = min(round(_LEARN_S / _SEGMENT_S), -(-(last - first) // segment))
        starts: list[int] = np.linspace(first, last - segment, count).astype(int).tolist()
        bins = self._bins.stop - self._bins.start
        self._levels = {row: np.zeros((bins, 1), np.float32) for row in self._rows}
        self._filters, self._leaks = {}, {}
        leaks: dict[tuple[int, int], list[NDArray[np.float32]]] = {}
        for start in starts:
            spectra = self._spectra(start, start + segment, self._targets)
            for row, level in self._levels.items():
                target_spectra = spectra.target_spectra[row.target, row.channel]
                level += (target_spectra.real**2 + target_spectra.imag**2).mean(axis=1, keepdims=True) / np.float32(
                    len(starts)
                )
            for pair, leak in spectra.leaks().items():
                leaks.setdefault(pair, []).append(leak)
        self._leaks = {pair: np.median(found, axis=0).astype(np.float32) for pair, found in leaks.items()}
        for floor, every in _ROUNDS:
            self._filters = self._solved(starts[::every], segment, floor)
        return segment, starts

    def _solved(self, starts: Sequence[int], segment: int, floor: np.float32) -> dict[tuple[Row, Slab], References]:
        """Filters from segments of the take, weighted by the residual of the previous filters."""
        sums = {
            (row, slab): NormalEquations(slab.last - slab.first, slab.taps * len(row.references))
            for row, slab in self._jobs
        }
        for start in starts:
            spectra = self._spectra(start - self._lead, start + segment, self._indices)
            for (row, slab), equations in sums.items():
                self._accumulate(spectra, row, slab, floor, equations)
        # The sums take most of the memory: each is freed once it is solved.
        return {job: sums.pop(job).solve() for job in self._jobs}

    def _accumulate(
        self, spectra: _Spectra, row: Row, slab: Slab, floor: np.float32, equations: NormalEquations
    ) -> None:
        target_spectra = spectra.of(row, slab)[:, self._lead :]
        references = spectra.references(row, slab)
        left = target_spectra
        if (row, slab) in self._filters:
            left = target_spectra - total_bleed(self._filters[row, slab], references, slab.taps, self._lead)
        power = smooth_power(left) + floor * self._level(row, slab) + _TINY
        # Frames overlap by three quarters, so every second one carries nearly all information.
        past = history(references, slab.taps, self._lead, every=2)
        equations.add(target_spectra[:, ::2], past, 1.0 / power[:, ::2])

    def _attribute(self, starts: Sequence[int], segment: int, bleed_sources: Mapping[Row, NDArray[np.float64]]) -> None:
        """Add up the power of the predicted bleed by reference."""
        for start in starts:
            spectra = self._spectra(start - self._lead, start + segment, self._indices)
            for row, slab in self._followers:
                parts = predict(self._filters[row, slab], spectra.references(row, slab), slab.taps, self._lead)
                early, late = np.split(parts, 2, axis=1)
                bins = np.arange(slab.first, slab.last) * self._sounds.rate_hz / self.grid.size
                audible = (early + late)[bins >= _AUDIBLE_HZ]
                bleed_sources[row][...] += np.sum(audible.real**2 + audible.imag**2, axis=(0, 2), dtype=np.float64)

    def _level(self, row: Row, slab: Slab) -> NDArray[np.float32]:
        return self._levels[row][slab.first - self._bins.start : slab.last - self._bins.start]


class _Spectra:
    """Spectra of a stretch from one bin on: all inputs in mono, and the channels that are cleaned."""

    def __init__(
        self,
        first_bin: int,
        mono: Mapping[int, Spectrum],
        target_spectra: Mapping[tuple[int, int], Spectrum],
        powers: Mapping[int, NDArray[np.float32]],
        leaks: Mapping[tuple[int, int], NDArray[np.float32]],
    ) -> None:
        self._first_bin = first_bin
        self.mono, self.target_spectra, self._powers, self._leaks = mono, target_spectra, powers, leaks

    def of(self, row: Row, slab: Slab) -> Spectrum:
        """A row's target channel in a slab: ``(bins, frames)``."""
        return self.target_spectra[row.target, row.channel][self._in(slab)]

    def references(self, row: Row, slab: Slab) -> References:
        """A row's references in a slab: ``(bins, references, frames)``."""
        return np.stack([self._reference(row.target, other, slab) for other in row.references], axis=1)

    def _in(self, slab: Slab) -> slice:
        return slice(slab.first - self._first_bin, slab.last - self._first_bin)

    def _reference(self, target: int, other: int, slab: Slab) -> Spectrum:
        bins = self._in(slab)
        reference = self.mono[other][bins]
        leak = self._leaks.get((target, other))
        if leak is None:
            return reference
        gain = -_LEAK_FACTOR * leak[bins] * self._powers[target][bins]
        gain /= self._powers[other][bins] + _TINY
        gain += np.float32(1.0)
        masked: Spectrum = reference * np.maximum(gain, np.float32(0.0), out=gain)
        return masked

    def leaks(self) -> dict[tuple[int, int], NDArray[np.float32]]:
        """Power ratio at which each target source leaks into each other target, by bin ``(bins, 1)``.

        The 10th percentile of the ratio over the loudest fifth of the frames of the source.
        """
        found: dict[tuple[int, int], NDArray[np.float32]] = {}
        for target, power in self._powers.items():
            count = max(1, power.shape[1] // 5)
            loudest = np.argpartition(power, -count, axis=1)[:, -count:]
            level = np.take_along_axis(power, loudest, axis=1) + _TINY
            for other, other_power in self._powers.items():
                if other != target:
                    ratio = np.take_along_axis(other_power, loudest, axis=1) / level
                    found[target, other] = np.quantile(ratio, 0.1, axis=1, keepdims=True).astype(np.float32)
        return found
