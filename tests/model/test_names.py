"""Names: which are the same, how they are shown, and file names that no text can hold."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from morningmix.errors import RecordingsError
from morningmix.model.names import means, name_as_text, name_from_text, plain, visible
from morningmix.render.output import file_names


@pytest.mark.parametrize("other", ["gtr 1", "GTR-1", "Gtr_1", " gtr\t1 ", "gtr\u00a01"])
def test_case_spaces_hyphens_and_underscores_make_no_other_name(other: str) -> None:
    assert plain("gtr_1") == plain(other)


def test_names_of_nothing_else_are_names_too() -> None:
    assert len({plain("_"), plain("-"), plain("--"), plain("gtr")} - {""}) == 4
    assert plain(" \t") == ""


def test_the_same_letters_in_another_unicode_form_are_the_same_name() -> None:
    assert plain("cafe\u0301") == plain("Caf\u00e9")


def test_what_is_spelt_just_so_is_meant_and_nothing_else() -> None:
    takes = ["take_1", "take 1", "Take-2"]
    assert [name for name in takes if means("take 1", name, takes)] == ["take 1"]
    assert [name for name in takes if means("take 2", name, takes)] == ["Take-2"]


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("Grüße 鼓 🥁 👩\u200d🎤", "Grüße 鼓 🥁 👩\u200d🎤"),
        ("\x1b[31mred\x07", "\\x1b[31mred\\x07"),
        ("two\nlines\r", "two\\x0alines\\x0d"),
        ("\x9b31m", "\\u009b31m"),
        ("a\u202eb\u2066c\u200ed", "a\\u202eb\\u2066c\\u200ed"),
        ("line\u2028end", "line\\u2028end"),
        ("tag\U000e0041", "tag\\U000e0041"),
        ("kick\udcff", "kick\\xff"),
    ],
)
def test_what_drives_a_terminal_or_turns_the_writing_is_shown(text: str, shown: str) -> None:
    assert visible(text) == shown


def test_an_error_is_one_line_of_text_that_can_be_seen() -> None:
    assert str(RecordingsError("a\x1b[2J\u202e\nb")) == "a\\x1b[2J\\u202e\\x0ab"


@given(st.binary(max_size=12).map(lambda raw: raw.decode("utf-8", "surrogateescape")) | st.text("\\x5cf9é\udcff\udc80"))
def test_any_file_name_is_text_and_comes_back(name: str) -> None:
    text = name_as_text(name)
    assert text.encode("utf-8").decode("utf-8") == text
    assert name_from_text(text) == name


def test_what_is_utf_8_is_written_as_it_is() -> None:
    assert name_as_text("Größe \\ \\n \\xylophon.wav") == "Größe \\ \\n \\xylophon.wav"
    assert name_as_text("b\udce9.wav") == "b\\xe9.wav"
    assert name_as_text("b\\xe9.wav") == "b\\x5cxe9.wav"


# ---------------------------------------------------------------- names of files that are written


def test_files_of_names_that_clash_are_numbered() -> None:
    assert file_names(["kick/in", "snare", "kick:in", "Kick-IN?", "kick-in 2"]) == (
        "kick-in",
        "snare",
        "kick-in 3",
        "Kick-IN 4",
        "kick-in 2",
    )


@pytest.mark.parametrize(
    "titles",
    [
        ["stra\u00dfe", "STRASSE"],
        ["\u212aick", "kick"],
        ["b\u0131g", "BIG"],
        ["cafe\u0301", "caf\u00e9"],
        ["kick\u202e", "kick"],
        ["a\u200db", "ab"],
        ["\ufb01ne", "fine"],
        ["", "?", " "],
        ["🥁" * 40, "🥁" * 41, "🥁" * 42],
    ],
)
def test_no_file_system_takes_two_for_one(titles: list[str]) -> None:
    names = file_names(titles)
    assert [name.endswith(f" {number}") for number, name in enumerate(names, 1)] == [False, True, True][: len(titles)]
    assert all(len(name.encode("utf-8")) <= 121 for name in names)


@given(st.lists(st.text("aAß-/: 2kK\u212a\u0131", max_size=4), max_size=8))
@settings(deadline=None)
def test_any_titles_get_as_many_files(titles: list[str]) -> None:
    names = file_names(titles)
    assert len({name.upper().casefold() for name in names}) == len(titles)
    assert file_names(titles) == names
