"""Wishes for a song after a listen: a few plain lines, written by its page or by hand.

    morningmix wishes
    song: Copper Rain Gauge
    mix: 3f2a91c0
    from: Mara
    vocals +2
    drums -1.5
    vocals +2 from 2:10 to 2:40
    lead vocal room +3
    drums low -2
    note 2:31 could the second guitar come in later?

A file may hold several people's wishes, each starting with that first line, and the chat around them. Anything unclear
is refused with its line, so that nothing is done that nobody asked for; the rest counts.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from morningmix.errors import RecipeError
from morningmix.files.recipe_edit import Part
from morningmix.files.recipe_tables import parse_time
from morningmix.storage.text import read_text

FIRST_LINE = "morningmix wishes"
NOBODY = "somebody"
"""Name that a page writes for somebody who gives none."""
MOST_DB = 12.0
"""Neither pages nor listeners ask for more (design choice)."""
_MOST_NOTE = 300
_MOST_LINES = 2000
_TIME = r"\d{1,3}:\d{2}(?:\.\d)?|\d{1,5}(?:\.\d)?"
_MOVE = re.compile(rf"(.{{1,120}}?) ([+-]\d{{1,2}}(?:\.\d)?)(?: ?dB)?(?: from ({_TIME}) to ({_TIME}))?", re.IGNORECASE)
_NOTE = re.compile(rf"note ({_TIME}) (.+)", re.IGNORECASE)
_LEVEL = re.compile(r"(?:^|\s)[+-] ?\d{1,2}(?:[.,]\d+)?(?: ?dB)?(?:$| from )", re.IGNORECASE)
_HEAD = re.compile(r"(song|mix|from): ?(.*)", re.IGNORECASE)
# Chat programs and word processors replace these while somebody types.
_AS_TYPED = str.maketrans({"−": "-", "–": "-", "\u00a0": " ", "\u202f": " ", "\u200b": None, "\ufeff": None})


@dataclass(frozen=True, slots=True, kw_only=True)
class WishedMove:
    """What should change about a family or an input, over a stretch of the song or all of it."""

    name: str
    """As it was typed, a word for the part behind it, until `commands.meant.understood` knows what it names."""
    part: Part = "level"
    level_db: float
    from_s: float | None = None
    to_s: float | None = None
    where: str
    """File and line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """A comment on a moment of the song."""

    at_s: float
    says: str
    """One line of printable characters."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """One person's wishes for one song."""

    song: str
    mix: str
    """The version of the mix they refer to; "" if they do not say."""
    who: str
    moves: tuple[WishedMove, ...]
    notes: tuple[Note, ...]
    where: str


def read_wishes(path: Path) -> tuple[list[Wishes], list[str]]:
    """All wishes in a file, which may be a whole chat, and a line about each that is not understood.

    Raises `RecipeError` for a file that cannot be read.
    """
    refused: list[str] = []
    found = [wishes for _, wishes in understood_in(read_text(path), path.name, refused.append)]
    if not found and not refused:
        refused.append(f"{path.name} holds no wishes. Copy them into it from the song's page.")
    return found, refused


def understood_in(text: str, label: str, refuse: Callable[[str], None]) -> list[tuple[str, Wishes]]:
    """All wishes in a text from `label`, which may be a whole chat, each with its own lines that are understood.

    `refuse` receives a line about each of the others. Raises `RecipeError` for a text that is too long.
    """
    _refuse_long(text, label)
    found: list[tuple[str, Wishes]] = []
    for block in _blocks(text):
        left_out: set[int] = set()

        def leave(number: int, says: str, left_out: set[int] = left_out) -> None:
            left_out.add(number)
            refuse(says)

        try:
            wishes = _wishes(label, block, leave)
        except RecipeError as error:
            refuse(str(error))
            continue
        found.append(("".join(f"{line}\n" for number, line in block if number not in left_out), wishes))
    return found


def parse_wishes(text: str, label: str) -> list[Wishes]:
    """All wishes in a text from `label` that holds nothing else. Raises `RecipeError` for anything unclear."""
    _refuse_long(text, label)
    blocks: list[_Block] = []
    for number, raw in enumerate(text.splitlines(), 1):
        line = _line(raw)
        if line.casefold() == FIRST_LINE:
            blocks.append([(number, line)])
        elif line and not blocks:
            raise RecipeError(
                f'{label}, line {number}: wishes begin with the line "{FIRST_LINE}". Copy them from the song\'s '
                "page once more, from its first line on."
            )
        elif line:
            blocks[-1].append((number, line))
    if not blocks:
        raise RecipeError(f"{label} holds no wishes. Copy them into it from the song's page.")
    return [_wishes(label, block) for block in blocks]


