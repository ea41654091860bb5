"""Recipes: read with every complaint at its line, generated, and edited without touching anything else."""

from __future__ import annotations

import errno
import math
import os
import sys
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from morningmix.errors import OutputError, RecipeError, RecordingsError, UsageError
from morningmix.facts import Boundary, Defaults, FoundSong, MoveWish, SongInputWish
from morningmix.files.presets import load_roles
from morningmix.files.recipe import parse_time, read_recipe
from morningmix.files.recipe_text import InputLine, new_recipe, turn, with_songs
from morningmix.files.text import write_text_whole
from morningmix.files.toml_lines import parse, plain

RECIPE = """\
recipe = 1

[rehearsal]
tracks = "card/2026-11-19"      # folder with the raw tracks
title = "Thursday"

[target]
preset = "demo"
# loudness_lufs = -16.0

[defaults]
# bleed = "off"

[[input]]
file = "input-07.wav"           # her microphone
name = "lead vocal"
role = "lead vocal"
player = "Mara"
level_db = 1.5                  # on top of the automatic balance
# pan = 0.0   mute = true

# the two halves of one keyboard
[[input]]
file = ["input-09.wav", "input-10.wav"]
name = "keys"
role = "Keys"

[[song]]
title = "Copper Rain Gauge"
start = "3:12.0"
end = "7:45.5"
# keep = false

[[song.input]]
name = "Lead-Vocal"
level_db = 2

[[song.move]]
name = "lead vocal"
from = "2:10"
to = "2:40"
level_db = 2

[[song]]
title = "Nine Paper Boats"
start = 600
end = "1:02:03.5"
# the last line
"""


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "recipe.toml"
    path.write_bytes(text.encode("utf-8"))
    return path


def changed(old: str, new: str, text: str = RECIPE) -> str:
    assert text.count(old) >= 1
    return text.replace(old, new, 1)


def line_of(text: str, part: str) -> int:
    return text[: text.index(part)].count("\n") + 1


# ---------------------------------------------------------------- reading


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


def test_the_smallest_recipe(tmp_path: Path) -> None:
    recipe = read_recipe(written(tmp_path, 'recipe = 1\n[rehearsal]\ntracks = "raw"'))
    assert (recipe.title, recipe.inputs, recipe.songs, recipe.target.name) == ("raw", (), (), "demo")


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
    ("level_db = 1.5", "pan = 1.01", r"pan must lie between -1 and \+1"),
    ("level_db = 1.5", "mute = 1", "mute must be true or false"),
    ("level_db = 1.5", 'bleed = "most"', 'bleed must be "full", "mask", "gate" or "off", not "most"'),
    ("level_db = 1.5", 'compress = "of"', r'compress must be "auto" or "off", not "of". Did you mean "off"\?'),
    ("level_db = 1.5", 'repair = "of"', r'repair must be "auto" or "off", not "of". Did you mean "off"\?'),
    ("level_db = 1.5", 'repiar = "off"', r'there is no "repiar" here. Did you mean "repair"\?'),
    ("level_db = 1.5", "delay_ms = 1e9", "delay_ms must lie between"),
    ('role = "lead vocal"', 'role = "leed vocal"', r'role "leed vocal" is not known. Did you mean "lead vocal"\?'),
    ('role = "lead vocal"', 'role = "vox"', r'role "vox" is not known. Did you mean "lead vocal"\?'),
    ('role = "lead vocal"', 'role = "xyzzy"', r'role "xyzzy" is not known. There are: .*"?kick.*\.$'),
    ('name = "keys"', 'name = "Lead-Vocal"', r'name "Lead-Vocal" is already used in line 16'),
    ('name = "keys"', 'name = " "', "name must not be empty"),
    ('"input-09.wav"', '"INPUT-07.wav"', "file .* is already used in line 15"),
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
    ('end = "7:45.5"', 'end = "3:12.0"', '"Copper Rain Gauge" must end after its start'),
    ('to = "2:40"', 'to = "2:10"', "a move must end after its start"),
    ('from = "2:10"\nto = "2:40"', 'from = "4:40"\nto = "4:50"', "is over by then"),
    ('name = "Lead-Vocal"', 'name = "Led Vocal"', r'no input is called "Led Vocal". Did you mean "lead vocal"\?'),
    ("[[song.move]]", '[[song.input]]\nname = "lead vocal"\n\n[[song.move]]', "already used in line 35"),
    ('preset = "demo"', 'preset = "dmeo"', r'no target "dmeo". Did you mean "demo"\? There are: "demo", "loud"'),
    ('preset = "demo"', "loudness_lufs = -41", r"loudness_lufs must lie between -40 and -8"),
    ('preset = "demo"', "ceiling_dbtp = 0.1", r"ceiling_dbtp must lie between -9 and \+0"),
    ('tracks = "card/2026-11-19"', "# none", '"tracks" is missing here'),
    ('tracks = "card/2026-11-19"', 'tracks = ""', "tracks must name the folder"),
    ('tracks = "card/2026-11-19"', "tracks = 4", "tracks must be text in quotes"),
    ("[[song]]", "[song]", r"with \[single\] where \[\[double\]\]"),
    ("[target]", "[[target]]", r"target must be a table, with a line \[target\]"),
    ("[[song.move]]", "[song.move]", r"move needs double brackets, once for each: \[\[song.move\]\]"),
    ('title = "Thursday"', "title = Thursday", "Text and times need quotes"),
    ('start = "3:12.0"', "start = 3:12.0", "Text and times need quotes"),
    ("level_db = 1.5", "level_db = 1,5", "numbers a dot"),
    ('player = "Mara"', 'name = "again"', "overwrite"),
    ("preset", "preset.name", r'"preset.name" has a dot. Write a line \[preset\]'),
    ('player = "Mara"', 'player = { name = "Mara" }', "curly brackets are not used here"),
    ('player = "Mara"', "a." * 300 + "a = 1", "this line is too long. Write one key and its value in a line"),
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


