"""The tables of a recipe as they are written, and what is refused in them.

Anything unknown is refused, with its line.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field  # noqa: TID251 - this room may

from morningmix.files.presets import CEILING_DBTP, LOUDNESS_LUFS
from morningmix.files.role_names import known_role
from morningmix.files.toml_lines import Loc, Strict, Toml, between, checked, did_you_mean
from morningmix.model.names import plain
from morningmix.model.plan import FAMILIES
from morningmix.model.recipe import BleedMethod, Switch

LEVEL_DB = (-60.0, 24.0)
"""Range of every level_db: from inaudible to more than any fader has (design choice)."""
TONE_DB = (-6.0, 6.0)
"""Range of every low_db and high_db: what clearly changes an instrument and leaves it itself (design choice)."""
ROOM_DB = (-12.0, 12.0)
"""Range of every room_db: from next to no room to far back in it (design choice)."""

_MOST_LISTED = 64
_TIME = re.compile(r"(?:(?:(\d{1,4}):)?(\d{1,6}):)?(\d{1,9}(?:\.\d{1,12})?)", re.ASCII)


def parse_time(value: object) -> float:
    """Seconds of ``"3:12.0"``, ``"1:02:03.5"``, ``"75.2"`` or a number of seconds.

    Raises `ValueError`, in words that follow the key's name.

    >>> parse_time("1:02:03.5"), parse_time("75.2"), parse_time(12)
    (3723.5, 75.2, 12.0)
    """
    if isinstance(value, int | float) and not isinstance(value, bool):
        if 0 <= value < 1e9:
            return float(value)
    elif isinstance(value, str) and (found := _TIME.fullmatch(value.strip())):
        hours, minutes, seconds = int(found[1] or 0), int(found[2] or 0), float(found[3])
        minutes_fit = found[1] is None or minutes < 60
        if minutes_fit and (found[2] is None or seconds < 60):
            return hours * 3600.0 + minutes * 60.0 + seconds
    raise ValueError(f'must be a time such as "3:12.0" or "1:02:03.5", in quotes, not {value}')


def file_names(value: object) -> list[str]:
    """The plain file names of a recipe's ``file``. Raises `ValueError`, in words that follow the key's name."""
    names = [value] if isinstance(value, str) else value
    if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
        raise ValueError('must be a file name in quotes, or two for a stereo pair: ["left.wav", "right.wav"]')
    if not isinstance(value, str) and len(names) != 2:
        raise ValueError(f"must be one file name or two for a stereo pair, not {len(names)}")
    for name in names:
        if name in ("", ".", "..") or Path(name).name != name or "\0" in name:
            raise ValueError(f'must be the plain name of a file in the folder of the tracks, not "{name}"')
    if len(names) == 2 and names[0] == names[1]:
        raise ValueError("must name two different files for a stereo pair")
    return names


def _version(value: int) -> int:
    if value != 1:
        raise ValueError(f"must be 1, not {value}: this version of the program cannot read any other")
    return value


def _name(value: str | None) -> str | None:
    if value is not None and not plain(value):
        raise ValueError("must not be empty")
    return value


def _date(value: str | None) -> str | None:
    if value is not None:
        try:
            datetime.date.fromisoformat(value)
        except ValueError as error:
            raise ValueError(f'must be a date such as "2026-11-19", not "{value}"') from error
    return value


def known_family(value: str) -> str:
    """A family as pages spell it. Raises `ValueError`, in words that follow the key's name."""
    family = next((family for family in FAMILIES if plain(family) == plain(value)), None)
    if family is not None:
        return family
    raise ValueError(
        f'"{value}" is not a family.{did_you_mean(value, FAMILIES)} The families are: {", ".join(FAMILIES)}.'
    )


def _folder(value: str) -> str:
    if not value.strip() or "\0" in value:
        raise ValueError("must name the folder with the raw tracks")
    return value


Role = Annotated[str | None, AfterValidator(known_role)]
Name = Annotated[str | None, AfterValidator(_name)]
Files = Annotated[list[str], BeforeValidator(file_names)]
Title = Annotated[str, AfterValidator(_name)]
_Time = Annotated[float, BeforeValidator(parse_time)]
_Level = Annotated[float, between(*LEVEL_DB)]
_Pan = Annotated[float | None, between(-1.0, 1.0)]


class _Rehearsal(Strict):
    tracks: Annotated[str, AfterValidator(_folder)]
    title: Name = None
    band: Name = None
    date: Annotated[str | None, AfterValidator(_date)] = None


class TargetTable(Strict):
    """The [target]."""

    preset: str = "demo"
    loudness_lufs: Annotated[float | None, between(*LOUDNESS_LUFS)] = None
    ceiling_dbtp: Annotated[float | None, between(*CEILING_DBTP)] = None


class DefaultsTable(Strict):
    """The [defaults]."""

    level_db: _Level = 0.0
    bleed: BleedMethod = "full"
    compress: Switch = "auto"
    eq: Switch = "auto"
    high_pass: Switch = "auto"
    align: Switch = "auto"
    repair: Switch = "auto"
    feedback: Switch = "auto"


class _Sound(Strict):
    low_db: Annotated[float, between(*TONE_DB)] = 0.0
    high_db: Annotated[float, between(*TONE_DB)] = 0.0
    room_db: Annotated[float, between(*ROOM_DB)] = 0.0