def wishes_in(text: str) -> list[str]:
    """The wishes in a whole chat, each as a text of its own: what stands around them is left away."""
    return ["".join(f"{line}\n" for _, line in block) for block in _blocks(text)]


_Block = list[tuple[int, str]]
"""Numbered lines of one person's wishes for one song."""


def _blocks(text: str) -> list[_Block]:
    """The wishes in a chat. A line that says who wrote when may stand right before a first line, on the same line.

    Another line ends them, unless it has a level in it: that is a wish which is not understood.
    """
    found: list[_Block] = []
    inside = False
    for number, raw in enumerate(text.splitlines(), 1):
        line = _line(raw)
        if line.casefold().endswith(FIRST_LINE):
            found.append([(number, FIRST_LINE)])
            inside = True
        elif inside and line:
            inside = any(each.fullmatch(line) for each in (_HEAD, _NOTE, _MOVE)) or bool(_LEVEL.search(line))
            if inside:
                found[-1].append((number, line))
    return found


def _line(raw: str) -> str:
    return printable(raw).removeprefix(">").strip()


def _refuse_long(text: str, label: str) -> None:
    if len(text.splitlines()) > _MOST_LINES:
        raise RecipeError(f"{label} has more than {_MOST_LINES} lines, so it is hardly a list of wishes.")


def printable(text: str) -> str:
    """`text` as wishes are parsed: characters that people type, single spaces between words."""
    typed = "".join(sign if sign.isprintable() else " " for sign in text.translate(_AS_TYPED))
    return " ".join(typed.split())


def _wishes(file: str, block: _Block, refuse: Callable[[int, str], None] | None = None) -> Wishes:
    """One person's wishes; `refuse` receives a line that is left out and what is wrong with it, which is raised
    without it."""
    head: dict[str, str] = {}
    moves: list[WishedMove] = []
    notes: list[Note] = []
    for number, line in block[1:]:
        where = f"{file}, line {number}"
        try:
            if found := _HEAD.fullmatch(line):
                key = found[1].lower()
                if key in head:
                    raise RecipeError(f'{where}: "{key}" appears twice.')
                head[key] = found[2].strip()[:1000]
            elif found := _NOTE.fullmatch(line):
                notes.append(Note(at_s=_time(found[1], where), says=found[2].strip()[:_MOST_NOTE]))
            elif found := _MOVE.fullmatch(line):
                moves.append(_move(found, where))
            else:
                short = line if len(line) <= 60 else line[:60] + "..."
                raise RecipeError(
                    f'{where}: "{short}" is not a wish. A wish looks like "vocals +2", "vocals +2 from 2:10 to 2:40", '
                    '"vocals room +3", "drums low -2" or "note 2:10 what you want to say".'
                )
        except RecipeError as error:
            if refuse is None:
                raise
            refuse(number, str(error))
    where = f"{file}, line {block[0][0]}"
    if not head.get("song"):
        raise RecipeError(f'{where}: these wishes do not say which song they are for. Add a line "song: TITLE".')
    mix = head.get("mix", "")
    if mix and not re.fullmatch(r"[0-9a-f]{8}", mix):
        raise RecipeError(
            f'{where}: "mix: {mix[:20]}" does not name a mix. Copy the wishes from the song\'s page once more.'
        )
    return Wishes(
        song=head["song"],
        mix=mix,
        # Two people without names are two people, and may disagree.
        who=f"somebody ({where})" if head.get("from", NOBODY) in ("", NOBODY) else head["from"],
        moves=tuple(moves),
        notes=tuple(notes),
        where=where,
    )


def _move(found: re.Match[str], where: str) -> WishedMove:
    level_db = float(found[2])
    if abs(level_db) > MOST_DB:
        raise RecipeError(f"{where}: {level_db:+g} dB is more than a wish may ask for ({MOST_DB:g} dB up or down).")
    from_s, to_s = (None, None) if found[3] is None else (_time(found[3], where), _time(found[4], where))
    if from_s is not None and to_s is not None and to_s <= from_s:
        raise RecipeError(f"{where}: the part must end after it starts.")
    return WishedMove(name=found[1].strip(), level_db=level_db, from_s=from_s, to_s=to_s, where=where)


def _time(text: str, where: str) -> float:
    try:
        return parse_time(text)
    except ValueError as error:
        raise RecipeError(f"{where}: the time {error}.") from error
