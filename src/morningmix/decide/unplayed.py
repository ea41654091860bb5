"""Which instruments nobody played: their inputs recorded only the others."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np

from morningmix.model.input import Input
from morningmix.units import powers_db

_ALIKE = 0.8
"""Correlation of two inputs' levels from which on they are two recordings of one instrument (design choice)."""
_LOWEST_DB, _STEADY_DB = -90.0, 0.5


def unplayed(playing: Sequence[Input], without_own_sound: Collection[int]) -> frozenset[int]:
    """`Input.index` of those that are left out, of those that the others explain.

    A line and a microphone of one bass explain each other, and both stay. If in doubt an input stays.
    """
    found = [input_ for input_ in playing if input_.index in without_own_sound]
    return frozenset(input_.index for input_ in found if not any(_alike(input_, other) for other in playing))


def _alike(input_: Input, other: Input) -> bool:
    if other.index == input_.index or other.preset.family != input_.preset.family:
        return False
    levels_db = np.stack(
        [np.maximum(powers_db(each.facts.slots.powers.astype(np.float64)), _LOWEST_DB) for each in (input_, other)]
    )
    if levels_db.std(axis=1).min() < _STEADY_DB:
        return True
    return float(np.corrcoef(levels_db)[0, 1]) > _ALIKE