class InputTable(_Sound):
    """One [[input]]."""

    file: Files
    name: Name = None
    role: Role = None
    player: str | None = None
    level_db: Annotated[float | None, between(*LEVEL_DB)] = None
    pan: _Pan = None
    mute: bool = False
    flip: bool | None = None
    delay_ms: Annotated[float | None, between(-1000.0, 1000.0)] = None
    high_pass_hz: Annotated[float | None, between(10.0, 1000.0)] = None
    bleed: BleedMethod | None = None
    compress: Switch | None = None
    eq: Switch | None = None
    high_pass: Switch | None = None
    align: Switch | None = None
    repair: Switch | None = None
    feedback: Switch | None = None

    def called(self) -> str:
        """Its name in the rest of the recipe: `name`, or its file name without the extension."""
        return self.name or Path(self.file[0]).stem


class _SongInput(_Sound):
    name: str
    level_db: _Level = 0.0
    role: Role = None
    pan: _Pan = None
    mute: bool | None = None


class FamilyTable(_Sound):
    """One [[family]] or [[song.family]]."""

    name: Annotated[str, AfterValidator(known_family)]
    level_db: _Level = 0.0


class _Move(Strict):
    name: str
    from_s: _Time = Field(alias="from")
    to_s: _Time = Field(alias="to")
    level_db: _Level


class SongTable(Strict):
    """One [[song]]."""

    title: Title
    start: _Time
    end: _Time
    keep: bool = True
    reason: str | None = None
    take: Name = None
    input: list[_SongInput] = Field(default_factory=list)
    family: list[FamilyTable] = Field(default_factory=list)
    move: list[_Move] = Field(default_factory=list)


class RecipeFile(Strict):
    """A whole recipe."""

    recipe: Annotated[int, AfterValidator(_version)]
    rehearsal: _Rehearsal
    target: TargetTable = TargetTable()
    defaults: DefaultsTable = DefaultsTable()
    input: list[InputTable] = Field(default_factory=list)
    family: list[FamilyTable] = Field(default_factory=list)
    song: list[SongTable] = Field(default_factory=list)


# ---------------------------------------------------------------- checks


def checked_file(toml: Toml) -> RecipeFile:
    """Check everything that does not depend on the target's preset. Raises `RecipeError`."""
    file = checked(RecipeFile, toml)
    refuse_twice(
        toml,
        "name",
        [(plain(wish.called()), wish.called(), ("input", at, "name")) for at, wish in enumerate(file.input)],
    )
    refuse_twice(
        toml,
        "file",
        [(name, name, ("input", at, "file")) for at, wish in enumerate(file.input) for name in wish.file],
    )
    refuse_families_twice(toml, (), file.family)
    names = {plain(wish.called()): wish.called() for wish in file.input}
    for number, song in enumerate(file.song):
        _check_song(toml, ("song", number), song, names)
    return file


def _check_song(toml: Toml, loc: Loc, song: SongTable, names: dict[str, str]) -> None:
    if song.end <= song.start:
        raise toml.refusal((*loc, "end"), f'"{song.title}" must end after it starts.')
    asked = [("input", at, each.name) for at, each in enumerate(song.input)]
    asked += [("move", at, each.name) for at, each in enumerate(song.move)]
    for table, at, name in asked:
        if plain(name) not in names:
            raise toml.refusal((*loc, table, at, "name"), unknown_name(name, names.values()))
    refuse_twice(
        toml,
        "name",
        [(plain(entry.name), entry.name, (*loc, "input", at, "name")) for at, entry in enumerate(song.input)],
    )
    refuse_families_twice(toml, loc, song.family)
    for at, move in enumerate(song.move):
        if move.to_s <= move.from_s:
            raise toml.refusal((*loc, "move", at, "to"), "a move must end after it starts.")
        if move.from_s >= song.end - song.start:
            raise toml.refusal(
                (*loc, "move", at, "from"), f'"{song.title}" has ended by then; times count from the start of the song.'
            )


def refuse_families_twice(toml: Toml, loc: Loc, families: Iterable[FamilyTable]) -> None:
    """Raise `RecipeError` for a family that has two tables in the table at `loc`."""
    names = [(each.name, each.name, (*loc, "family", at, "name")) for at, each in enumerate(families)]
    refuse_twice(toml, "family", names)


def refuse_twice(toml: Toml, key: str, entries: Iterable[tuple[str, str, Loc]]) -> None:
    """Raise `RecipeError` for a repeated entry; entries are (unique text, text as written, place)."""
    seen: dict[str, Loc] = {}
    for unique, written, loc in entries:
        if unique in seen:
            raise toml.refusal(loc, f'the {key} "{written}" is already used in line {toml.line(seen[unique])}.')
        seen[unique] = loc


def unknown_name(name: str, names: Iterable[str], families: Iterable[str] = ()) -> str:
    """Says that no input (nor any of the families) has that name, and lists those there are."""
    known, groups = list(names), list(families)
    listed = ", ".join(f'"{each}"' for each in known[:_MOST_LISTED])
    if len(known) > _MOST_LISTED:
        listed += f" and {len(known) - _MOST_LISTED} more"
    inputs = f"The inputs are: {listed}." if known else "The recipe lists no inputs."
    if not groups:
        return f'no input is called "{name}".{did_you_mean(name, known)} {inputs}'
    near = did_you_mean(name, [*known, *groups])
    return f'no input or family is called "{name}".{near} {inputs} The families are: {", ".join(groups)}.'
