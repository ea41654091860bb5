"""How loud each family is in the mix.

Goals are loudnesses re the mix, each over the stretches in which the family's own sources play: vocals where the lead
sings and nobody else does, drums and bass where they play. Families without a goal (guitars, keys, whatever there is)
fill the rest. The power of a mix of gains ``g`` is ``g' C g`` with the K-weighted Gram matrix ``C`` of the families, so
the same solver serves predicted powers (a diagonal matrix per slot) and measured ones (with cross terms).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from morningmix.units import SILENCE_DB

FILLERS = ("guitars", "keys", "horns", "strings", "extras", "playback", "drums", "bass", "vocals")
"""The first of these that plays, preferably one without a goal, keeps its level; the others are set relative to it."""

_ROUNDS, _STEP = 200, 0.5
_LEAST_SLOTS = 10


def solve_gains(
    gram: NDArray[np.float64],
    families: Sequence[str],
    goals_lu: Mapping[str, float | None],
    where: Mapping[str, NDArray[np.bool_]],
    most_db: float = 60.0,
) -> dict[str, float]:
    """Gain in dB per family that brings every family with a goal to it; the others keep 0 dB.

    `gram` is ``(slots, families, families)``, K-weighted power per slot; `where` are the slots over which a
    goal counts.
    Gains stay within ``+-most_db``. Goals must leave something for the rest: where the power shares they ask for add
    up to nearly all or more, gains run into that limit.
    """
    chased = _chased(families, goals_lu, where)
    sums = {index: gram[mask].sum(axis=0) for index, _, mask in chased}
    gains_db = np.zeros(len(families))
    for _ in range(_ROUNDS):
        gains = 10.0 ** (gains_db / 20.0)
        for index, goal_lu, _ in chased:
            of_family = gains[index] ** 2 * sums[index][index, index]
            of_mix = float(gains @ sums[index] @ gains)
            if of_family > 10.0 ** (SILENCE_DB / 10.0) and of_mix > 0.0:
                missing_db = goal_lu - 10.0 * float(np.log10(of_family / of_mix))
                gains_db[index] = float(np.clip(gains_db[index] + _STEP * missing_db, -most_db, most_db))
    return {family: round(float(gain), 2) for family, gain in zip(families, gains_db, strict=True)}


def _chased(
    families: Sequence[str], goals_lu: Mapping[str, float | None], where: Mapping[str, NDArray[np.bool_]]
) -> list[tuple[int, float, NDArray[np.bool_]]]:
    """Index, goal and slots of the families that are moved: those with a goal, less the one that keeps its level."""
    present = [family for family in FILLERS if family in where and np.count_nonzero(where[family]) >= _LEAST_SLOTS]
    free = [family for family in present if goals_lu.get(family) is None]
    stays = (free or present or [""])[0]
    chased: list[tuple[int, float, NDArray[np.bool_]]] = []
    for index, family in enumerate(families):
        goal_lu = goals_lu.get(family)
        if goal_lu is not None and family in present and family != stays:
            chased.append((index, goal_lu, where[family]))
    return chased
