"""Changes of the recipe: seen, undone, and never lost to somebody else's."""

from __future__ import annotations

from pathlib import Path

import pytest

from morningmix.errors import RecipeError, UsageError
from morningmix.page.changes import Changes
from page.made import RECIPE


@pytest.fixture
def recipe(tmp_path: Path) -> Path:
    path = tmp_path / "recipe.toml"
    path.write_bytes(RECIPE.encode())
    return path


def louder(text: str) -> str:
    return text.replace('name = "kick"', 'name = "kick"\nlevel_db = 2.0')


def test_a_change_shows_the_lines_that_changed_and_is_taken_back(recipe: Path) -> None:
    changes = Changes(recipe)
    change = changes.make("louder", louder)
    assert change is not None
    assert change.lines == [("+", "level_db = 2.0")]
    assert recipe.read_text(encoding="utf-8") == louder(RECIPE)
    assert changes.undo(change.number) == "louder"
    assert recipe.read_bytes() == RECIPE.encode()
    assert changes.made() == []


def test_what_changes_nothing_is_no_change(recipe: Path) -> None:
    changes = Changes(recipe)
    assert changes.make("nothing", lambda text: text) is None
    assert changes.made() == []


def test_what_could_not_be_read_again_is_not_written(recipe: Path) -> None:
    changes = Changes(recipe)
    with pytest.raises(RecipeError, match="line 1"):
        changes.make("broken", lambda text: "recpie = 1\n" + text)
    assert recipe.read_bytes() == RECIPE.encode()
    assert changes.made() == []


def test_an_edit_outside_the_page_is_one_change_more_and_stays_when_an_earlier_one_is_undone(recipe: Path) -> None:
    changes = Changes(recipe)
    first = changes.make("louder", louder)
    assert first is not None
    by_hand = recipe.read_text(encoding="utf-8") + "# hers\n"
    recipe.write_text(by_hand, encoding="utf-8")
    with pytest.raises(UsageError, match="later change"):
        changes.undo(first.number)
    assert recipe.read_text(encoding="utf-8") == by_hand
    outside, mine = changes.made()
    assert (outside.says, outside.lines) == ("Changed outside this page", [("+", "# hers")])
    changes.undo(outside.number)
    changes.undo(mine.number)
    assert recipe.read_bytes() == RECIPE.encode()


def test_changes_of_two_programs_add_up(recipe: Path) -> None:
    changes, other = Changes(recipe), Changes(recipe)
    version = changes.version
    other.make("louder", louder)
    assert changes.version != version
    changes.make("title", lambda text: text + "# mine\n")
    assert recipe.read_text(encoding="utf-8") == louder(RECIPE) + "# mine\n"


def test_without_a_recipe_there_is_nothing_to_change(tmp_path: Path) -> None:
    changes = Changes(tmp_path / "recipe.toml")
    assert (changes.text(), changes.version, changes.made()) == (None, "", [])
    with pytest.raises(UsageError, match="no recipe yet"):
        changes.make("louder", louder)


def test_a_recipe_that_appears_is_no_change_of_somebody_else(recipe: Path) -> None:
    recipe.unlink()
    changes = Changes(recipe)
    changes.text()
    recipe.write_bytes(RECIPE.encode())
    assert changes.made() == []
