"""One input's level in a stretch of a song, changed in a recipe's text."""

from __future__ import annotations

import pytest

from morningmix.errors import RecipeError, UsageError
from morningmix.files.move_edit import with_stretch

RECIPE = """recipe = 1
[rehearsal]
tracks = "take"

[[input]]
file = "a.wav"
name = "kick"

[[input]]
file = "b.wav"
name = "bass"

[[song]]
title = "One"  # the fast one
start = "0:10.0"
end = "1:00.0"

[[song.input]]
name = "kick"
level_db = 2  # more

[[song]]
title = "Two"
start = "1:10.0"
end = "2:00.0"
"""
MOVE = """
[[song.move]]
name = "kick"
from = "0:20.0"
to = "0:30.0"
level_db = 3.0
"""
WITH = RECIPE.replace("level_db = 2  # more\n", f"level_db = 2  # more\n{MOVE}")


def test_a_stretch_is_written_into_its_song_and_nothing_else_changes() -> None:
    assert with_stretch(RECIPE, "One", ("KICK", 20.0, 30.0, 3.0)) == WITH


def test_the_same_stretch_again_is_set_and_not_added() -> None:
    assert with_stretch(WITH, "One", ("kick", 20.0, 30.04, -1.5)) == WITH.replace("level_db = 3.0", "level_db = -1.5")


@pytest.mark.parametrize("move", [("bass", 20.0, 30.0, 1.0), ("kick", 20.0, 31.0, 1.0), ("kick", 19.0, 30.0, 1.0)])
def test_another_input_or_another_stretch_is_one_more(move: tuple[str, float, float, float]) -> None:
    text = with_stretch(WITH, "One", move)
    assert text.count("[[song.move]]") == 2
    assert with_stretch(text, "One", (*move[:3], 0.0)) == WITH


def test_as_it_is_takes_the_stretch_out_and_leaves_no_trace() -> None:
    assert with_stretch(WITH, "One", ("kick", 20.0, 30.0, 0.0)) == RECIPE
    assert with_stretch(RECIPE, "One", ("kick", 20.0, 30.0, 0.0)) == RECIPE
    on_windows = RECIPE.replace("\n", "\r\n")
    there = with_stretch(on_windows, "One", ("kick", 20.0, 30.0, 3.0))
    assert there == WITH.replace("\n", "\r\n")
    assert with_stretch(there, "One", ("kick", 20.0, 30.0, 0.0)) == on_windows


def test_what_is_remarked_below_a_stretch_stays() -> None:
    remark = "# 0:12.0 Mara: louder here\n"
    with_remark = WITH.replace("level_db = 3.0\n", f"level_db = 3.0\n{remark}")
    assert with_stretch(with_remark, "One", ("kick", 20.0, 30.0, 0.0)) == RECIPE.replace(
        "level_db = 2  # more\n", f"level_db = 2  # more\n{remark}"
    )


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(UsageError, match="nobody"):
        with_stretch(RECIPE, "One", ("nobody", 20.0, 30.0, 1.0))
    with pytest.raises(UsageError, match="Three"):
        with_stretch(RECIPE, "Three", ("kick", 20.0, 30.0, 1.0))
    with pytest.raises(RecipeError, match="level_db"):
        with_stretch(WITH, "One", ("kick", 20.0, 30.0, 99.0))