def test_what_is_quoted_or_remarked_may_be_long(tmp_path: Path) -> None:
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


@given(st.text(st.sampled_from("ab=[]{}\"'#\\\n\r .,1-:\ufeffé"), max_size=60))
@settings(max_examples=300, deadline=None)
def test_any_text_is_parsed_or_refused_in_one_line(text: str) -> None:
    try:
        toml = parse(text, "x.toml", inline_tables=True)
    except RecipeError as error:
        assert "\n" not in str(error).replace("\\n", "")  # noqa: PT017
        return
    for loc, place in toml.places.items():
        value: object = toml.data
        for part in loc:
            value = value[part]  # type: ignore[index]
        if text[place.start] != "[":
            assert tomllib.loads(f"v = {text[place.value_start : place.value_end]}")["v"] == value


values = st.one_of(
    st.floats(-60, 24).map(repr),
    st.text(st.characters(codec="utf-8", exclude_categories=["Cc"]), max_size=8).map(
        lambda text: '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
    ),
    st.sampled_from(
        ["'#'", '"""a\n"b" # ]\n"""', "'''\n[x]\n'''", '["a", # ]\n "b"]', "[[1], []]", '"\\"#"', "1979-05-27"]
    ),
)


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["", "[a]", "[a.b]", "[[c]]", "[[c.d]]", "[c.e]", ' [ "f.g" ] # x', "# [[c]]"]),
            st.lists(st.tuples(st.sampled_from(["k", "l", '"m n"', "'o.p'"]), values, st.sampled_from(["", " # r"]))),
        ),
        max_size=6,
    ),
    st.sampled_from(["\n", "\r\n"]),
)
@settings(max_examples=200, deadline=None)
def test_places_are_where_the_values_stand(blocks: list[tuple[str, list[tuple[str, str, str]]]], end: str) -> None:
    text = "\n".join(
        line for head, keys in blocks for line in (head, *(f"  {key} = {value}{rest}" for key, value, rest in keys))
    ).replace("\n", end)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    toml = parse(text, "x.toml")
    leaves = 0
    for loc, place in toml.places.items():
        value: object = data
        for part in loc:
            value = value[part]  # type: ignore[index]
        if text[place.start] != "[":
            leaves += 1
            assert tomllib.loads(f"v = {text[place.value_start : place.value_end]}")["v"] == value
            assert toml.line(loc) == text[: place.start].count("\n") + 1
    assert leaves == sum(
        line.startswith("  ") and " = " in line for head, keys in blocks for line in [f"  {k} = " for k, _, _ in keys]
    )


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


