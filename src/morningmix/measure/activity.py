"""Measure coarsely and fast when each input's own source plays over a whole take, and where its level jumps up.

Per pair of inputs and band, the bleed is at least a fixed fraction of the other input's power: the ratio that is hardly
ever undercut while the other input is loud (minimum statistics). The level over the sum of all bleed tells whether the
source plays. Unlike `bleed.excess` this does not model room decays, so it is rough, but two hours of ten inputs take
seconds, and it need not know which inputs are voices.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from morningmix.measure.band_store import BandStore
from morningmix.model.measured import Activity

FRAME_HOPS = 5
"""Hops of band powers in one frame of activity: 0.1 s."""
EDGES_HZ = (35.0, 120.0, 300.0, 800.0, 2000.0, 5000.0, 9000.0, 20_000.0)
"""Edges of the broad bands in which inputs are compared."""

_CHUNK_HOPS = 3000
_LEAK_QUANTILE = 0.05
_LOUD_FRACTION = 1e-2
_LEAST_FRAMES = 50
_RATIO_DB = (-10.0, 30.0)
_RISE_DB = (0.0, 30.0)
_TINY = 1e-13
_HISS = 0.05
"""Quantile of an input's level that counts as its hiss."""


def measure_activity(store: BandStore, families: Sequence[str]) -> Activity:
    """Levels, levels over bleed and rises of all inputs; `families` are in the order of the store.

    Inputs of one family do not count as each other's bleed. Inputs with an empty family are left out.
    """
    playing = [index for index, family in enumerate(families) if family]
    powers = np.zeros((len(families), len(EDGES_HZ) - 1, -(-store.hops // FRAME_HOPS)), np.float32)
    rises = np.zeros((len(families), store.hops), np.float32)
    sums = _sums(store)
    for index in playing:
        for start in range(0, store.hops, _CHUNK_HOPS):
            stop = min(start + _CHUNK_HOPS, store.hops)
            early = max(0, start - 2)
            bands = store.read(index, early, stop)
            rises[index, start:stop] = _rise_db(bands)[start - early :]
            frames = sums @ bands[:, start - early :]
            at = np.arange(0, frames.shape[1], FRAME_HOPS)
            lengths = np.diff(np.append(at, frames.shape[1]))
            powers[index, :, start // FRAME_HOPS : -(-stop // FRAME_HOPS)] = (
                np.add.reduceat(frames, at, axis=1) / lengths
            )
    return Activity(
        frame_s=store.hop_s * FRAME_HOPS,
        hop_s=store.hop_s,
        powers=powers,
        over_bleed_db=_over_bleed_db(powers, families),
        rises_db=rises,
    )


def _sums(store: BandStore) -> NDArray[np.float32]:
    """Matrix that sums the store's bands to broad bands."""
    centres = np.sqrt(store.band_hz[:-1] * store.band_hz[1:])
    group = np.clip(np.searchsorted(EDGES_HZ, centres) - 1, 0, len(EDGES_HZ) - 2)
    sums: NDArray[np.float32] = (group[None, :] == np.arange(len(EDGES_HZ) - 1)[:, None]).astype(np.float32)
    return sums


def _rise_db(bands: NDArray[np.float32]) -> NDArray[np.float32]:
    """Rise of each hop over the louder of the two before it, dB, mean over the bands."""
    level = 10.0 * np.log10(bands + np.float32(1e-10))
    before = np.maximum(level[:, 1:-1], level[:, :-2])
    rise = np.zeros(bands.shape[1], np.float32)
    rise[2:] = np.clip(level[:, 2:] - before, *_RISE_DB).mean(axis=0)
    return rise


def _over_bleed_db(powers: NDArray[np.float32], families: Sequence[str]) -> NDArray[np.float32]:
    over_db = np.zeros_like(powers)
    lasting = np.maximum(powers, np.float32(0.3) * np.roll(powers, 1, axis=2))
    for index, family in enumerate(families):
        if not family or not powers.shape[2]:
            continue
        for band in range(powers.shape[1]):
            level = powers[index, band]
            bleed = np.full_like(level, np.quantile(level, _HISS) + _TINY)
            for other, others_family in enumerate(families):
                if others_family in ("", family):
                    continue
                other_power = lasting[other, band]
                loud = other_power > np.quantile(other_power, 0.98) * _LOUD_FRACTION
                if np.count_nonzero(loud) >= _LEAST_FRAMES:
                    leak = np.quantile(level[loud] / (other_power[loud] + np.float32(_TINY)), _LEAK_QUANTILE)
                    bleed += np.float32(leak) * other_power
            over_db[index, band] = 10.0 * np.log10((level + np.float32(_TINY)) / bleed)
    return np.clip(over_db, *_RATIO_DB)
