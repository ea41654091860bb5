"""What a rehearsal teaches, written into band.toml: only what is new, and nothing else changes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from morningmix.errors import RecipeError
from morningmix.files.band import BAND, checked_band
from morningmix.files.band_edit import new_band, remembered
from morningmix.files.recipe import read_recipe
from morningmix.files.recipe_tables import RecipeFile, checked_file
from morningmix.files.toml_lines import parse, quoted
from morningmix.model.plan import FAMILIES
from morningmix.model.recipe import ADDED

BAND_TEXT = """\
# ours
band = 1  # the form

# the desk
[[input]]
file = "1.wav"
name = "kick"      # the old one
role = "kick"
# low_db = 1
level_db = 2.0     # Jo likes it

  [[input]]
  file = ["9.wav", "10.wav"]
  name = "keys"

[[family]]
name = "drums"
room_db = 3.0
# the end of the drums

[[song]]
title = "Tin Roof"
tempo_bpm = 96
"""


def recipe(text: str, head: str = "") -> RecipeFile:
    return checked_file(parse(f'recipe = 1\n[rehearsal]\ntracks = "../Thursday"\n{head}{text}', "recipe.toml"))


def entry(file: str, *lines: str) -> str:
    return "\n".join(["[[input]]", f'file = "{file}"', *lines, ""])


def song(title: str, *lines: str) -> str:
    return "\n".join(["[[song]]", f"title = {quoted(title)}", "start = 0", "end = 9", *lines, ""])


def test_nothing_else_changes() -> None:
    taught = recipe(
        entry("1.wav", 'name = "boom"', 'role = "kick"', "level_db = -1.5", 'player = "Orla"', "pan = 0.0")
        + entry("2.wav", 'name = "snare"', 'role = "snare?"', "level_db = 0.0", "high_db = 0.0", "mute = true")
        + '[[input]]\nfile = ["9.wav", "10.wav"]\nname = "keys"\nroom_db = 1.0\n'
        + '[[family]]\nname = "drums"\nroom_db = 0.0\n[[family]]\nname = "vocals"\nlow_db = -1\nlevel_db = 0\n'
        + song("Copper")
        + song("tin-roof"),
        'band = "The Shed Four"\n',
    )
    text = remembered(BAND_TEXT, taught)
    expected = BAND_TEXT
    for old, new in (
        ("# the form\n", '# the form\nname = "The Shed Four"\n'),
        ('"kick"      # the old', '"boom"      # the old'),
        ("level_db = 2.0     # Jo likes it\n", 'level_db = -1.5     # Jo likes it\nplayer = "Orla"\npan = 0.0\n'),
        (
            '  name = "keys"\n',
            '  name = "keys"\n  room_db = 1.0\n\n[[input]]\nfile = "2.wav"\nname = "snare"\nrole = "snare?"\n',
        ),
        ("room_db = 3.0", "room_db = 0.0"),
        ("# the end of the drums\n", '# the end of the drums\n\n[[family]]\nname = "vocals"\nlow_db = -1.0\n'),
        ("tempo_bpm = 96\n", 'tempo_bpm = 96\n\n[[song]]\ntitle = "Copper"\n'),
    ):
        assert old in expected
        expected = expected.replace(old, new)
    assert text == expected
    assert remembered(text, taught) == text


def test_a_recipe_that_says_nothing_new_changes_nothing() -> None:
    quiet = recipe(entry("1.wav", 'name = "kick"', "level_db = 2") + entry("7.wav") + song("Song 1") + song("Tin Roof"))
    assert remembered(BAND_TEXT, quiet) == BAND_TEXT
    assert remembered(new_band(), recipe(entry("7.wav", "level_db = 0.0"))) == new_band()


def test_line_breaks_and_a_last_line_that_is_not_ended_stay() -> None:
    taught = recipe(entry("1.wav", 'player = "Orla"') + '[[family]]\nname = "bass"\nlow_db = 1\n' + song("Copper"))
    text = remembered(BAND_TEXT.removesuffix("\n").replace("\n", "\r\n"), taught)
    assert "\n" not in text.replace("\r\n", "")
    assert text.replace("\r\n", "\n") == remembered(BAND_TEXT, taught).removesuffix("\n")
    end = remembered('band = 1\n[[input]]\nfile = "1.wav"', taught)
    assert end.startswith('band = 1\n[[input]]\nfile = "1.wav"\nplayer = "Orla"\n\n[[family]]\n')


def test_an_input_list_becomes_part_of_a_new_band_toml() -> None:
    text = remembered(
        new_band("\ufeff# our list\n" + entry("7.wav", 'name = "Lute"')), recipe(entry("7.wav", "pan = 1"))
    )
    assert text.endswith('\n\n# our list\n[[input]]\nfile = "7.wav"\nname = "Lute"\npan = 1.0\n')
    assert [one.name for one in checked_band(parse(text, BAND)).input] == ["Lute"]


@pytest.mark.parametrize(
    ("lines", "now"),
    [
        (['name = "kick 2"', 'role = "kick?"'], ("kick", "kick")),
        (['name = "snare"', 'role = "snare?"'], ("kick", "kick")),
        (['name = "boom"', 'role = "snare?"'], ("boom", "kick")),
        (['name = "snare"', 'role = "snare"'], ("snare", "snare")),
    ],
)
def test_a_guess_replaces_nothing_that_somebody_wrote(lines: list[str], now: tuple[str, str]) -> None:
    (kick, _) = checked_band(parse(remembered(BAND_TEXT, recipe(entry("1.wav", *lines))), BAND)).input
    assert (kick.name, kick.role) == now


def test_a_guess_stays_a_guess_until_somebody_says_so() -> None:
    guessed = remembered(new_band(), recipe(entry("a.wav", 'name = "keys"', 'role = "keys?"')))
    assert 'role = "keys?"' in guessed
    assert 'role = "keys"\n' in remembered(guessed, recipe(entry("a.wav", 'name = "keys"', 'role = "keys"')))


def test_a_name_that_moved_to_another_file_is_taken_from_the_old_one() -> None:
    text = remembered(BAND_TEXT, recipe(entry("5.wav", 'name = "Kick"', 'role = "kick"')))
    assert '# the desk\n# [[input]]\n# file = "1.wav"\n# name = "kick"' in text
    assert [one.name for one in checked_band(parse(text, BAND)).input] == ["keys", "Kick"]


def test_names_may_change_places() -> None:
    first = remembered(new_band(), recipe(entry("a.wav", 'name = "lead"') + entry("b.wav", 'name = "back"')))
    swapped = recipe(entry("a.wav", 'name = "back"') + entry("b.wav", 'name = "lead"'))
    assert [one.name for one in checked_band(parse(remembered(first, swapped), BAND)).input] == ["back", "lead"]


def test_a_name_is_never_left_with_two_inputs() -> None:
    """The first one has no name but the one that another input has now, or a guessed one."""
    for own in (['name = "tom"', 'role = "tom?"'], []):
        text = remembered(BAND_TEXT, recipe(entry("1.wav", *own) + entry("2.wav", 'name = "kick"')))
        names = [one.name for one in checked_band(parse(text, BAND)).input]
        assert names == ["tom" if own else "1", "keys", "kick"]


def test_files_that_are_paired_otherwise_now_make_new_entries() -> None:
    text = remembered(BAND_TEXT, recipe(entry("9.wav", 'name = "left"') + entry("10.wav", 'name = "right"')))
    assert '#   file = ["9.wav", "10.wav"]' in text
    assert [one.file for one in checked_band(parse(text, BAND)).input] == [["1.wav"], ["9.wav"], ["10.wav"]]
    turned = remembered(BAND_TEXT, recipe('[[input]]\nfile = ["10.wav", "9.wav"]\n'))
    assert [one.file for one in checked_band(parse(turned, BAND)).input] == [["1.wav"], ["10.wav", "9.wav"]]


def test_only_titles_that_somebody_gave_come_into_the_set_list() -> None:
    titles = ["Song 1", "Rope", "try-2", "Gone", "rope", "Song 12", "Rope 2", "Thursday", "Shed night", "Card 1", "Ash"]
    lines = {"Gone": ["keep = false"], "Rope": ['take = "Card 1"']}
    text = "".join(song(title, *lines.get(title, [])) for title in titles)
    made = remembered(new_band(), recipe(text, 'title = "Shed Night"\n'))
    assert [one.title for one in checked_band(parse(made, BAND)).song] == ["Rope", "Ash"]


def test_a_text_that_cannot_be_read_is_refused() -> None:
    with pytest.raises(RecipeError, match=r"^band.toml, line 1: this file is from a newer version"):
        remembered("band = 9\n", recipe(""))


# ---------------------------------------------------------------- for any recipe and any band.toml


names = st.text("ab 1?é#\"'\\", min_size=1, max_size=4).filter(lambda text: text.strip("-_ "))
decibels = st.sampled_from([0.0, -2.0, 1.5])
files = st.sampled_from([["1.wav"], ["2.wav"], ["3.wav"], ["1.wav", "2.wav"], ["3.wav", "2.wav"]])


@st.composite
def inputs(draw: st.DrawFn) -> str:
    tables, used, taken = [], set(), set()
    for file in draw(st.lists(files, max_size=4)):
        values = {
            "name": draw(st.none() | names.map(quoted)),
            "role": draw(st.none() | st.sampled_from(['"kick"', '"kick?"', '"keys"'])),
            "player": draw(st.none() | names.map(quoted)),
            **{key: draw(st.none() | decibels) for key in (*ADDED, "pan")},
        }
        values["pan"] = None if values["pan"] in (-2.0, 1.5) else values["pan"]
        name = values["name"] or quoted(file[0].removesuffix(".wav"))
        plain_name = "".join(sign for sign in name.casefold() if not sign.isspace())
        if used & set(file) or plain_name in taken:
            continue
        used |= set(file)
        taken.add(plain_name)
        tables += ["# a remark", "[[input]]", f"file = [{', '.join(map(quoted, file))}]"]
        if len(file) == 1:
            tables[-1] = f"file = {quoted(file[0])}"
        tables += [f"{key} = {value}  # said" for key, value in values.items() if value is not None]
    for family in draw(st.lists(st.sampled_from(FAMILIES[:3]), unique=True)):
        tables += ["[[family]]", f"name = {quoted(family)}", f"room_db = {draw(decibels)}"]
    return "\n".join([*tables, ""])


@given(inputs(), inputs())
def test_it_is_learnt_at_once_and_twice_changes_nothing(known: str, said: str) -> None:
    before, taught = f"# ours\nband = 1\n{known}", recipe(said)
    after = remembered(before, taught)
    assert remembered(after, taught) == after
    assert [line for line in before.splitlines() if line.startswith("# ")] == [
        line for line in after.splitlines() if line in ("# ours", "# a remark")
    ]
    band = checked_band(parse(after, BAND))
    for table in taught.input:
        (entry_of,) = [one for one in band.input if set(one.file) & set(table.file)] or [None]
        for key in (*ADDED, "pan", "player"):
            if key in table.model_fields_set:
                assert (getattr(entry_of, key) or 0.0 if entry_of else 0.0) == (getattr(table, key) or 0.0)


@given(inputs())
def test_the_next_rehearsal_sounds_as_this_one_was_left(tmp_path_factory: pytest.TempPathFactory, said: str) -> None:
    place = tmp_path_factory.mktemp("band")
    (place / BAND).write_text(remembered(new_band(), recipe(said)), encoding="utf-8")
    (place / "next").mkdir()
    head = 'recipe = 1\n[rehearsal]\ntracks = "../Friday"\n'
    listed = "".join(line + "\n" for line in said.splitlines() if line.startswith(("[[input]]", "file")))
    (place / "next" / "recipe.toml").write_text(head + listed, encoding="utf-8")
    now = read_recipe(place / "next" / "recipe.toml")
    (place / BAND).unlink()
    (place / "next" / "recipe.toml").write_text(head + said, encoding="utf-8")
    was = read_recipe(place / "next" / "recipe.toml")
    sounds = ("files", "name", "role", "player", *ADDED, "pan")
    assert [[getattr(one, key) for key in sounds] for one in now.inputs] == [
        [getattr(one, key) for key in sounds] for one in was.inputs
    ]
    assert {one.name: one.room_db for one in now.families if one.room_db} == {
        one.name: one.room_db for one in was.families if one.room_db
    }
