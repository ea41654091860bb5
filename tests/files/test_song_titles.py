"""Titles of songs, and of other tries of them."""

from __future__ import annotations

import pytest

from morningmix.files.song_titles import again, free_title, with_other_title


def test_a_song_that_was_played_again_says_so_in_its_title() -> None:
    assert (again("Song 3"), again("Rope Swing?")) == ("Song 3 again", "Rope Swing again?")
    taken = ["Song 3", "song 3 AGAIN", "Song 3 again 2"]
    assert free_title("Song 3 again", taken) == "Song 3 again 3"
    assert free_title("Song 3 again?", taken) == "Song 3 again?"


@pytest.mark.parametrize(
    ("text", "becomes"),
    [
        ("Song 1 again", "Rope again?"),
        ("Song 1 again 2?", "Rope again 2?"),
        ("Song 1, broken off after 0:48 of 3:20", "Rope, broken off after 0:48 of 3:20"),
        ("Song 10 again", "Song 10 again"),
        ("Song 1, the sequel", "Song 1, the sequel"),
        ("Song 1?", "Song 1?"),
        ("Song 1", "Song 1"),
    ],
)
def test_other_tries_of_a_song_are_named_after_its_new_title(text: str, becomes: str) -> None:
    assert with_other_title(text, "Song 1", "Rope?") == becomes


def test_a_title_that_is_confirmed_is_so_in_all_tries() -> None:
    assert with_other_title("Rope again?", "Rope?", "Rope") == "Rope again"
