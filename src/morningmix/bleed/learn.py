"""Learn the filters that predict bleed (`bleed.filters`) from about forty seconds of up to five minutes.

A range of bins needs only one bin beyond it on either side, so ranges can be learnt in parallel.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate, groupby

import numpy as np
from numpy.typing import NDArray

from morningmix.bleed.filters import (
    NEAR_TAPS,
    NormalEquations,
    References,
    Slab,
    history,
    predict,
    smooth_power,
    total_bleed,
)
from morningmix.bleed.spectra import Buffers, Grid, Leaks, Row, Spectra, Targets, grid_of

_LEARN_S, _SEGMENT_S = 40.0, 2.5
_ROUNDS = ((np.float32(0.1), 2), (np.float32(0.05), 1))
"""Rounds of learning: floor of a frame's residual power relative to the microphone's mean, and use every n-th segment.
The first round only tells the second where the target source sounds."""
_TINY = np.float32(1e-20)
_ATTRIBUTED, _AUDIBLE_HZ = 4, 120.0
"""Sources of bleed are measured in every fourth segment, above the low cut of a vocal microphone."""
_LEAD = NEAR_TAPS - 1
_RANGES, _RANGE_BYTES = 3, 24_000_000
"""Most jobs that a part's bins are shared out to, and from which size of all their sums on. More jobs would repeat more
transforms; fewer take more memory (measured)."""


@dataclass(frozen=True, slots=True)
class Learnt:
    """What was learnt of a range of bins; arrays by bin cover just the slabs."""

    slabs: tuple[Slab, ...]
    filters: dict[tuple[Row, Slab], References]
    levels: dict[Row, NDArray[np.float32]]
    """Mean power of the microphone: ``(bins, 1)``."""
    leaks: Leaks
    learnt_s: tuple[tuple[float, float], ...]
    """Stretches that the filters were learnt from."""
    bleed_sources: dict[Row, NDArray[np.float64]]
    """Power of the bleed from each reference over these stretches."""


def ranges(targets: Targets, range_bytes: int = _RANGE_BYTES) -> list[tuple[Slab, ...]]:
    """All slabs in order, in groups of about equal cost."""
    everything = targets.slabs
    of_rows = sum(
        NormalEquations.bytes_of(slab.last - slab.first, slab.taps * len(row.references))
        for slab in everything
        for row in targets.rows
    )
    count = min(_RANGES, math.ceil(of_rows / range_bytes))
    # Solving grows with the square of the taps.
    ends = list(accumulate(float(slab.taps**2) for slab in everything))

    def range_of(place: int) -> int:
        middle = (ends[place] + (ends[place - 1] if place else 0.0)) / 2.0 / ends[-1]
        return int(middle * count)

    return [tuple(everything[place] for place in places) for _, places in groupby(range(len(everything)), range_of)]


def learn(targets: Targets, of_slabs: Sequence[Slab], first: int, last: int) -> Learnt:
    """Learn from spectra `first` to `last`. Raises `RecordingsError`."""
    return _Learner(targets, tuple(of_slabs)).learn(first, last)


class _Learner:
    def __init__(self, targets: Targets, of_slabs: tuple[Slab, ...]) -> None:
        self._targets, self._rows, self._slabs = targets, targets.rows, of_slabs
        self._grid: Grid = grid_of(targets.sounds)
        # Powers are smoothed over neighbouring bins.
        self._bins = slice(max(0, of_slabs[0].first - 1), min(of_slabs[-1].last + 1, self._grid.size // 2 + 1))
        self._jobs = [(row, slab) for row in self._rows for slab in of_slabs]
        self._filters: dict[tuple[Row, Slab], References] = {}
        self._levels: dict[Row, NDArray[np.float32]] = {}
        self._leaks: Leaks = {}

    def learn(self, first: int, last: int) -> Learnt:
        per_second = self._targets.sounds.rate_hz / self._grid.hop
        segment = min(round(_SEGMENT_S * per_second), last - first)
        count = min(round(_LEARN_S / _SEGMENT_S), -(-(last - first) // segment))
        starts: list[int] = np.linspace(first, last - segment, count).astype(int).tolist()
        self._measure(starts, segment)
        for floor, every in _ROUNDS:
            self._filters = self._solved(starts[::every], segment, floor)
        own = slice(self._slabs[0].first - self._bins.start, self._slabs[-1].last - self._bins.start)
        return Learnt(
            slabs=self._slabs,
            filters=self._filters,
            levels={row: level[own] for row, level in self._levels.items()},
            leaks={pair: leak[own] for pair, leak in self._leaks.items()},
            learnt_s=tuple((start / per_second, (start + segment) / per_second) for start in starts),
            bleed_sources=self._bleed_sources(starts[::_ATTRIBUTED], segment),
        )

    def _measure(self, starts: Sequence[int], segment: int) -> None:
        """Levels of the targets, and how much of each leaks into the references that hear it."""
        bins = self._bins.stop - self._bins.start
        self._levels = {row: np.zeros((bins, 1), np.float32) for row in self._rows}
        leaks: dict[tuple[int, int], list[NDArray[np.float32]]] = {}
        heard = {*self._targets.compared, *(row.target for row in self._rows)}
        buffers = Buffers(self._targets, self._bins, segment, heard)
        for start in starts:
            spectra = buffers.read(start, start + segment, {})
            for row, level in self._levels.items():
                of_row = spectra.of(row)
                level += (of_row.real**2 + of_row.imag**2).mean(axis=1, keepdims=True) / np.float32(len(starts))
            for pair, leak in spectra.leaks().items():
                leaks.setdefault(pair, []).append(leak)
        self._leaks = {pair: np.median(found, axis=0).astype(np.float32) for pair, found in leaks.items()}

    def _solved(self, starts: Sequence[int], segment: int, floor: np.float32) -> dict[tuple[Row, Slab], References]:
        """Filters from segments, weighted by the residual of the previous filters."""
        sums = {
            (row, slab): NormalEquations(slab.last - slab.first, slab.taps * len(row.references))
            for row, slab in self._jobs
        }
        buffers = self._with_lead(segment)
        for start in starts:
            spectra = buffers.read(start - _LEAD, start + segment, self._leaks)
            for (row, slab), equations in sums.items():
                self._accumulate(spectra, row, slab, floor, equations)
        # The sums take most of the memory: each is freed once it is solved.
        return {job: sums.pop(job).solve() for job in self._jobs}

    def _with_lead(self, segment: int) -> Buffers:
        return Buffers(self._targets, self._bins, segment + _LEAD, self._targets.needed)

    def _accumulate(
        self, spectra: Spectra, row: Row, slab: Slab, floor: np.float32, equations: NormalEquations
    ) -> None:
        target_spectra = spectra.within(row, slab)[:, _LEAD:]
        references = spectra.references(row, slab)
        left = target_spectra
        if (row, slab) in self._filters:
            # In double precision, because rounding in the weights comes out of the solution a hundred times larger.
            filters, wide = self._filters[row, slab].astype(np.complex128), references.astype(np.complex128)
            left = target_spectra - total_bleed(filters, wide, slab.taps, _LEAD).astype(np.complex64)
        power = smooth_power(left) + floor * self._levels[row][spectra.place(slab)] + _TINY
        # Frames overlap by three quarters, so every second one carries nearly all information.
        past = history(references, slab.taps, _LEAD, every=2)
        equations.add(target_spectra[:, ::2], past, 1.0 / power[:, ::2])

    def _bleed_sources(self, starts: Sequence[int], segment: int) -> dict[Row, NDArray[np.float64]]:
        """Power of the predicted bleed by reference."""
        found = {row: np.zeros(len(row.references)) for row in self._rows}
        jobs = [(row, slab) for row, slab in self._jobs if slab.follows or self._targets.still_to_hz is not None]
        buffers = self._with_lead(segment)
        for start in starts if jobs else ():
            spectra = buffers.read(start - _LEAD, start + segment, self._leaks)
            for row, slab in jobs:
                parts = predict(self._filters[row, slab], spectra.references(row, slab), slab.taps, _LEAD)
                early, late = np.split(parts, 2, axis=1)
                hz = np.arange(slab.first, slab.last) * self._targets.sounds.rate_hz / self._grid.size
                audible = (early + late)[hz >= _AUDIBLE_HZ]
                found[row] += np.sum(audible.real**2 + audible.imag**2, axis=(0, 2), dtype=np.float64)
        return found


def total_sources(learnt: Sequence[Learnt]) -> dict[int, dict[int, float]]:
    """Power of the bleed in each target by reference, over all ranges and parts."""
    found: dict[int, dict[int, float]] = {}
    for one in learnt:
        _add(one.bleed_sources, found)
    return found


def _add(sources: Mapping[Row, NDArray[np.float64]], to: dict[int, dict[int, float]]) -> None:
    for row, powers in sources.items():
        of_target = to.setdefault(row.target, {})
        for other, power in zip(row.references, powers.tolist(), strict=True):
            of_target[other] = of_target.get(other, 0.0) + power
