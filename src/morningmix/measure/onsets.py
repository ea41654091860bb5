"""Measure where the sound of some inputs starts: rises of the kept band powers, per input and broad band.

Rises of compressed band powers (spectral flux: S. Dixon, "Onset detection revisited", DAFx 2006; compression as in
A. Klapuri, A. Eronen, J. Astola, IEEE TASLP 14(1), 2006). It reads nothing but what is kept of a take anyway.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from morningmix.measure.band_store import BandStore
from morningmix.model.measured import Onsets

EDGES_HZ = (150.0, 1500.0, 5000.0)
"""Edges between the broad bands: bass drum; snare drum and toms; their attack; cymbals (design choice)."""

_CHUNK_HOPS = 3000
_COMPRESSION = 30.0
"""Powers this far under the mean of the band count little (design choice)."""


def measure_onsets(store: BandStore, inputs: Sequence[int], start_s: float, end_s: float) -> Onsets:
    """Onsets of these inputs between two times of the take."""
    first = max(0, round(start_s / store.hop_s))
    last = min(store.hops, round(end_s / store.hop_s))
    sums = _sums(store)
    rows = [_rises(store, index, first, last, sums) for index in inputs]
    strength = np.stack(rows) if rows else np.zeros((0, len(sums), max(0, last - first)), np.float32)
    first_s = first * store.hop_s - start_s
    return Onsets(hop_s=store.hop_s, first_s=first_s, strength=strength)


def _rises(store: BandStore, index: int, first: int, last: int, sums: NDArray[np.float32]) -> NDArray[np.float32]:
    spans = [(at, min(at + _CHUNK_HOPS, last)) for at in range(first, last, _CHUNK_HOPS)]
    total = np.zeros(store.bands)
    for start, stop in spans:
        total += store.read(index, start, stop).sum(axis=1, dtype=np.float64)
    gain = (_COMPRESSION * max(1, last - first) / (total + 1e-9)).astype(np.float32)[:, None]
    rises = np.zeros((len(sums), max(0, last - first)), np.float32)
    for start, stop in spans:
        early = max(first, start - 1)
        level = np.log1p(gain * store.read(index, early, stop))
        rise = sums @ np.maximum(np.diff(level, axis=1), np.float32(0.0))
        rises[:, early + 1 - first : stop - first] = rise
    return rises


def _sums(store: BandStore) -> NDArray[np.float32]:
    """Matrix that averages the store's bands in broad bands; a broad band without any is left out."""
    centres = np.sqrt(store.band_hz[:-1] * store.band_hz[1:])
    group = np.searchsorted(EDGES_HZ, centres)
    rows = [(group == broad) / np.count_nonzero(group == broad) for broad in np.unique(group)]
    return np.array(rows, np.float32)
