"""Names: comparing, showing, and file names that are not UTF-8."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from morningmix.errors import RecordingsError
from morningmix.model.names import means, name_as_text, name_from_text, plain, visible
from morningmix.render.output import file_names


@pytest.mark.parametrize("other", ["gtr 1", "GTR-1", "Gtr_1", " gtr\t1 ", "gtr\u00a01"])
def test_case_spaces_hyphens_and_underscores_do_not_distinguish_names(other: str) -> None:
    assert plain("gtr_1") == plain(other)


def test_names_of_hyphens_alone_are_valid() -> None:
    assert len({plain("_"), plain("-"), plain("--"), plain("gtr")} - {""}) == 4
    assert plain(" \t") == ""


def test_the_same_letters_in_another_unicode_form_are_the_same_name() -> None:
    assert plain("cafe\u0301") == plain("Caf\u00e9")


def test_an_exact_spelling_comes_first() -> None:
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
def test_control_and_direction_characters_are_escaped(text: str, shown: str) -> None:
    assert visible(text) == shown


def test_an_error_is_one_printable_line() -> None:
    assert str(RecordingsError("a\x1b[2J\u202e\nb")) == "a\\x1b[2J\\u202e\\x0ab"


@given(st.binary(max_size=12).map(lambda raw: raw.decode("utf-8", "surrogateescape")) | st.text("\\x5cf9é\udcff\udc80"))
def test_any_file_name_survives_as_text(name: str) -> None:
    text = name_as_text(name)
    assert text.encode("utf-8").decode("utf-8") == text
    assert name_from_text(text) == name


def test_utf_8_names_are_written_unchanged() -> None:
    assert name_as_text("Größe \\ \\n \\xylophon.wav") == "Größe \\ \\n \\xylophon.wav"
    assert name_as_text("b\udce9.wav") == "b\\xe9.wav"
    assert name_as_text("b\\xe9.wav") == "b\\x5cxe9.wav"


# ---------------------------------------------------------------- names of files that are written


def test_files_with_clashing_names_are_numbered() -> None:
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
def test_file_names_differ_on_every_file_system(titles: list[str]) -> None:
    names = file_names(titles)
    assert [name.endswith(f" {number}") for number, name in enumerate(names, 1)] == [False, True, True][: len(titles)]
    assert all(len(name.encode("utf-8")) <= 121 for name in names)


@given(st.lists(st.text("aAß-/: 2kK\u212a\u0131", max_size=4), max_size=8))
@settings(deadline=None)
def test_any_titles_get_as_many_files(titles: list[str]) -> None:
    names = file_names(titles)
    assert len({name.upper().casefold() for name in names}) == len(titles)
    assert file_names(titles) == names
