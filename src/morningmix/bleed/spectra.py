"""Spectra of all inputs in a stretch, as bleed is learnt and predicted from them.

Another singer's microphone picks up the target voice too, and as a reference would cancel it. So each such reference is
masked by the target voice expected in it; that leak is measured where the target is loudest.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from morningmix.bleed.filters import STEPS, WINDOW_S, References, Slab, slabs, smooth_power, still_slabs
from morningmix.dsp.stft import OVERLAP, Spectrum, analyse, size_for
from morningmix.units import Block

_BLOCK_S, _CHUNK_BLOCKS = 1.0, 4
_LEAK_FACTOR = np.float32(2.0)
"""Design choice: a higher factor protects steady voices, a lower one cancels more of the drums (measured)."""
_TINY = np.float32(1e-20)

Leaks = dict[tuple[int, int], NDArray[np.float32]]
"""Power ratio by bin at which a target source, the first, leaks into a reference, the second: ``(bins, 1)``."""


class Tracks(Protocol):
    """Inputs that can be read at random."""

    @property
    def rate_hz(self) -> int:
        """Common sample rate."""

    @property
    def frames(self) -> int:
        """Length of the stretch that is processed."""

    def channels(self, index: int) -> int:
        """Number of channels of an input."""

    def read(self, index: int, start: int, stop: int) -> Block:
        """Samples `start` to `stop`, also before and after the stretch."""


@dataclass(frozen=True, slots=True)
class Row:
    """One channel of a target microphone and its reference inputs."""

    target: int
    channel: int
    references: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Grid:
    """How a stretch is divided: spectra of `size` samples every `hop`; the other lengths are in spectra."""

    size: int
    hop: int
    block: int
    """Update interval of the tracked gains."""
    chunk: int
    """Length predicted at a time."""
    spectra: int
    """Length of the stretch."""


def grid_of(sounds: Tracks) -> Grid:
    """The grid of a stretch."""
    size = size_for(WINDOW_S, sounds.rate_hz)
    hop = size // OVERLAP
    block = 2 * STEPS * round(_BLOCK_S * sounds.rate_hz / hop / (2 * STEPS))
    return Grid(
        size=size,
        hop=hop,
        block=block,
        chunk=_CHUNK_BLOCKS * block,
        spectra=-(-sounds.frames // hop) + OVERLAP - 1,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Targets:
    """What is cleaned of bleed, and by what."""

    sounds: Tracks
    subtracts: tuple[tuple[int, bool], ...]
    """Target microphones, and whether predicted bleed is subtracted."""
    references: tuple[int, ...]
    """Inputs that explain the bleed; a target is none of its own."""
    hearing: tuple[int, ...] = ()
    """References that pick up the targets' own sources too, and are masked by what they pick up."""
    lowest_hz: tuple[tuple[int, float], ...] = ()
    """References that only count from a frequency on; under it they pick up more of the target than they play."""
    still_to_hz: float | None = None
    """Nothing moves, and bleed is only predicted up to this frequency; None: gains follow movement, all bins."""

    @property
    def needed(self) -> tuple[int, ...]:
        """All inputs that are read."""
        return tuple(sorted({*self.references, *(target for target, _ in self.subtracts)}))

    @property
    def compared(self) -> tuple[int, ...]:
        """Inputs whose powers tell how much of the targets' sources is in the references."""
        return tuple(sorted({*self.hearing, *(target for target, _ in self.subtracts)})) if self.hearing else ()

    @property
    def slabs(self) -> tuple[Slab, ...]:
        """Bins in which bleed is predicted."""
        size = grid_of(self.sounds).size
        if self.still_to_hz is None:
            return slabs(size, self.sounds.rate_hz)
        return still_slabs(size, self.sounds.rate_hz, self.still_to_hz)

    @property
    def rows(self) -> tuple[Row, ...]:
        """All channels of the targets whose bleed is subtracted."""
        return tuple(
            Row(target, channel, tuple(other for other in self.references if other != target))
            for target, subtracts in self.subtracts
            if subtracts
            for channel in range(self.sounds.channels(target))
        )


