"""Recipes: read with every complaint at its line, generated, and edited without touching anything else."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from files.made import RECIPE, changed, written
from morningmix.errors import RecipeError
from morningmix.files.recipe import read_recipe
from morningmix.files.recipe_edit import turn
from morningmix.files.recipe_tables import parse_time
from morningmix.model.recipe import Defaults, FamilyWish, MoveWish, SongInputWish


def line_of(text: str, part: str) -> int:
    return text[: text.index(part)].count("\n") + 1


def test_a_whole_recipe(tmp_path: Path) -> None:
    recipe = read_recipe(written(tmp_path, RECIPE))
    assert recipe.path == (tmp_path / "recipe.toml").resolve()
    assert recipe.tracks == (tmp_path / "card" / "2026-11-19").resolve()
    assert recipe.title == "Thursday"
    assert recipe.target.loudness_lufs.value == -16.0
    assert recipe.defaults == Defaults()
    vocal, keys = recipe.inputs
    assert (vocal.files, vocal.name, vocal.role, vocal.player) == (
        ("input-07.wav",),
        "lead vocal",
        "lead vocal",
        "Mara",
    )
    assert (vocal.level_db, vocal.pan, vocal.mute) == (1.5, None, False)
    assert (keys.files, keys.role, keys.level_db) == (("input-09.wav", "input-10.wav"), "keys", 0.0)
    first, second = recipe.songs
    assert (first.title, first.start_s, first.end_s, first.keep) == ("Copper Rain Gauge", 192.0, 465.5, True)
    assert first.inputs == (SongInputWish(name="lead vocal", level_db=2.0),)
    assert first.moves == (MoveWish(name="lead vocal", from_s=130.0, to_s=160.0, level_db=2.0),)
    assert (second.start_s, second.end_s) == (600.0, 3723.5)


def test_tone_room_and_families(tmp_path: Path) -> None:
    text = changed("level_db = 1.5", "low_db = -2\nhigh_db = 1.5\nroom_db = 3")
    text = changed("level_db = 2\n", "level_db = 2\nroom_db = -12\nhigh_db = 6\n", text)
    text = changed("\n[[song]]\n", '\n[[family]]\nname = "Drums"\nlow_db = 2\n\n[[song]]\n', text)
    text = changed("[[song.move]]", '[[song.family]]\nname = "bass"\nlevel_db = -1\n\n[[song.move]]', text)
    recipe = read_recipe(written(tmp_path, text))
    vocal, keys = recipe.inputs
    assert (vocal.level_db, vocal.low_db, vocal.high_db, vocal.room_db) == (0.0, -2.0, 1.5, 3.0)
    assert (keys.low_db, keys.high_db, keys.room_db) == (0.0, 0.0, 0.0)
    assert recipe.families == (FamilyWish(name="drums", low_db=2.0),)
    first, second = recipe.songs
    assert first.inputs == (SongInputWish(name="lead vocal", level_db=2.0, high_db=6.0, room_db=-12.0),)
    assert (first.families, second.families) == ((FamilyWish(name="bass", level_db=-1.0),), ())


def test_the_smallest_recipe(tmp_path: Path) -> None:
    recipe = read_recipe(written(tmp_path, 'recipe = 1\n[rehearsal]\ntracks = "raw"'))
    assert (recipe.title, recipe.inputs, recipe.songs, recipe.target.name) == ("raw", (), (), "demo")


def test_songs_know_an_input_without_a_name_by_its_file(tmp_path: Path) -> None:
    text = (
        changed('name = "lead vocal"\nrole', "role")
        .replace('"Lead-Vocal"', '"INPUT 07"')
        .replace('"lead vocal"\nfrom', '"input_07"\nfrom')
    )
    recipe = read_recipe(written(tmp_path, text))
    song = recipe.songs[0]
    assert [wish.called for wish in recipe.inputs] == ["input-07", "keys"]
    assert [wish.name for wish in (*song.inputs, *song.moves)] == ["input-07", "input-07"]


def test_defaults_count_for_every_input_that_says_nothing_else(tmp_path: Path) -> None:
    text = changed("[defaults]\n", '[defaults]\nbleed = "off"\nlevel_db = -3\neq = "off"\n')
    vocal, keys = read_recipe(written(tmp_path, changed('role = "Keys"', 'role = "Keys"\neq = "auto"', text))).inputs
    assert (vocal.level_db, vocal.bleed, vocal.eq, vocal.compress) == (1.5, "off", "off", "auto")
    assert (keys.level_db, keys.bleed, keys.eq) == (-3.0, "off", "auto")
    text = changed("[defaults]\n", '[defaults]\nrepair = "off"\n')
    vocal, keys = read_recipe(
        written(tmp_path, changed('role = "Keys"', 'role = "Keys"\nrepair = "auto"', text))
    ).inputs
    assert (vocal.repair, keys.repair) == ("off", "auto")


def test_the_recipes_own_target_numbers_win(tmp_path: Path) -> None:
    text = changed("# loudness_lufs = -16.0", "loudness_lufs = -18\nceiling_dbtp = -2.5", changed("demo", "loud"))
    target = read_recipe(written(tmp_path, text)).target
    assert (target.name, target.loudness_lufs.value, target.loudness_lufs.source) == ("loud", -18.0, "recipe")
    assert (target.ceiling_dbtp.value, target.ceiling_dbtp.source) == (-2.5, "recipe")
    assert target.max_limiting_db.source != "recipe"


def test_windows_line_breaks_and_byte_order_marks_are_fine(tmp_path: Path) -> None:
    unix = read_recipe(written(tmp_path, RECIPE))
    assert read_recipe(written(tmp_path, "\ufeff" + RECIPE.replace("\n", "\r\n"))) == unix


REFUSED = [
    ("level_db = 1.5", "levle_db = 1.5", r'there is no "levle_db" here. Did you mean "level_db"\?'),
    ('title = "Thursday"', 'titel = "Thursday"', r'no "titel" here. Did you mean "title"\?'),
    ('from = "2:10"', 'form = "2:10"', r'no "form" here. Did you mean "from"\?'),
    ("[target]", "[traget]", r'no "traget" here. Did you mean "target"\?'),
    ("# the last line", "from = 3", 'no "from" here'),
    ("recipe = 1", "recipe = 2", "recipe must be 1, not 2"),
    ("recipe = 1", "recipe = true", "recipe must be a whole number, not true"),
    ("level_db = 1.5", "level_db = 99", r"level_db must lie between -60 and \+24, not 99"),
    ("level_db = 1.5", "level_db = -60.1", "level_db must lie between"),
    ("level_db = 1.5", "level_db = nan", "level_db must be a number"),
    ("level_db = 1.5", "level_db = inf", "level_db must be a number"),
    ("level_db = 1.5", 'level_db = "1.5"', 'level_db must be a number without quotes, not "1.5"'),
    ("level_db = 1.5", "level_db = true", "level_db must be a number"),
    ("level_db = 1.5", "level_db = [1]", "level_db must be a number"),
    ("level_db = 1.5", f"level_db = {10**400}", "level_db"),
    ("level_db = 1.5", "low_db = 6.1", r"low_db must lie between -6 and \+6, not 6.1"),
    ("level_db = 1.5", "high_db = -7", r"high_db must lie between -6 and \+6, not -7"),
    ("level_db = 1.5", "room_db = 12.5", r"room_db must lie between -12 and \+12, not 12.5"),
    ("level_db = 1.5", 'room_db = "3"', 'room_db must be a number without quotes, not "3"'),
    ("level_db = 1.5", "hihg_db = 2", r'there is no "hihg_db" here. Did you mean "high_db"\?'),
    ("level_db = 2", "low_db = 9", "low_db must lie between"),
    ("[defaults]", "[defaults]\nlow_db = 1", 'there is no "low_db" here'),
    (
        "[[song.move]]",
        '[[song.family]]\nname = "guitar"\n[[song.move]]',
        r'"guitar" is not a family. .* mean "guitars"\?',
    ),
    (
        "[[song]]",
        '[[family]]\nname = "xyz"\n[[song]]',
        'name "xyz" is not a family. The families are: drums, .*extras.$',
    ),
    ("[[song]]", '[[family]]\nname = ""\n[[song]]', 'name "" is not a family'),
    ("[[song]]", "[[family]]\nroom_db = 2\n[[song]]", '"name" is missing here'),
    ("[[song]]", '[[family]]\nname = "bass"\nlow_db = 7\n[[song]]', "low_db must lie between"),
    ("[[song]]", '[[family]]\nname = "bass"\npan = 0\n[[song]]', 'there is no "pan" here'),
    (
        "[[song]]",
        '[[family]]\nname = "bass"\n[[family]]\nname = "Bass"\n[[song]]',
        'the family "bass" is already used in line 29',
    ),
    ("level_db = 1.5", "pan = 1.01", r"pan must lie between -1 and \+1"),
    ("level_db = 1.5", "mute = 1", "mute must be true or false"),
    ("level_db = 1.5", 'bleed = "most"', 'bleed must be "full", "mask", "gate" or "off", not "most"'),
    ("level_db = 1.5", 'compress = "of"', r'compress must be "auto" or "off", not "of". Did you mean "off"\?'),
    ("level_db = 1.5", 'repair = "of"', r'repair must be "auto" or "off", not "of". Did you mean "off"\?'),
    ("level_db = 1.5", 'repiar = "off"', r'there is no "repiar" here. Did you mean "repair"\?'),
    ("level_db = 1.5", "delay_ms = 1e9", "delay_ms must lie between"),
    ('role = "lead vocal"', 'role = "leed vocal"', r'role "leed vocal" is not known. Did you mean "lead vocal"\?'),
    ('role = "lead vocal"', 'role = "vox"', r'role "vox" is not known. Did you mean "lead vocal" or "backing vocal"\?'),
    (
        'role = "lead vocal"',
        'role = "Singer"',
        r'"Singer" is not known. Did you mean "lead vocal" or "backing vocal"\?',
    ),
    ('role = "lead vocal"', 'role = "mics"', r'"mics" is not known. Did you mean "lead vocal" or "backing vocal"\?'),
    ('role = "lead vocal"', 'role = "guitar"', r'Did you mean "acoustic guitar" or "electric guitar"\?'),
    ('role = "lead vocal"', 'role = "guitars?"', r'Did you mean "acoustic guitar" or "electric guitar"\?'),
    ('role = "lead vocal"', 'role = "horns"', r'"horns" is not known. Did you mean "brass"\?'),
    ('role = "lead vocal"', 'role = "xyzzy"', r'role "xyzzy" is not known. The roles are: .*"?kick.*\.$'),
    ('name = "keys"', 'name = "Lead-Vocal"', r'name "Lead-Vocal" is already used in line 16'),
    ('name = "keys"', 'name = " "', "name must not be empty"),
    ('"input-09.wav"', '"input-07.wav"', "file .* is already used in line 15"),
    ('"input-07.wav"', '"../secret.wav"', "plain name of a file"),
    ('"input-07.wav"', '"/etc/passwd"', "plain name of a file"),
    ('"input-07.wav"', '".."', "plain name of a file"),
    ('"input-07.wav"', '""', "plain name of a file"),
    ('"input-07.wav"', '"a\\u0000b"', "plain name of a file"),
    ('"input-07.wav"', "7", "file must be a file name"),
    ('["input-09.wav", "input-10.wav"]', '["input-09.wav"]', "one file name or two"),
    ('["input-09.wav", "input-10.wav"]', '["a", "b", "c"]', "one file name or two"),
    ('["input-09.wav", "input-10.wav"]', '["a", "a"]', "two different files"),
    ('["input-09.wav", "input-10.wav"]', '["a", 3]', "file must be"),
    ('file = "input-07.wav"', "# no file", '"file" is missing here'),
    ('start = "3:12.0"', 'start = "3:72.0"', 'start must be a time such as "3:12.0"'),
    ('start = "3:12.0"', "start = 00:03:12", "in quotes, not 00:03:12"),
    ('start = "3:12.0"', "start = -1", "start must be a time"),
    ('end = "7:45.5"', 'end = "3:12.0"', '"Copper Rain Gauge" must end after it starts'),
    ('to = "2:40"', 'to = "2:10"', "a move must end after it starts"),
    ('from = "2:10"\nto = "2:40"', 'from = "4:40"\nto = "4:50"', "has ended by then"),
    ('name = "Lead-Vocal"', 'name = "Led Vocal"', r'no input is called "Led Vocal". Did you mean "lead vocal"\?'),
    ("[[song.move]]", '[[song.input]]\nname = "lead vocal"\n\n[[song.move]]', "already used in line 35"),
    ('preset = "demo"', 'preset = "dmeo"', r'no target "dmeo". Did you mean "demo"\? The targets are: "demo", "loud"'),
    ('preset = "demo"', "loudness_lufs = -41", r"loudness_lufs must lie between -40 and -8"),
    ('preset = "demo"', "ceiling_dbtp = 0.1", r"ceiling_dbtp must lie between -9 and \+0"),
    ('tracks = "card/2026-11-19"', "# none", '"tracks" is missing here'),
    ('tracks = "card/2026-11-19"', 'tracks = ""', "tracks must name the folder"),
    ('tracks = "card/2026-11-19"', "tracks = 4", "tracks must be text in quotes"),
    ("[[song]]", "[song]", r"with \[single\] where \[\[double\]\]"),
    ("[target]", "[[target]]", r"target must be a table that starts with its own line \[target\]"),
    ("[[song.move]]", "[song.move]", r"move needs double brackets around each of its headings: \[\[song.move\]\]"),
    ('title = "Thursday"', "title = Thursday", "Text and times need quotes"),
    ('start = "3:12.0"', "start = 3:12.0", "Text and times need quotes"),
    ("level_db = 1.5", "level_db = 1,5", "numbers a dot"),
    ('player = "Mara"', 'name = "again"', "overwrite"),
    ("preset", "preset.name", r'"preset.name" has a dot. Write a line \[preset\]'),
    ('player = "Mara"', 'player = { name = "Mara" }', "curly brackets are not used here"),
    ('player = "Mara"', "a." * 300 + "a = 1", "this line is too long. Write one key and its value per line"),
]


@pytest.mark.parametrize(("old", "new", "says"), REFUSED, ids=[new[:40] for _, new, _ in REFUSED])
def test_what_is_wrong_is_refused_with_its_line(tmp_path: Path, old: str, new: str, says: str) -> None:
    text = changed(old, new)
    with pytest.raises(RecipeError, match=says) as caught:
        read_recipe(written(tmp_path, text))
    message = str(caught.value)
    assert message.startswith("recipe.toml, line ")
    assert "\n" not in message
    assert caught.value.exit_code == 3


def test_quoted_text_and_comments_may_be_long(tmp_path: Path) -> None:
    title = "a. " * 300 + "it's"
    text = changed('title = "Thursday"', f'title = "{title}" # {title}')
    assert read_recipe(written(tmp_path, text)).title == title


@pytest.mark.parametrize(
    ("old", "new", "at"),
    [
        ("level_db = 1.5", "levle_db = 1.5", "levle_db"),
        ('role = "Keys"', 'role = "xyzzy"', 'role = "xyzzy"'),
        ('["input-09.wav", "input-10.wav"]', '[\n  "a",\n  "b", # c\n  "c",\n]', "file = [\n"),
        ('name = "keys"', "name = '''\nkeys''' # x\nbroken = 1", "broken"),
        ('end = "7:45.5"', 'end = "1"', 'end = "1"'),
        ('file = "input-07.wav"', "# no file", "[[input]]\n# no file"),
        ('name = "Lead-Vocal"', 'name = "nobody"', 'name = "nobody"'),
        ('end = "1:02:03.5"', "end = 1\nx = 2", "x = 2"),
        ("level_db = 1.5", "level_db = = 1", "level_db = ="),
        ("# the last line", 'reason = """\nnever ended', "\nnever ended"),
    ],
)
def test_the_line_is_the_right_one(tmp_path: Path, old: str, new: str, at: str) -> None:
    text = changed(old, new)
    line = line_of(text, at) + (at.startswith("\nnever"))
    with pytest.raises(RecipeError, match=rf"^recipe\.toml, line {line}: "):
        read_recipe(written(tmp_path, text))


