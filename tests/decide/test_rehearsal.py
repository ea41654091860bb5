"""All songs of a rehearsal together."""

from __future__ import annotations

import pytest

from morningmix.decide.rehearsal import holds_several_songs, lower_together_db, misses_aim


@pytest.mark.parametrize(("seconds", "listed", "looks"), [(480.0, 0, False), (481.0, 0, True), (481.0, 1, False)])
def test_songs_are_looked_for_in_long_takes_without_a_list(seconds: float, listed: int, looks: bool) -> None:
    """Hardly a song lasts eight minutes."""
    assert holds_several_songs(seconds, listed) == looks


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
