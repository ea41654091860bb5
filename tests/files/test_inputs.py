"""The band's input list: found, read, and merged behind the recipe."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest

from morningmix.errors import RecipeError
from morningmix.files.inputs import find_input_list, merge, read_input_list, remembered, spelt_as, wish_of_each
from morningmix.files.recipe import read_recipe
from morningmix.model.recipe import Defaults, InputWish

LIST = """\
[[input]]
file = "input-01.wav"
name = "kick"
role = "kick"

[[input]]
file = ["input-09.wav", "input-10.wav"]
name = "keys"
player = "Mara"
"""


def written(folder: Path, text: str = LIST) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "inputs.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    home = (tmp_path / "outside" / "home").resolve()
    home.mkdir(parents=True)
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.setenv("USERPROFILE", str(home))
    return home


def test_the_nearest_list_wins(home: Path) -> None:
    """Every further place is looked at only once the nearer one has none."""
    tracks, recipe_dir = home / "band" / "cards" / "tracks", home / "band" / "mixes" / "Thursday mix"
    tracks.mkdir(parents=True)
    recipe_dir.mkdir(parents=True)
    assert find_input_list(tracks, recipe_dir) is None
    far_to_near = [home, home / "band", home / "band" / "mixes", home / "band" / "cards", recipe_dir, tracks]
    assert [find_input_list(tracks, recipe_dir) for folder in far_to_near if written(folder)] == [
        folder / "inputs.toml" for folder in far_to_near
    ]


def test_it_is_not_looked_for_above_the_users_home(home: Path) -> None:
    written(home.parent)
    tracks = home / "tracks"
    tracks.mkdir()
    assert find_input_list(tracks, None) is None
    assert find_input_list(home, None) is None


def test_from_another_disk_it_is_looked_for_up_to_the_top(home: Path) -> None:
    path = written(home.parent / "stick")
    tracks = home.parent / "stick" / "2026" / "tracks"
    tracks.mkdir(parents=True)
    assert find_input_list(tracks, None) == path


def test_reading(tmp_path: Path) -> None:
    assert read_input_list(written(tmp_path)) == (
        InputWish(files=("input-01.wav",), name="kick", role="kick"),
        InputWish(files=("input-09.wav", "input-10.wav"), name="keys", player="Mara"),
    )


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('player = "Mara"', "level_db = 2", r'line 9: there is no "level_db" here'),
        ('player = "Mara"', 'playr = "Mara"', r'line 9: there is no "playr" here. Did you mean "player"\?'),
        ('role = "kick"', 'role = "kik"', r'line 4: role "kik" is not known. Did you mean "kick"\?'),
        ('name = "keys"', 'name = "KICK"', r'line 8: the name "KICK" is already used in line 3'),
        ('"input-10.wav"', '"input-01.wav"', r'line 7: the file "input-01.wav" is already used in line 2'),
        ('file = "input-01.wav"', "", r'line 1: "file" is missing'),
        ("[[input]]\n", "recipe = 1\n[[input]]\n", r'line 1: there is no "recipe" here'),
    ],
)
def test_what_is_wrong_is_refused_with_its_line(tmp_path: Path, old: str, new: str, says: str) -> None:
    assert old in LIST
    with pytest.raises(RecipeError, match=rf"^inputs\.toml, {says}"):
        read_input_list(written(tmp_path, LIST.replace(old, new, 1)))


def test_the_recipe_comes_first_field_by_field() -> None:
    in_recipe = [InputWish(files=("1.wav",), name="bass drum", level_db=2.0), InputWish(files=("2.wav",), role="snare")]
    in_list = [
        InputWish(files=("3.wav",), name="keys"),
        InputWish(files=("1.wav",), name="kick", role="kick", player="Jo"),
    ]
    assert merge(in_recipe, in_list) == (
        InputWish(files=("1.wav",), name="bass drum", role="kick", player="Jo", level_db=2.0),
        InputWish(files=("2.wav",), role="snare"),
        InputWish(files=("3.wav",), name="keys"),
    )


@pytest.mark.parametrize(
    ("listed", "files", "meant"),
    [
        (["KICK.WAV"], ["Kick.wav"], ["Kick.wav"]),
        (["Kick.wav"], ["Kick.wav", "kick.wav"], ["Kick.wav"]),
        (["KICK.wav"], ["Kick.wav", "kick.wav"], ["KICK.wav"]),
        (["Kick.wav", "KICK.wav"], ["kick.wav"], ["Kick.wav", "KICK.wav"]),
        (["Kick.wav", "kick.wav"], ["Kick.wav", "KICK.WAV"], ["Kick.wav", "KICK.WAV"]),
        (["Stra\u00dfe.wav"], ["STRASSE.wav"], ["STRASSE.wav"]),
        (["cafe\u0301.wav"], ["caf\u00e9.wav"], ["caf\u00e9.wav"]),
        (["k\u0131ck.wav"], ["kick.wav"], ["k\u0131ck.wav"]),
    ],
)
def test_another_case_counts_only_where_one_file_can_be_meant(
    listed: list[str], files: list[str], meant: list[str]
) -> None:
    spelt = spelt_as([InputWish(files=(name,), role="kick") for name in listed], files)
    assert [wish.files for wish in spelt] == [(name,) for name in meant]
    assert {wish.role for wish in spelt} == {"kick"}


def test_a_file_or_a_name_is_never_used_twice() -> None:
    in_recipe = [InputWish(files=("1.wav", "2.wav")), InputWish(files=("3.wav",), name="Keys")]
    in_list = [InputWish(files=("2.wav",), name="pad"), InputWish(files=("4.wav",), name="keys", role="keys")]
    assert merge(in_recipe, in_list) == (
        InputWish(files=("1.wav", "2.wav"), name="pad"),
        InputWish(files=("3.wav",), name="Keys"),
        InputWish(files=("4.wav",), role="keys"),
    )


def test_merging_with_nothing() -> None:
    wish = InputWish(files=("1.wav",), name="kick")
    assert merge([wish], []) == merge([], [wish]) == (wish,)


@pytest.mark.parametrize("key", [field.name for field in fields(Defaults)])
def test_every_default_reaches_inputs_in_the_recipe_in_the_list_and_in_neither(tmp_path: Path, key: str) -> None:
    value = -3.0 if key == "level_db" else "off"
    path = tmp_path / "recipe.toml"
    said = f'"{value}"' if isinstance(value, str) else value
    path.write_text(f'recipe = 1\n[rehearsal]\ntracks = "raw"\n[defaults]\n{key} = {said}\n[[input]]\nfile = "1.wav"\n')
    recipe = read_recipe(path)
    wishes = merge(recipe.inputs, [InputWish(files=("2.wav",), name="keys", player="Mara")])
    each = wish_of_each([("1.wav",), ("2.wav",), ("3.wav", "4.wav")], wishes, recipe.defaults)
    assert {files: getattr(wish, key) for files, wish in each.items()} == dict.fromkeys(each, value)
    assert [(wish.name, wish.player) for wish in each.values()] == [(None, None), ("keys", "Mara"), (None, None)]


def test_what_an_input_says_itself_beats_the_default() -> None:
    own = InputWish(files=("1.wav",), called="1", level_db=2.0, eq="off")
    assert wish_of_each([("1.wav",)], [own], Defaults(level_db=-3.0, bleed="off")) == {("1.wav",): own}


def wish(file: str, name: str, role: str, player: str | None = None) -> InputWish:
    return InputWish(files=(file,), name=name, role=role, player=player)


def test_what_is_remembered_keeps_the_rest_of_the_list(tmp_path: Path) -> None:
    old = "# ours\n" + LIST.replace('role = "kick"', 'role = "kick"  # the old one')
    text = remembered(old, [wish("input-01.wav", "boom", "kick", "Orla"), wish("input-02.wav", "snare", "snare")])
    assert text == old.replace('name = "kick"', 'name = "boom"').replace(
        "# the old one\n", '# the old one\nplayer = "Orla"\n'
    ) + ('\n[[input]]\nfile = "input-02.wav"\nname = "snare"\nrole = "snare"\n')
    assert len(read_input_list(written(tmp_path, text))) == 3


def test_a_name_that_moved_to_another_file_is_taken_from_the_old_one(tmp_path: Path) -> None:
    text = remembered(LIST, [wish("input-05.wav", "Kick", "kick")])
    assert '# file = "input-01.wav"' in text
    (keys, kick) = read_input_list(written(tmp_path, text))
    assert (keys.name, kick.name) == ("keys", "Kick")


def test_names_may_change_places(tmp_path: Path) -> None:
    first = remembered("", [wish("a.wav", "lead", "lead vocal"), wish("b.wav", "back", "backing vocal")])
    assert first.startswith("# Which file is what")
    text = remembered(first, [wish("a.wav", "back", "backing vocal"), wish("b.wav", "lead", "lead vocal")])
    assert [one.name for one in read_input_list(written(tmp_path, text))] == ["back", "lead"]


def test_a_guess_stays_a_guess(tmp_path: Path) -> None:
    guess = InputWish(files=("a.wav", "b.wav"), name="keys", role="keys", role_is_guess=True)
    (again,) = read_input_list(written(tmp_path, remembered("", [guess])))
    assert (again.files, again.role, again.role_is_guess) == (("a.wav", "b.wav"), "keys", True)
