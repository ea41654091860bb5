"""Predict the bleed in microphones from the other inputs, by filters that were learnt before (`bleed.learn`).

A stretch begins a block early, because the gains that follow movement know one block back. Powers are smoothed within
a few seconds at a time, so where a song is cut into pieces still matters a little (-69 to -86 dB, measured).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from morningmix.bleed.filters import NEAR_TAPS, Follower, Slab, predict, total_bleed
from morningmix.bleed.learn import Learnt
from morningmix.bleed.spectra import Buffers, Row, Spectra, Targets, grid_of, joined
from morningmix.dsp.stft import Spectrum

_LEAD = NEAR_TAPS - 1


def bleed_spectra(targets: Targets, learnt: Sequence[Learnt], first: int, last: int) -> Iterator[tuple[Spectrum, ...]]:
    """Bleed in every row, all bins, for spectra `first` to `last`, a few seconds at a time; `learnt` by range.

    Raises `RecordingsError`.
    """
    grid = grid_of(targets.sounds)
    predictor = _Predictor(targets, learnt)
    # Bleed comes out one block late.
    predictor.process(first - grid.block, first)
    at, skipped, left = first, grid.block, last - first
    while left > 0:
        # Whole blocks, and not longer than what is left.
        blocks = min(grid.chunk // grid.block, -(-(left + skipped) // grid.block))
        bleed = predictor.process(at, at + blocks * grid.block)
        at += blocks * grid.block
        count = min(left, blocks * grid.block - skipped)
        yield tuple(row[:, skipped : skipped + count] for row in bleed)
        left -= count
        skipped = 0


class _Predictor:
    def __init__(self, targets: Targets, learnt: Sequence[Learnt]) -> None:
        grid = grid_of(targets.sounds)
        self._rows = targets.rows
        self._slabs = [slab for one in learnt for slab in one.slabs]
        self._filters = {place: filters for one in learnt for place, filters in one.filters.items()}
        self._levels = {row: np.concatenate([one.levels[row] for one in learnt]) for row in self._rows}
        self._leaks = joined([one.leaks for one in learnt])
        self._buffers = Buffers(targets, slice(0, self._slabs[-1].last), _LEAD + grid.chunk, targets.needed)
        self._block, self._bins = grid.block, grid.size // 2 + 1
        self._keep = 0
        self._followers: dict[tuple[Row, Slab], Follower] = {}
        self._late: dict[tuple[Row, Slab], Spectrum] = {}
        """Bleed of the last block in slabs without gain tracking."""
        for row in self._rows:
            for slab in self._slabs:
                bins = slab.last - slab.first
                if slab.follows:
                    self._followers[row, slab] = Follower(bins, 2 * len(row.references), grid.block)
                else:
                    self._late[row, slab] = np.zeros((bins, grid.block), np.complex64)

    def process(self, first: int, last: int) -> tuple[Spectrum, ...]:
        """Bleed by row for as many spectra, starting one block earlier. Calls must follow one another."""
        spectra = self._buffers.read(first if self._keep else first - _LEAD, last, self._leaks, keep=self._keep)
        self._keep = _LEAD
        above = np.zeros((self._bins - self._slabs[-1].last, last - first), np.complex64)
        return tuple(
            np.concatenate([*(self._bleed(spectra, row, slab) for slab in self._slabs), above]) for row in self._rows
        )

    def _bleed(self, spectra: Spectra, row: Row, slab: Slab) -> Spectrum:
        references = spectra.references(row, slab)
        filters = self._filters[row, slab]
        if slab.follows:
            parts = predict(filters, references, slab.taps, _LEAD)
            level = self._levels[row][spectra.place(slab)]
            return self._followers[row, slab].process(spectra.within(row, slab)[:, _LEAD:], parts, level)
        predicted = total_bleed(filters, references, slab.taps, _LEAD)
        late = self._late[row, slab]
        bleed = np.concatenate([late, predicted[:, : -self._block]], axis=1)
        late[...] = predicted[:, -self._block :]
        return bleed
