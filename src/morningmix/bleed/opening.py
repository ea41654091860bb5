"""Gate decisions from a curve of level over predicted bleed: runs that rise far enough, with look-ahead and hold."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from morningmix.laws.grid import on_grid_db

Mask = NDArray[np.bool_]

LOOK_AHEAD_S = 0.10
HOLD_S = 0.16
"""The gate opens this long before a line and closes this long after it (design choice)."""

_OPEN, _CLOSE = 0.17, 0.042
_REACH, _LEAST_REACH_DB = 0.98, 0.2


def clear_reach_db(clear_db: NDArray[np.float32]) -> float | None:
    """98th percentile of `Cleaned.clear_db`; None if too low for anybody to have used the microphone."""
    reach_db = on_grid_db(float(np.quantile(clear_db, _REACH))) if len(clear_db) else 0.0
    return reach_db if reach_db >= _LEAST_REACH_DB else None


def opens_at_db(reach_db: float) -> float:
    """Level over residual bleed at which a cleaned microphone opens."""
    return _OPEN * reach_db


def where_clear(clear_db: NDArray[np.float32], reach_db: float) -> Mask:
    """Hops in which the source of a cleaned microphone sounds: ``(hops,)``."""
    return convincing_runs(clear_db, opens_at_db(reach_db), _CLOSE * reach_db)


def convincing_runs(level_db: NDArray[np.float32], opens_db: float, closes_db: float) -> Mask:
    """Runs above `closes_db` whose peak reaches `opens_db`: ``(hops,)``."""
    mask: Mask = level_db > closes_db
    edges = np.flatnonzero(np.diff(mask.astype(np.int8), prepend=0, append=0))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        if level_db[start:stop].max() < opens_db:
            mask[start:stop] = False
    return mask


def opened(direct: Mask, hop_s: float) -> Mask:
    """Every run extended by `LOOK_AHEAD_S` before and `HOLD_S` after."""
    return widen(direct, round(LOOK_AHEAD_S / hop_s), round(HOLD_S / hop_s))


def widen(mask: Mask, before: int, after: int) -> Mask:
    """Every run extended by `before` hops at its start and `after` at its end."""
    padded = np.pad(mask, (after, before))
    total = np.concatenate(([0], np.cumsum(padded)))
    wide: Mask = total[before + after + 1 :] > total[: -(before + after + 1)]
    return wide