class Buffers:
    """Spectra of inputs over a stretch of fixed length, allocated once to avoid memory fragmentation."""

    def __init__(self, targets: Targets, bins: slice, frames: int, indices: Iterable[int]) -> None:
        self._targets, self._bins = targets, bins
        self._grid = grid_of(targets.sounds)
        self._filled = 0
        shape = (bins.stop - bins.start, frames)
        self._mono: dict[int, Spectrum] = {index: np.zeros(shape, np.complex64) for index in indices}
        self._channels: dict[tuple[int, int], Spectrum] = {
            (row.target, row.channel): self._mono[row.target]
            if targets.sounds.channels(row.target) == 1
            else np.zeros(shape, np.complex64)
            for row in targets.rows
        }

    def read(self, first: int, last: int, leaks: Leaks, *, keep: int = 0) -> Spectra:
        """Spectra `first` to `last`, after the last `keep` of those read before."""
        size, hop = self._grid.size, self._grid.hop
        old, new = slice(0, keep), slice(keep, keep + last - first)
        if keep:
            for spectrum in {id(held): held for held in (*self._mono.values(), *self._channels.values())}.values():
                spectrum[:, old] = spectrum[:, self._filled - keep : self._filled].copy()
        self._filled = new.stop
        for index, spectrum in self._mono.items():
            sound = self._targets.sounds.read(index, (first + 1) * hop - size, last * hop)
            analyse(sound[0] if len(sound) == 1 else sound.mean(axis=0), size, self._bins, spectrum[:, new])
            lowest_hz = dict(self._targets.lowest_hz).get(index, 0.0)
            lowest_bin = math.ceil(lowest_hz * size / self._targets.sounds.rate_hz)
            spectrum[: max(0, lowest_bin - self._bins.start), new] = 0.0
            for channel, samples in enumerate(sound):
                if len(sound) > 1 and (index, channel) in self._channels:
                    analyse(samples, size, self._bins, self._channels[index, channel][:, new])
        here = slice(0, new.stop)
        mono = {index: spectrum[:, here] for index, spectrum in self._mono.items()}
        channels = {place: spectrum[:, here] for place, spectrum in self._channels.items()}
        powers = {index: smooth_power(mono[index]) for index in self._targets.compared if index in mono}
        return Spectra(self._targets, self._bins.start, mono, channels, powers, leaks)


class Spectra:
    """Spectra of a stretch from one bin on: all inputs in mono, and the channels that are cleaned."""

    def __init__(
        self,
        targets: Targets,
        first_bin: int,
        mono: Mapping[int, Spectrum],
        channels: Mapping[tuple[int, int], Spectrum],
        powers: Mapping[int, NDArray[np.float32]],
        leaks: Leaks,
    ) -> None:
        self._targets, self._first_bin = targets, first_bin
        self._mono, self._channels, self._powers, self._leaks = mono, channels, powers, leaks

    def of(self, row: Row) -> Spectrum:
        """A row's target channel, all bins: ``(bins, frames)``."""
        return self._channels[row.target, row.channel]

    def within(self, row: Row, slab: Slab) -> Spectrum:
        """A row's target channel in a slab: ``(bins, frames)``."""
        return self.of(row)[self.place(slab)]

    def references(self, row: Row, slab: Slab) -> References:
        """A row's references in a slab: ``(bins, references, frames)``."""
        bins = self.place(slab)
        shape = self.of(row)[bins].shape
        references = np.empty((shape[0], len(row.references), shape[1]), np.complex64)
        for place, other in enumerate(row.references):
            self._reference(row.target, other, bins, references[:, place])
        return references

    def place(self, slab: Slab) -> slice:
        """Where the slab's bins are."""
        return slice(slab.first - self._first_bin, slab.last - self._first_bin)

    def _reference(self, target: int, other: int, bins: slice, out: Spectrum) -> None:
        reference = self._mono[other][bins]
        leak = self._leaks.get((target, other))
        if leak is None:
            out[...] = reference
            return
        gain = -_LEAK_FACTOR * leak[bins] * self._powers[target][bins]
        gain /= self._powers[other][bins] + _TINY
        gain += np.float32(1.0)
        np.multiply(reference, np.maximum(gain, np.float32(0.0), out=gain), out=out)

    def leaks(self) -> Leaks:
        """Power ratio at which each target source leaks into each reference that hears it.

        The 10th percentile of the ratio over the loudest fifth of the frames of the source.
        """
        found: Leaks = {}
        for target in (target for target, _ in self._targets.subtracts if target in self._powers):
            power = self._powers[target]
            count = max(1, power.shape[1] // 5)
            loudest = np.argpartition(power, -count, axis=1)[:, -count:]
            level = np.take_along_axis(power, loudest, axis=1) + _TINY
            for other in self._targets.hearing:
                if other != target:
                    ratio = np.take_along_axis(self._powers[other], loudest, axis=1) / level
                    found[target, other] = np.quantile(ratio, 0.1, axis=1, keepdims=True).astype(np.float32)
        return found


def joined(parts: Sequence[Leaks]) -> Leaks:
    """Leaks of all bins from those of adjacent ranges."""
    return {pair: np.concatenate([part[pair] for part in parts]) for pair in parts[0]}