def test_files_that_are_no_recipes(tmp_path: Path) -> None:
    with pytest.raises(RecipeError, match=r"There is no .*nowhere\.toml"):
        read_recipe(tmp_path / "nowhere.toml")
    with pytest.raises(RecipeError, match="cannot be read"):
        read_recipe(tmp_path)
    path = tmp_path / "recipe.toml"
    path.write_bytes(RECIPE.encode("utf-16"))
    with pytest.raises(RecipeError, match="line 1: this is not UTF-8"):
        read_recipe(path)
    path.write_bytes(RECIPE.encode() + b"# caf\xe9\n")
    with pytest.raises(RecipeError, match=rf"line {RECIPE.count(chr(10)) + 1}: this is not UTF-8"):
        read_recipe(path)
    path.write_bytes(RECIPE.encode() + b"#" * 1_000_000)
    with pytest.raises(RecipeError, match="bigger than 1 MB"):
        read_recipe(path)
    path.write_text("x = " + "[" * 100_000)
    with pytest.raises(RecipeError, match="recipe"):
        read_recipe(path)
    path.write_text("")
    with pytest.raises(RecipeError, match=r"line 1: .* is missing"):
        read_recipe(path)
    path.write_text("recipe = " + "1" * 5000)
    with pytest.raises(RecipeError, match="recipe"):
        read_recipe(path)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("3:12.0", 192.0), ("1:02:03.5", 3723.5), ("75.2", 75.2), (75, 75.0), ("0", 0.0), ("90:00", 5400.0), (0.5, 0.5)],
)
def test_times(text: object, seconds: float) -> None:
    assert parse_time(text) == seconds


