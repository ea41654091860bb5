"""What a recipe says an input is, changed in its text."""

from __future__ import annotations

import pytest

from morningmix.errors import RecipeError, UsageError
from morningmix.files.input_edit import with_guesses_right, with_name, with_player, with_role

RECIPE = """recipe = 1
[rehearsal]
tracks = "take"  # hers
[[input]]
file = "a.wav"
name = "lead vocal"  # loud
role = "lead vocal?"  # a guess: if it is right, remove the ?
[[input]]
file = ["l.wav", "r.wav"]
name = "Keys of Ida"
role = "keys?"
player = "Ida"
level_db = 0.0
[[song]]
title = "Rope"
start = 1
end = 9
[[song.input]]
name = "Lead-Vocal"
level_db = 2
[[song.move]]
name = "lead vocal"
from = 1
to = 2
level_db = -2
"""


def test_a_corrected_role_takes_a_guessed_name_with_it_everywhere() -> None:
    text = with_role(RECIPE, ["a.wav"], "bass")
    expected = RECIPE.replace('name = "lead vocal"  # loud', 'name = "bass"  # loud')
    expected = expected.replace('role = "lead vocal?"  # a guess: if it is right, remove the ?', 'role = "bass"')
    expected = expected.replace('name = "Lead-Vocal"', 'name = "bass"').replace('name = "lead vocal"', 'name = "bass"')
    assert text == expected


def test_a_right_guess_keeps_its_name_and_loses_its_remark() -> None:
    text = with_role(RECIPE, ["a.wav"], "lead vocal")
    assert text == RECIPE.replace('"lead vocal?"  # a guess: if it is right, remove the ?', '"lead vocal"')


def test_a_name_that_somebody_gave_stays() -> None:
    text = with_role(RECIPE, ["r.wav"], "strings")
    assert text == RECIPE.replace('role = "keys?"', 'role = "strings"')


def test_a_name_gets_a_number_where_another_input_has_it() -> None:
    swapped = with_role(RECIPE.replace("Keys of Ida", "keys"), ["a.wav"], "keys")
    assert 'name = "keys 2"  # loud' in swapped
    again = with_role(swapped, ["l.wav"], "lead vocal")
    assert again.count('name = "lead vocal"') == 1
    # The other one is the only one of its kind now, wherever it stands.
    assert again.count('name = "keys"') == 3
    assert "keys 2" not in again


def test_numbered_names_are_the_roles_too() -> None:
    text = RECIPE.replace('"lead vocal"  # loud', '"lead vocal 2"  # loud').replace(
        'name = "Lead-Vocal"', 'name = "Lead Vocal 2"'
    )
    text = text.replace('name = "lead vocal"', 'name = "lead vocal 2"')
    assert with_role(text, ["a.wav"], "tom").count('name = "tom"') == 3


def test_an_unknown_role_is_refused() -> None:
    with pytest.raises(RecipeError, match="kazoo"):
        with_role(RECIPE, ["a.wav"], "kazoo")


def test_all_guesses_are_right_at_once() -> None:
    text = with_guesses_right(RECIPE)
    assert "?" not in text
    assert text.count("Keys of Ida") == 1


def test_a_name_changes_wherever_it_stands() -> None:
    text = with_name(RECIPE, ["a.wav"], '  Mara\'s  "mic" ')
    assert text.count('name = "Mara\'s \\"mic\\""') == 3
    assert "# loud" in text


@pytest.mark.parametrize(("name", "says"), [("keys of-ida", "already"), (" \t", "letter"), ("", "letter")])
def test_a_name_is_refused_that_is_taken_or_empty(name: str, says: str) -> None:
    with pytest.raises(UsageError, match=says):
        with_name(RECIPE, ["a.wav"], name)


def test_a_player_is_named_changed_and_taken_away() -> None:
    text = with_player(RECIPE, ["a.wav"], "Mara")
    assert 'remove the ?\nplayer = "Mara"\n[[input]]' in text
    assert with_player(text, ["a.wav"], " ") == RECIPE
    assert with_player(RECIPE, ["l.wav"], "Bo") == RECIPE.replace('"Ida"', '"Bo"')


def test_an_input_that_the_recipe_does_not_list_is_listed() -> None:
    text = with_role(RECIPE, ["kick.wav"], "kick")
    at = text.index('\n[[input]]\nfile = "kick.wav"\nrole = "kick"\n')
    assert text.index("level_db = 0.0") < at < text.index("[[song]]")
    named = with_name(text, ["kick.wav"], "boom")
    assert 'file = "kick.wav"\nrole = "kick"\nname = "boom"\n' in named


def test_line_breaks_stay_as_they_are() -> None:
    text = with_player(RECIPE.replace("\n", "\r\n"), ["a.wav"], "Mara")
    assert text == with_player(RECIPE, ["a.wav"], "Mara").replace("\n", "\r\n")
