"""The recipe of a new rehearsal."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from files.made import written
from morningmix.errors import RecordingsError
from morningmix.files.new_recipe import InputLine, new_recipe
from morningmix.files.presets import load_roles
from morningmix.files.recipe import read_recipe
from morningmix.model.names import plain

word = st.text(st.characters(codec="utf-8"), min_size=1, max_size=12)
file_name = word.filter(lambda name: name not in (".", "..") and Path(name).name == name and "\0" not in name)


@given(
    title=word.filter(lambda text: plain(text) != ""),
    files=st.lists(file_name, unique=True, min_size=1, max_size=6),
    note=st.none() | word,
    player=st.none() | word,
    guessed=st.booleans(),
    role=st.sampled_from([None, *load_roles()]),
)
@settings(max_examples=100, deadline=None)
def test_a_generated_recipe_reads_as_what_it_was_made_from(
    tmp_path_factory: pytest.TempPathFactory,
    title: str,
    files: list[str],
    note: str | None,
    player: str | None,
    guessed: bool,
    role: str | None,
) -> None:
    lines = [
        InputLine(files=(name,), name=f"input {at}", role=role, player=player, guessed=guessed, note=note)
        for at, name in enumerate(files)
    ]
    path = written(tmp_path_factory.mktemp("r"), new_recipe(tracks="../raw", title=title, inputs=lines))
    recipe = read_recipe(path)
    assert recipe.title == title
    assert recipe.tracks == path.resolve().parent.parent / "raw"
    assert [(wish.files, wish.name, wish.role, wish.player) for wish in recipe.inputs] == [
        (line.files, line.name, line.role, line.player) for line in lines
    ]


def test_a_generated_recipe_says_what_is_a_guess_and_what_is_empty() -> None:
    text = new_recipe(
        tracks="../raw",
        title="Thursday",
        inputs=[
            InputLine(files=("1.wav",), name="kick", role="kick"),
            InputLine(files=("2.wav", "3.wav"), name="keys", role="keys", guessed=True, player="Mara"),
            InputLine(files=("4.wav",), name="4", role=None, note="nothing was recorded here"),
        ],
    )
    assert 'role = "kick"\n' in text
    assert 'file = ["2.wav", "3.wav"]\nname = "keys"\nrole = "keys?"  # a guess' in text
    assert 'player = "Mara"\n' in text
    assert 'file = "4.wav"  # nothing was recorded here\nname = "4"\n' in text
    assert max(map(len, text.splitlines())) <= 120


@pytest.mark.skipif(sys.platform == "win32", reason="file names are always text there")
def test_a_file_name_that_is_not_text_is_shown_escaped() -> None:
    name = os.fsdecode(b"caf\xe9.wav")
    with pytest.raises(RecordingsError, match=r"not UTF-8 text. Rename the file"):
        new_recipe(tracks="raw", title="x", inputs=[InputLine(files=(name,), name="x", role="kick")])
