"""All songs of a rehearsal together."""

from __future__ import annotations

import pytest

from morningmix.decide.rehearsal import lower_together_db, misses_aim, worth_cutting
from morningmix.model.found import Boundary, FoundSong


@pytest.mark.parametrize(
    ("seconds", "kept", "cuts"),
    [
        (300.0, [True, True], True),
        (300.0, [False, True], True),
        (300.0, [True], False),
        (300.0, [False, False], False),
        (300.0, [], False),
        (480.0, [True], False),
        (481.0, [True], True),
        (481.0, [False], False),
    ],
)
def test_a_take_is_cut_where_it_holds_more_than_one_song(seconds: float, kept: list[bool], cuts: bool) -> None:
    """Hardly a song lasts eight minutes; in a shorter take one song alone is the take."""
    edge = Boundary(at_s=0.0, because="", sure=1.0)
    found = [FoundSong(start=edge, end=edge, keep=keep, reason=None, played_s=60.0) for keep in kept]
    assert worth_cutting(seconds, found) == cuts


@pytest.mark.parametrize(
    ("loudness", "lower_db"),
    [
        ([], 0.0),
        ([(-16.0, -16.0)], 0.0),
        ([(-16.0, -17.5), (-16.0, -16.0), (-16.0, -18.0)], 2.0),
        # A quiet song of an album that reaches its own target lowers nothing.
        ([(-16.0, -16.5), (-22.0, -22.0)], 0.5),
    ],
)
def test_all_songs_aim_as_low_as_the_one_that_falls_shortest(
    loudness: list[tuple[float, float]], lower_db: float
) -> None:
    assert lower_together_db(loudness) == lower_db


@pytest.mark.parametrize(
    ("mixed_at_lufs", "lower_db", "misses"),
    [(-16.0, 0.0, False), (-17.2, 1.2, False), (-16.0, 0.1, True), (-17.0, 0.0, True)],
)
def test_a_song_misses_its_aim_either_way(mixed_at_lufs: float, lower_db: float, misses: bool) -> None:
    assert misses_aim(mixed_at_lufs, -16.0, lower_db) == misses
