"""What a band teaches once: found, read, and filled in behind the recipe."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path

import pytest

from morningmix.errors import RecipeError
from morningmix.files.band import BAND, INPUT_LIST, found_files, read_band, spelt_as
from morningmix.files.recipe import read_recipe, wish_of_each, wishes_in
from morningmix.model.band import Band, SetListSong, Usual, UsualInput
from morningmix.model.recipe import Defaults, FamilyWish, InputWish

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
TAUGHT = """\
# ours
band = 1
name = "The Shed Four"

[[input]]
file = "input-01.wav"
name = "kick"
role = "kick"
level_db = 2.0
bleed = "off"

[[family]]
name = "drums"
room_db = 3.0
low_db = -1.0

[[song]]
title = "Copper Rain Gauge"
tempo_bpm = 104

[[song]]
title = "Tin Roof"
"""
RECIPE = 'recipe = 1\n[rehearsal]\ntracks = "raw"\n'


def written(folder: Path, text: str, name: str) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    home = (tmp_path / "outside" / "home").resolve()
    home.mkdir(parents=True)
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.setenv("USERPROFILE", str(home))
    return home


# ---------------------------------------------------------------- which file counts


@pytest.mark.parametrize(("name", "which"), [(BAND, 0), (INPUT_LIST, 1)])
def test_the_nearest_file_counts(home: Path, name: str, which: int) -> None:
    """Every further place is looked at only once the nearer one has none."""
    tracks, recipe_dir = home / "band" / "cards" / "tracks", home / "band" / "mixes" / "Thursday mix"
    tracks.mkdir(parents=True)
    recipe_dir.mkdir(parents=True)
    assert found_files(tracks, recipe_dir) == (None, None)
    far_to_near = [home, home / "band", home / "band" / "mixes", home / "band" / "cards", recipe_dir, tracks]
    assert [found_files(tracks, recipe_dir)[which] for folder in far_to_near if written(folder, "", name)] == [
        folder / name for folder in far_to_near
    ]


def test_it_is_not_looked_for_above_the_users_home(home: Path) -> None:
    written(home.parent, TAUGHT, BAND)
    tracks = home / "tracks"
    tracks.mkdir()
    assert found_files(tracks, None) == found_files(home, None) == (None, None)
    assert read_band(tracks, None) == Band()


def test_from_another_disk_it_is_looked_for_up_to_the_top(home: Path) -> None:
    path = written(home.parent / "stick", TAUGHT, BAND)
    tracks = home.parent / "stick" / "2026" / "tracks"
    tracks.mkdir(parents=True)
    assert read_band(tracks, None).path == path


def test_a_folder_above_that_nobody_may_look_into_holds_nothing(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tracks = home / "band" / "tracks"
    tracks.mkdir(parents=True)
    path = written(home, TAUGHT, BAND)
    is_file = Path.is_file

    def refused(self: Path) -> bool:
        if self.parent == home / "band":
            raise PermissionError(13, "Permission denied")
        return is_file(self)

    monkeypatch.setattr(Path, "is_file", refused)
    assert found_files(tracks, None) == (path, None)


def named(band: Band) -> list[tuple[tuple[str, ...], dict[str, object]]]:
    return [(one.files, {each.key: each.value for each in one.settings}) for one in band.inputs]


def test_of_both_files_the_nearer_one_names_the_inputs(home: Path) -> None:
    tracks = home / "band" / "2026" / "tracks"
    band_file, far = written(home / "band", TAUGHT, BAND), written(home, LIST, INPUT_LIST)
    tracks.mkdir(parents=True)
    alone = read_band(tracks, None)
    assert (alone.path, alone.input_list) == (band_file, None)
    near = written(home / "band", LIST, INPUT_LIST)
    assert read_band(tracks, None) == alone
    near = near.rename(tracks / INPUT_LIST)
    near.write_text(LIST.replace('name = "kick"', 'name = "boom"'))
    both = read_band(tracks, None)
    assert (both.path, both.input_list, both.families, both.songs) == (band_file, near, alone.families, alone.songs)
    assert named(both) == [
        (("input-01.wav",), {"name": "boom", "role": "kick", "level_db": 2.0, "bleed": "off"}),
        (("input-09.wav", "input-10.wav"), {"name": "keys", "player": "Mara"}),
    ]
    assert [(one.file, one.line) for one in both.of_input(["input-01.wav"])] == [
        (INPUT_LIST, 3),
        (INPUT_LIST, 4),
        (BAND, 9),
        (BAND, 10),
    ]
    near.write_text("")
    assert named(read_band(tracks, None)) == [(("input-01.wav",), {"level_db": 2.0, "bleed": "off"})]
    band_file.unlink()
    far.unlink()
    near.write_text(LIST)
    assert read_band(tracks, None).path is None


# ---------------------------------------------------------------- reading


def test_reading(tmp_path: Path) -> None:
    path = written(tmp_path, TAUGHT, BAND)
    band = read_band(tmp_path, None)
    assert (band.path, band.input_list, band.name) == (path.resolve(), None, "The Shed Four")
    assert band.of_input(["x.wav", "input-01.wav"]) == tuple(
        Usual(key=key, value=value, whose="this input", file=BAND, line=line)
        for key, value, line in (("name", "kick", 7), ("role", "kick", 8), ("level_db", 2.0, 9), ("bleed", "off", 10))
    )
    assert band.of_family("drums") == tuple(
        Usual(key=key, value=value, whose="the drums", file=BAND, line=line)
        for key, value, line in (("room_db", 3.0, 14), ("low_db", -1.0, 15))
    )
    assert band.of_family("bass") == band.of_input(["input-09.wav"]) == ()
    assert band.songs == (SetListSong(title="Copper Rain Gauge", tempo_bpm=104.0), SetListSong(title="Tin Roof"))
    titles = ("copper rain gauge", "Copper Rain Gauge?", "Tin Roof", "Song 1")
    assert [band.tempo_of(title) for title in titles] == [104.0, 104.0, None, None]


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
def test_what_is_wrong_in_an_input_list_is_refused_with_its_line(tmp_path: Path, old: str, new: str, says: str) -> None:
    assert old in LIST
    written(tmp_path, LIST.replace(old, new, 1), INPUT_LIST)
    with pytest.raises(RecipeError, match=rf"^inputs\.toml, {says}"):
        read_band(tmp_path, None)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("band = 1\n", "\n", r'line 1: "band" is missing here'),
        ("band = 1", "band = 2", r"line 2: this file is from a newer version of morningmix \(band = 2\)"),
        ("# ours\nband = 1", 'colour = "red"\nband = 3', r"line 2: this file is from a newer version"),
        ("band = 1", "band = 0", r"line 2: band must be 1, not 0"),
        ("band = 1", 'band = "1"', r'line 2: band must be a whole number, not "1"'),
        ("name = ", "nme = ", r'line 3: there is no "nme" here. Did you mean "name"\?'),
        ('"The Shed Four"', '" "', r"line 3: name must not be empty"),
        ("level_db = 2.0", "level_db = 25", r"line 9: level_db must lie between -60 and \+24, not 25"),
        ("level_db = 2.0", "levl_db = 2", r'line 9: there is no "levl_db" here. Did you mean "level_db"\?'),
        ('role = "kick"', 'role = "kik"', r'line 8: role "kik" is not known'),
        ('"drums"', '"drum"', r'line 13: name "drum" is not a family. Did you mean "drums"'),
        (
            "[[song]]\n",
            '[[family]]\nname = "drums"\n[[song]]\n',
            r'line 18: the family "drums" is already used in line 13',
        ),
        ('"Tin Roof"', '"copper-rain gauge"', r'line 22: the title "copper-rain gauge" is already used in line 18'),
        ('title = "Tin Roof"', "", r'line 21: "title" is missing here'),
        ("tempo_bpm = 104", "tempo_bpm = 500", r"line 19: tempo_bpm must lie between \+20 and \+400, not 500"),
        ("tempo_bpm = 104", 'start = "0:00"', r'line 19: there is no "start" here'),
        ("[[song]]", "[song]", r"line \d+"),
    ],
)
def test_what_is_wrong_in_a_band_toml_is_refused_with_its_line(tmp_path: Path, old: str, new: str, says: str) -> None:
    assert old in TAUGHT
    written(tmp_path, TAUGHT.replace(old, new, 1), BAND)
    with pytest.raises(RecipeError, match=rf"^band\.toml, {says}"):
        read_band(tmp_path, None)


def test_a_set_list_of_two_hundred_songs(tmp_path: Path) -> None:
    written(tmp_path, "band = 1\n" + "".join(f'[[song]]\ntitle = "No. {at}"\n' for at in range(200)), BAND)
    assert [song.title for song in read_band(tmp_path, None).songs] == [f"No. {at}" for at in range(200)]


# ---------------------------------------------------------------- behind the recipe


def recipe_with(tmp_path: Path, band: str, recipe: str, name: str = BAND) -> list[InputWish]:
    written(tmp_path, band, name)
    return list(read_recipe(written(tmp_path / "Thursday mix", RECIPE + recipe, "recipe.toml")).inputs)


KICK = '[[input]]\nfile = "input-01.wav"\n'


@pytest.mark.parametrize(
    ("recipe", "level_db", "bleed", "usual"),
    [
        ("", 2.0, "off", {"name", "role", "level_db", "bleed"}),
        ("level_db = 0", 0.0, "off", {"name", "role", "bleed"}),
        ('level_db = -1.5\nbleed = "full"', -1.5, "full", {"name", "role"}),
    ],
)
def test_a_key_that_the_recipe_sets_counts_also_where_it_is_zero(
    tmp_path: Path, recipe: str, level_db: float, bleed: str, usual: set[str]
) -> None:
    defaults = '[defaults]\nlevel_db = 9\nbleed = "mask"\neq = "off"\n'
    (kick,) = recipe_with(tmp_path, TAUGHT, defaults + KICK + recipe)
    assert (kick.level_db, kick.bleed, kick.eq) == (level_db, bleed, "off")
    assert (kick.name, kick.role, kick.called) == ("kick", "kick", "input-01")
    assert {one.key for one in kick.usual} == usual


def test_every_key_of_an_input_can_be_usual(tmp_path: Path) -> None:
    usual = (
        'name = "boom"\nrole = "tom?"\nplayer = "Jo"\nlevel_db = 1\nlow_db = 2\nhigh_db = 3\nroom_db = 4\npan = 0.5\n'
        "mute = true\nflip = true\ndelay_ms = 6\nhigh_pass_hz = 70\n"
        'bleed = "gate"\ncompress = "off"\neq = "off"\nhigh_pass = "off"\nalign = "off"\n'
        'repair = "off"\nfeedback = "off"\n'
    )
    (from_band,) = recipe_with(tmp_path / "band", "band = 1\n" + KICK + usual, KICK)
    (from_recipe,) = recipe_with(tmp_path / "recipe", "band = 1\n", KICK + usual)
    ours = {field.name for field in fields(InputWish)} - {"usual", "called"}
    assert {name: getattr(from_band, name) for name in ours} == {name: getattr(from_recipe, name) for name in ours}
    assert from_band.role_is_guess
    assert (len(from_band.usual), from_recipe.usual) == (19, ())


def test_families_are_filled_key_by_key(tmp_path: Path) -> None:
    written(tmp_path, TAUGHT + '[[family]]\nname = "vocals"\nhigh_db = 1\n', BAND)
    path = written(tmp_path / "mix", RECIPE + '[[family]]\nname = "drums"\nlow_db = 0\nlevel_db = 1\n', "recipe.toml")
    recipe = read_recipe(path)
    assert [(one.name, one.level_db, one.low_db, one.high_db, one.room_db) for one in recipe.families] == [
        ("drums", 1.0, 0.0, 0.0, 3.0),
        ("vocals", 0.0, 0.0, 1.0, 0.0),
    ]
    assert [[(one.key, one.whose) for one in family.usual] for family in recipe.families] == [
        [("room_db", "the drums")],
        [("high_db", "the vocals")],
    ]
    (tmp_path / BAND).unlink()
    assert read_recipe(path).families == (FamilyWish(name="drums", level_db=1.0),)


def test_the_bands_name_is_the_recipes_or_the_usual_one(tmp_path: Path) -> None:
    written(tmp_path, TAUGHT, BAND)
    path = written(tmp_path / "mix", RECIPE, "recipe.toml")
    assert read_recipe(path).band == "The Shed Four"
    path.write_text(RECIPE + 'band = "Trio"\n')
    assert read_recipe(path).band == "Trio"


def test_a_file_or_a_name_is_never_used_twice(tmp_path: Path) -> None:
    listed = '[[input]]\nfile = "2.wav"\nname = "pad"\n[[input]]\nfile = "4.wav"\nname = "keys"\nrole = "keys"\n'
    recipe = '[[input]]\nfile = ["1.wav", "2.wav"]\n[[input]]\nfile = "3.wav"\nname = "Keys"\n'
    written(tmp_path, listed, INPUT_LIST)
    read = read_recipe(written(tmp_path / "mix", RECIPE + recipe, "recipe.toml"))
    wishes = wishes_in(read, read.usual, ["1.wav", "2.wav", "3.wav", "4.wav", "5.wav"])
    assert [(wish.files, wish.name, wish.role) for wish in wishes] == [
        (("1.wav", "2.wav"), "pad", None),
        (("3.wav",), "Keys", None),
        (("4.wav",), None, "keys"),
    ]


def band(*files: str) -> Band:
    role = Usual(key="role", value="kick", whose="this input", file=BAND, line=2)
    return Band(inputs=tuple(UsualInput(files=(name,), settings=(role,)) for name in files))


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
    spelt = spelt_as(band(*listed), files)
    assert spelt == band(*meant)


def test_nothing_is_usual_without_either_file(tmp_path: Path) -> None:
    (kick,) = recipe_with(tmp_path, "", KICK, "notes.txt")
    assert kick == InputWish(files=("input-01.wav",), called="input-01")


def each_of(recipe: str, inputs: Sequence[tuple[str, ...]], tmp_path: Path) -> dict[tuple[str, ...], InputWish]:
    read = read_recipe(written(tmp_path / "mix", RECIPE + recipe, "recipe.toml"))
    wishes = wishes_in(read, read.usual, [name for files in inputs for name in files])
    return wish_of_each(inputs, wishes, read.defaults)


@pytest.mark.parametrize("key", [field.name for field in fields(Defaults)])
def test_every_default_reaches_inputs_in_the_recipe_in_the_list_and_in_neither(tmp_path: Path, key: str) -> None:
    value = -3.0 if key == "level_db" else "off"
    said = f'"{value}"' if isinstance(value, str) else value
    written(tmp_path, '[[input]]\nfile = "2.wav"\nname = "keys"\nplayer = "Mara"\n', INPUT_LIST)
    recipe = f'[defaults]\n{key} = {said}\n[[input]]\nfile = "1.wav"\n'
    each = each_of(recipe, [("1.wav",), ("2.wav",), ("3.wav", "4.wav")], tmp_path)
    assert {files: getattr(wish, key) for files, wish in each.items()} == dict.fromkeys(each, value)
    assert [(wish.name, wish.player) for wish in each.values()] == [(None, None), ("keys", "Mara"), (None, None)]


def test_what_an_input_or_the_band_says_beats_the_default(tmp_path: Path) -> None:
    usual = '[[input]]\nfile = "2.wav"\nlevel_db = 1\n'
    written(tmp_path, f"band = 1\n{usual}", BAND)
    recipe = '[defaults]\nlevel_db = -3\nbleed = "off"\n[[input]]\nfile = "1.wav"\nlevel_db = 2\neq = "off"\n'
    one, two = each_of(recipe, [("1.wav",), ("2.wav",)], tmp_path).values()
    assert (one.level_db, one.bleed, one.eq) == (2.0, "off", "off")
    assert (two.level_db, two.bleed, two.eq) == (1.0, "off", "auto")