# ---------------------------------------------------------------- generated

word = st.text(st.characters(codec="utf-8"), min_size=1, max_size=12)
file_name = word.filter(lambda name: name not in (".", "..") and Path(name).name == name and "\0" not in name)


@given(
    title=word.filter(lambda text: plain(text) != ""),
    files=st.lists(file_name, unique_by=str.casefold, min_size=1, max_size=6),
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
def test_a_file_name_that_is_no_text_is_said() -> None:
    name = os.fsdecode(b"caf\xe9.wav")
    with pytest.raises(RecordingsError, match=r"not UTF-8 text. Rename the file"):
        new_recipe(tracks="raw", title="x", inputs=[InputLine(files=(name,), name="x", role="kick")])


# ---------------------------------------------------------------- edited


def test_turning_a_level_that_is_there() -> None:
    text, old, new = turn(RECIPE, "lead vocal", 2)
    assert (old, new) == (1.5, 3.5)
    assert text == changed("level_db = 1.5   ", "level_db = 3.5   ")


def test_turning_a_level_that_is_not_there_yet() -> None:
    text, old, new = turn(RECIPE, "KEYS", -2)
    assert (old, new) == (0.0, -2.0)
    assert text == changed('role = "Keys"\n', 'role = "Keys"\nlevel_db = -2.0\n')


def test_turning_starts_from_the_default(tmp_path: Path) -> None:
    text, old, new = turn(changed("[defaults]\n", "[defaults]\nlevel_db = -3\n"), "keys", 1)
    assert (old, new) == (-3.0, -2.0)
    assert read_recipe(written(tmp_path, text)).inputs[1].level_db == -2.0


def test_turning_in_one_song() -> None:
    text, old, new = turn(RECIPE, "lead vocal", 0.5, song="copper rain-gauge")
    assert (old, new) == (2.0, 2.5)
    assert text == changed('name = "Lead-Vocal"\nlevel_db = 2\n', 'name = "Lead-Vocal"\nlevel_db = 2.5\n')
    text, old, new = turn(RECIPE, "keys", 1, song="Copper Rain Gauge")
    block = '\n[[song.input]]\nname = "keys"\nlevel_db = 1.0\n'
    assert text == changed('to = "2:40"\nlevel_db = 2\n', f'to = "2:40"\nlevel_db = 2\n{block}')
    text, _, _ = turn(RECIPE, "keys", 1, song="Nine Paper Boats")
    assert text == RECIPE + block


def test_turning_the_last_line_of_a_text_without_a_line_break() -> None:
    head = 'recipe = 1\r\n[rehearsal]\r\ntracks = "raw"\r\n  [[input]]\r\n  file = "a.wav"'
    text, _, _ = turn(head, "a", 1)
    assert text == head + "\r\n  level_db = 1.0"
    assert turn(text, "a", 1)[0] == head + "\r\n  level_db = 2.0"


def test_turning_what_is_not_there() -> None:
    with pytest.raises(
        UsageError,
        match=r'No input is called "led vocal". Did you mean "lead vocal"\? There are: "lead vocal", "keys"\.',
    ):
        turn(RECIPE, "led vocal", 1)
    with pytest.raises(UsageError, match=r'No song is called "Coper Rain Gauge". Did you mean "Copper Rain Gauge"\?'):
        turn(RECIPE, "keys", 1, song="Coper Rain Gauge")
    with pytest.raises(UsageError, match="Several songs"):
        turn(changed("Nine Paper Boats", "Copper Rain Gauge"), "keys", 1, song="Copper Rain Gauge")
    with pytest.raises(RecipeError, match="levle_db"):
        turn(changed("level_db", "levle_db"), "keys", 1)


@pytest.mark.parametrize("by_db", [23.0, -70.0, math.inf, math.nan])
def test_turning_too_far(by_db: float) -> None:
    with pytest.raises(UsageError, match=r'"lead vocal" stands at \+1.5 dB; .* range of -60 to \+24 dB'):
        turn(RECIPE, "lead vocal", by_db)


def test_of_two_tries_at_a_song_the_kept_one_is_turned() -> None:
    text = changed("Nine Paper Boats", "Copper Rain Gauge", changed("# keep = false", "keep = false"))
    turned, _, _ = turn(text, "keys", 1, song="Copper Rain Gauge")
    assert turned.startswith(text)


remark = st.sampled_from(["", "# a remark", "  # x = [1", "   ", "# level_db = 9"])


@given(
    st.lists(st.tuples(st.sampled_from("vks"), remark, remark, st.booleans()), min_size=1, max_size=8),
    st.floats(-20, 20),
    st.booleans(),
    st.sampled_from(["\n", "\r\n"]),
    st.booleans(),
)
@settings(max_examples=150, deadline=None)
def test_turning_keeps_every_other_byte(
    blocks: list[tuple[str, str, str, bool]], by_db: float, in_song: bool, end: str, ended: bool
) -> None:
    lines = ["recipe = 1", "[rehearsal]", 'tracks = "raw"', "[[input]]", 'file = "f.wav"', 'name = "vox"', "[[song]]"]
    lines += ['title = "S"', "start = 0", 'end = "9:00"']
    for at, (kind, above, inside, levelled) in enumerate(blocks):
        lines.append(above)
        if kind == "v":
            lines += ["[[input]]", inside, f'file = "{at}.wav" # {at}']
            lines += ["level_db = 1 # loud"] * levelled
        elif kind == "k":
            lines += ["[[song]]", f'title = "S{at}"', inside, "start = 1", 'end = """2"""']
        else:
            lines += ["[[song.move]]", 'name = "vox"', "from = 0", inside, "to = 0.5", "level_db = 1"]
    text = end.join(lines) + end * ended
    song = "S" if in_song else None
    turned, old, new = turn(text, "Vox", by_db, song)
    assert (old, new) == (0.0, round(by_db, 1))
    added = [f"level_db = {new}"] if song is None else ["", "[[song.input]]", 'name = "vox"', f"level_db = {new}"]
    before, after = text.split(end), turned.split(end)
    assert len(after) == len(before) + len(added)
    start = next((at for at, (a, b) in enumerate(zip(before, after, strict=False)) if a != b), len(before))
    windows = [at for at in range(start + 1) if after[at : at + len(added)] == added]
    assert any(before == after[:at] + after[at + len(added) :] for at in windows)
    again, old_again, _ = turn(turned, "vox", 1, song)
    assert old_again == new
    assert len(again.split(end)) == len(after)
    read = tomllib.loads(turned)
    where = read["input"][0] if song is None else read["song"][0]["input"][0]
    assert where["level_db"] == new


# ---------------------------------------------------------------- written whole


def test_a_text_is_written_byte_for_byte(tmp_path: Path) -> None:
    path = tmp_path / "recipe.toml"
    for text in ("a\r\nb\n", "🥁"):
        write_text_whole(path, text)
        assert path.read_bytes() == text.encode()
    assert list(tmp_path.iterdir()) == [path]


def test_a_disk_that_fills_up_leaves_the_old_text(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = written(tmp_path, "old")

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("morningmix.files.text.os.fsync", full)
    with pytest.raises(OutputError, match=r"recipe\.toml cannot be written: No space left"):
        write_text_whole(path, "new")
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="cannot be written"):
        write_text_whole(tmp_path / "nowhere" / "recipe.toml", "x")


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


def song_at(start_s: float, end_s: float, *, keep: bool = True, sure: float = 0.9) -> FoundSong:
    return FoundSong(
        start=Boundary(at_s=start_s, because="a guitar alone, then the band", sure=sure),
        end=Boundary(at_s=end_s, because="the last sound has died", sure=0.9),
        keep=keep,
        reason=None if keep else "false start: the band stops after 9 s",
    )


BARE = '# by hand\nrecipe = 1\n[rehearsal]\ntracks = "raw"  # there\n'


def test_songs_are_written_at_the_end_of_a_recipe_without_any() -> None:
    found = (song_at(12.04, 250.0), song_at(260.0, 270.0, keep=False), song_at(300.0, 3700.0, sure=0.3))
    text = with_songs(BARE, found)
    assert text == BARE + (
        '\n[[song]]\ntitle = "Song 1"\nstart = "0:12.0"\nend = "4:10.0"\n'
        '\n[[song]]\ntitle = "Aside 1"\nstart = "4:20.0"\nend = "4:30.0"\n'
        'keep = false\nreason = "false start: the band stops after 9 s"\n'
        '\n[[song]]\ntitle = "Song 2"\n'
        'start = "5:00.0"  # unsure: a guitar alone, then the band\nend = "1:01:40.0"\n'
    )
    assert [song["start"] for song in tomllib.loads(text)["song"]] == ["0:12.0", "4:20.0", "5:00.0"]


def test_a_recipe_whose_last_line_is_not_ended_gets_its_songs_too() -> None:
    text = with_songs(BARE.rstrip(), (song_at(1.0, 90.0), song_at(100.0, 190.0)))
    assert [song["title"] for song in tomllib.loads(text)["song"]] == ["Song 1", "Song 2"]


LISTED = (
    BARE
    + """
# the good one
[[song]]
title = "Copper Rain Gauge"   # Mara's
start = "0:10.0"  # after the joke
end = "4:00.0"

[[song.move]]
name = "f"
from = 1
to = 2
level_db = 3

[[song]]
title = "Nine Paper Boats"
start = 600
end = 700
# was too fast
keep = false

[[input]]
file = "f.wav"
"""
)


def test_finding_songs_again_moves_only_the_times_of_those_that_are_found_again() -> None:
    text = with_songs(LISTED, (song_at(12.0, 243.04), song_at(600.04, 700.0)))
    assert text == LISTED.replace('"0:10.0"', '"0:12.0"').replace('"4:00.0"', '"4:03.0"')


def test_songs_that_are_not_found_again_become_remarks() -> None:
    text = with_songs(LISTED, (song_at(12.0, 240.0),))
    assert [song["title"] for song in tomllib.loads(text)["song"]] == ["Copper Rain Gauge"]
    assert '# [[song]]\n# title = "Nine Paper Boats"\n# start = 600\n' in text
    assert "\n# was too fast\n" in text
    assert '[[input]]\nfile = "f.wav"' in text


def test_new_songs_stand_in_the_order_of_time() -> None:
    found = (song_at(1.0, 8.0, keep=False), song_at(12.0, 240.0), song_at(300.0, 500.0), song_at(600.0, 700.0))
    text = with_songs(LISTED, found)
    songs = tomllib.loads(text)["song"]
    assert [song["title"] for song in songs] == ["Aside 1", "Copper Rain Gauge", "Song 1", "Nine Paper Boats"]
    assert "move" in songs[1]
    assert '\n\n# the good one\n[[song]]\ntitle = "Copper Rain Gauge"' in text


@settings(max_examples=60, deadline=None)
@given(
    starts=st.lists(st.integers(0, 5000), min_size=1, max_size=6, unique=True),
    crlf=st.booleans(),
    listed=st.booleans(),
)
def test_a_recipe_with_found_songs_reads_as_they_were_found(starts: list[int], crlf: bool, listed: bool) -> None:
    text = (LISTED if listed else BARE).replace("\n", "\r\n" if crlf else "\n")
    found = tuple(song_at(start, start + 0.9) for start in sorted(starts))
    once = with_songs(text, found)
    songs = tomllib.loads(once)["song"]
    assert len(songs) == len(found)
    assert ("\n" in once.replace("\r\n", "")) is (not crlf)
    assert with_songs(once, found) == once
