"""Decisions about all songs of a rehearsal together: whether to look for songs, and how loud they are as a set."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from morningmix.laws.grid import on_grid
from morningmix.model.found import FoundSong
from morningmix.model.plan import SongPlan

LONG_S = 480.0
"""A longer take is hardly one song (design choice)."""
_SAME_LU = 1e-6


def is_long(take_s: float) -> bool:
    """Whether a take is too long to be one song."""
    return take_s > LONG_S


def worth_cutting(take_s: float, found: Sequence[FoundSong]) -> bool:
    """Whether to cut a take into the songs found in it: not where a short one holds a single song and nothing else."""
    return any(song.keep for song in found) and (is_long(take_s) or len(found) > 1)


def keep_relation(plans: Sequence[SongPlan]) -> list[SongPlan]:
    """The loudest song at the target, the others as much softer as they were played (AES TD1008.1.21-9, 4.3)."""
    loudest = max((plan.played_lufs for plan in plans if plan.played_lufs is not None), default=0.0)
    return [
        plan
        if plan.played_lufs is None
        else on_grid(replace(plan, target_lufs=plan.target_lufs + plan.played_lufs - loudest))
        for plan in plans
    ]


def lower_together_db(loudness: Iterable[tuple[float, float]]) -> float:
    """How far below their targets all songs aim, 0 or more: as far as the one that falls shortest.

    `loudness` is the target of each song and the loudness it reaches without too much limiting, LUFS. Songs keep their
    levels relative to each other, and none sounds more limited than the others.
    """
    return max((wanted - reachable for wanted, reachable in loudness), default=0.0)


def misses_aim(mixed_at_lufs: float, wanted_lufs: float, lower_db: float) -> bool:
    """Whether a song was mixed for a loudness other than the final one."""
    return abs(mixed_at_lufs - (wanted_lufs - lower_db)) >= _SAME_LU
