"""The songs that a recipe lists, changed in its text."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest

from morningmix.errors import UsageError
from morningmix.files.song_edit import (
    joined,
    split,
    unsure_songs,
    with_edges,
    with_kept,
    with_new_song,
    with_sure_edges,
    with_title,
)

RECIPE = """recipe = 1
[rehearsal]
tracks = "take"

[[input]]
file = "a.wav"
name = "kick"

[[song]]
title = "One"  # the fast one
start = "0:10.0"  # unsure: no count-in was found
end = "1:00.0"  # hers
[[song.input]]
name = "kick"
level_db = 2  # more
[[song.move]]
name = "kick"
from = "0:20.0"
to = "0:30.0"
level_db = -2

# they talk here

[[song]]
title = "Two"
start = "1:20.0"
end = "2:00.0"

[[song]]
title = "Three"
start = "2:10.0"
end = "3:00.0"
"""


def songs(text: str) -> list[dict[str, Any]]:
    listed: list[dict[str, Any]] = tomllib.loads(text).get("song", [])
    return listed


def test_a_title_is_one_line_that_changes() -> None:
    assert with_title(RECIPE, 0, ' Copper  "Rain" ') == RECIPE.replace('"One"', '"Copper \\"Rain\\""')
    with pytest.raises(UsageError, match="letter"):
        with_title(RECIPE, 0, "  ")


def test_a_song_is_left_out_and_brought_back() -> None:
    out = with_kept(RECIPE, 0, keep=False)
    assert (songs(out)[0]["keep"], songs(out)[0]["reason"]) == (False, "left out by hand")
    assert "input" in songs(out)[0]
    assert with_kept(out, 0, keep=False) == out
    assert with_kept(out, 0, keep=True) == RECIPE


def test_an_edge_that_somebody_sets_is_no_longer_unsure_and_other_remarks_stay() -> None:
    text = with_edges(RECIPE, 0, 12.5, 61.0)
    assert 'start = "0:12.5"\n' in text
    assert 'end = "1:01.0"  # hers\n' in text


def test_an_edge_that_stays_changes_no_line() -> None:
    assert with_edges(RECIPE, 0, 10.0, 60.0) == RECIPE


def test_moves_stay_at_their_place_in_the_take() -> None:
    (move,) = songs(with_edges(RECIPE, 0, 8.0, 60.0))[0]["move"]
    assert (move["from"], move["to"]) == ("0:22.0", "0:32.0")
    (move,) = songs(with_edges(RECIPE, 0, 35.0, 60.0))[0]["move"]
    assert (move["from"], move["to"]) == ("0:00.0", "0:05.0")


@pytest.mark.parametrize("times_s", [(41.0, 60.0), (10.0, 29.0)])
def test_an_edge_may_not_cut_a_move_off(times_s: tuple[float, float]) -> None:
    with pytest.raises(UsageError, match="kick"):
        with_edges(RECIPE, 0, *times_s)


def test_a_song_is_at_least_a_second_long() -> None:
    with pytest.raises(UsageError, match="one second"):
        with_edges(RECIPE, 1, 90.0, 90.5)


def test_two_songs_are_joined_and_the_first_one_keeps_its_settings() -> None:
    text = joined(RECIPE, 0)
    first, last = songs(text)
    assert (first["title"], first["start"], first["end"]) == ("One", "0:10.0", "2:00.0")
    assert first["input"][0]["level_db"] == 2
    assert last["title"] == "Three"
    assert "# they talk here" in text


def test_settings_of_a_song_that_is_joined_to_another_become_comments() -> None:
    settings = RECIPE.replace('end = "2:00.0"\n', 'end = "2:00.0"\n[[song.family]]\nname = "drums"\nlow_db = 2\n')
    text = joined(settings, 0)
    assert "# low_db = 2" in text
    assert len(songs(text)) == 2


def test_the_last_song_is_joined_with_none() -> None:
    with pytest.raises(UsageError, match="No song follows"):
        joined(RECIPE, 2)


def test_a_song_of_another_take_is_not_the_next_one() -> None:
    text = RECIPE.replace('title = "Two"', 'title = "Two"\ntake = "b"').replace(
        'title = "One"', 'take = "a"\ntitle = "One"'
    )
    text = text.replace('title = "Three"', 'title = "Three"\ntake = "A"')
    first, second = songs(joined(text, 0, ("a", "b")))
    assert (first["end"], second["title"]) == ("3:00.0", "Two")


def test_a_song_is_split_and_both_halves_have_its_settings() -> None:
    text = split(RECIPE, 0, 45.0)
    first, second = songs(text)[:2]
    assert (first["start"], first["end"]) == ("0:10.0", "0:45.0")
    assert (second["title"], second["start"], second["end"]) == ("One 2", "0:45.0", "1:00.0")
    assert first["input"] == second["input"] == [{"name": "kick", "level_db": 2}]
    assert "move" not in second
    assert len(songs(joined(text, 0))) == 3


@pytest.mark.parametrize(("at_s", "says"), [(10.5, "one second"), (59.5, "one second"), (35.0, "level of its own")])
def test_a_song_is_not_split_at_its_edge_or_in_a_move(at_s: float, says: str) -> None:
    with pytest.raises(UsageError, match=says):
        split(RECIPE, 0, at_s)


def test_half_of_a_song_that_is_left_out_is_left_out_too() -> None:
    text = split(with_kept(RECIPE, 1, keep=False), 1, 100.0)
    assert [song.get("keep", True) for song in songs(text)] == [True, False, False, True]


def test_a_new_song_stands_in_the_order_of_time() -> None:
    text, place = with_new_song(RECIPE, "one", (62.0, 75.0))
    assert place == 1
    assert [song["title"] for song in songs(text)] == ["One", "one 2", "Two", "Three"]
    text, place = with_new_song(RECIPE, "Last", (200.0, 240.0))
    assert place == 3
    assert text.endswith('title = "Last"\nstart = "3:20.0"\nend = "4:00.0"\n')
    bare = RECIPE[: RECIPE.index("[[song]]")]
    text, place = with_new_song(bare, "Only", (0.0, 240.0), "b")
    assert songs(text) == [{"title": "Only", "take": "b", "start": "0:00.0", "end": "4:00.0"}]
    assert place == 0


def test_a_song_that_is_gone_is_said_to_be() -> None:
    with pytest.raises(UsageError, match="no longer lists"):
        with_title(RECIPE, 3, "x")


def test_an_unsure_edge_is_settled_and_nothing_else_changes() -> None:
    assert unsure_songs(RECIPE) == [True, False, False]
    text = with_sure_edges(RECIPE, 0)
    assert text == RECIPE.replace("  # unsure: no count-in was found", "")
    assert unsure_songs(text) == [False, False, False]
    assert with_sure_edges(text, 1) == text