@pytest.mark.parametrize(
    "text", ["", "1:60", "1:60:00", "-1", "1:2:3:4", "a", "1e3", "٣", ".5", None, True, math.nan, -0.1]
)
def test_times_that_are_none(text: object) -> None:
    with pytest.raises(ValueError, match="must be a time"):
        parse_time(text)


@pytest.mark.parametrize("other", ["gtr 1", "GTR-1"])
def test_two_inputs_have_two_names_whatever_stands_between_the_words(other: str, tmp_path: Path) -> None:
    text = RECIPE
    text += f'\n[[input]]\nfile = "a.wav"\nname = "gtr_1"\n[[input]]\nfile = "b.wav"\nname = "{other}"\n'
    (tmp_path / "recipe.toml").write_text(text, encoding="utf-8")
    with pytest.raises(RecipeError, match=f'the name "{other}" is already used in line'):
        read_recipe(tmp_path / "recipe.toml")


def test_turning_starts_from_the_default(tmp_path: Path) -> None:
    text, old, new = turn(changed("[defaults]\n", "[defaults]\nlevel_db = -3\n"), "keys", 1)
    assert (old, new) == (-3.0, -2.0)
    assert read_recipe(written(tmp_path, text)).inputs[1].level_db == -2.0


def test_a_question_mark_behind_a_role_makes_it_a_guess(tmp_path: Path) -> None:
    path = tmp_path / "recipe.toml"
    path.write_text(
        'recipe = 1\n[rehearsal]\ntracks = "."\n[[input]]\nfile = "a.wav"\nrole = "Lead Vocal?"\n'
        '[[input]]\nfile = "b.wav"\nrole = "kick"\n',
        encoding="utf-8",
    )
    voice, kick = read_recipe(path).inputs
    assert (voice.role, voice.role_is_guess) == ("lead vocal", True)
    assert (kick.role, kick.role_is_guess) == ("kick", False)
