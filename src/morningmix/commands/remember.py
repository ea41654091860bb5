"""Remember this rehearsal's names, roles and players for the next one, in the band's input list."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from morningmix.files.inputs import FILE_NAME, find_input_list, remembered
from morningmix.files.recipe import read_recipe
from morningmix.model.input import Input
from morningmix.model.recipe import InputWish
from morningmix.storage.home import refuse_link
from morningmix.storage.text import read_text, write_text_whole


def remember(recipe_file: Path, inputs: Sequence[Input]) -> Path:
    """Write the input list: the one that counts now, or a new one in the folder above the tracks. Returns its path.

    Never among the raw tracks: a list there stays as it is. Raises `RecipeError` and `OutputError`.
    """
    recipe = read_recipe(recipe_file)
    found = find_input_list(recipe.tracks, recipe_file.parent)
    path = recipe.tracks.parent / FILE_NAME if found is None or found.parent.samefile(recipe.tracks) else found
    refuse_link(path)
    text = read_text(path) if path.exists() else ""
    write_text_whole(path, remembered(text, [_wish(input_, recipe.inputs) for input_ in inputs]))
    return path


def _wish(input_: Input, listed: Sequence[InputWish]) -> InputWish:
    """The input as the recipe calls it, else as it is called now."""
    files = input_.facts.files
    wish = next((one for one in listed if set(one.files) & set(files)), InputWish(files=files))
    has_role = wish.role is not None
    return InputWish(
        files=files,
        name=wish.called or input_.name,
        role=wish.role if has_role else input_.role,
        role_is_guess=wish.role_is_guess if has_role else input_.role_is_guess,
        player=wish.player or input_.wish.player,
    )
