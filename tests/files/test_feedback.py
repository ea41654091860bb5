"""The text that people send back after listening."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from commands.made import GOOD, read
from morningmix.errors import MorningmixError, RecipeError
from morningmix.files.feedback import Note, parse_wishes, printable, read_wishes, wishes_in


def test_every_line_is_understood(tmp_path: Path) -> None:
    (one,) = read(tmp_path, GOOD)
    assert (one.song, one.mix, one.who) == ("Copper Rain Gauge", "3f2a91c0", "Mara")
    assert [(m.name, m.level_db, m.from_s, m.to_s) for m in one.moves] == [
        ("vocals", 2.0, None, None),
        ("drums", -1.5, None, None),
        ("vocals", 2.0, 130.0, 160.5),
    ]
    assert one.notes == (Note(at_s=151.0, says="could the second guitar come in later? #\"'"),)


def test_wishes_survive_quoting_and_wrapping_by_a_chat(tmp_path: Path) -> None:
    quoted = "\n".join(f"> {line}\r" for line in GOOD.splitlines())
    assert read(tmp_path, quoted + "\n\n" + GOOD.replace("Mara", "Theo"))[0].moves == read(tmp_path, GOOD)[0].moves
    assert [theirs.who for theirs in read(tmp_path, GOOD + "\n" + GOOD.replace("Mara", "Theo"))] == ["Mara", "Theo"]


CHAT = f"""Mara, 21:04
hi all, here is what I hear
{GOOD}thanks! see you on +49 30 1234567
vocals +9
[21:10] Theo: {GOOD.replace("Mara", "Theo").replace("vocals +2", "vocals +40", 1)}vocals +2,5
bass + 1
bass +1
"""


def test_a_whole_chat_is_read_and_only_what_is_not_understood_is_refused(tmp_path: Path) -> None:
    (tmp_path / "chat.txt").write_text(CHAT, encoding="utf-8")
    (mara, theo), refused = read_wishes(tmp_path / "chat.txt")
    assert (mara.who, theo.who) == ("Mara", "Theo")
    assert [(move.name, move.level_db) for move in mara.moves] == [("vocals", 2.0), ("drums", -1.5), ("vocals", 2.0)]
    assert [(move.name, move.level_db) for move in theo.moves] == [("drums", -1.5), ("vocals", 2.0), ("bass", 1.0)]
    assert [line.partition(":")[0] for line in refused] == [f"chat.txt, line {n}" for n in (17, 21, 22)]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "holds no wishes"),
        ("hello\n", "line 1: wishes begin with"),
        ("morningmix wishes\nvocals +2\n", "which song they are for"),
        (GOOD + "<script>alert(1)</script>\n", 'line 9: "<script>alert\\(1\\)</script>" is not a wish'),
        (GOOD + "../../etc/passwd\n", "line 9: .* is not a wish"),
        (GOOD + "vocals +2; rm -rf /\n", "line 9: .* is not a wish"),
        (GOOD + "vocals up a bit\n", "line 9: .* is not a wish"),
        (GOOD + "vocals +40\n", "line 9: \\+40 dB is more"),
        (GOOD + "vocals +2 from 2:40 to 2:10\n", "line 9: the part must end after it starts"),
        (GOOD + "vocals +2 from 2:70 to 3:10\n", "line 9: the time must be"),
        (GOOD + "song: Another\n", 'line 9: "song" appears twice'),
        (GOOD.replace("3f2a91c0", "../x"), "does not name a mix"),
        ("morningmix wishes\n" * 3000, "more than 2000 lines"),
    ],
)
def test_what_is_not_understood_is_refused_with_its_line(text: str, says: str) -> None:
    with pytest.raises(RecipeError, match=says):
        parse_wishes(text, "wishes.txt")


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=200), st.integers(0, 200))
def test_nothing_ends_in_a_traceback(tmp_path_factory: pytest.TempPathFactory, text: str, at: int) -> None:
    folder = tmp_path_factory.getbasetemp()
    said = ""
    try:
        (folder / "w.txt").write_text(GOOD[:at] + text + GOOD[at:], encoding="utf-8", errors="replace")
        found, refused = read_wishes(folder / "w.txt")
        for theirs in found:
            assert all(sign.isprintable() for note in theirs.notes for sign in note.says)
        assert not any("\n" in line for line in refused)
    except MorningmixError as error:
        said = str(error)
    assert "\n" not in said


def test_wishes_are_found_in_a_chat_and_nothing_else_is() -> None:
    chat = f"vocals +9\n[21:04] Mara: {GOOD}thanks!\ndrums +9\n\n> {GOOD.replace('Mara', 'Theo')}\n> note: see you"
    mara, theo = wishes_in(chat)
    assert mara.splitlines() == [printable(line) for line in GOOD.splitlines()]
    assert parse_wishes(theo, "chat")[0].who == "Theo"
    assert len(parse_wishes(theo, "chat")[0].moves) == 3
    assert wishes_in("hello\nvocals +2") == []
