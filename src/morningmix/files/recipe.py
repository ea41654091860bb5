"""The recipe: what a person wants, in a small TOML file that they and the program both edit.

Reading refuses whatever it does not know, with its line. Editing exchanges or adds single lines of the text, so that
comments, order and line breaks stay as they are, byte for byte.
"""

from __future__ import annotations

import contextlib
import datetime
import itertools
import json
import math
import os
import re
import stat
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field  # noqa: TID251 - this room may

from morningmix.errors import OutputError, RecipeError, RecordingsError, UsageError
from morningmix.facts import (
    BleedMethod,
    Defaults,
    FoundSong,
    InputWish,
    MoveWish,
    Recipe,
    SongInputWish,
    SongWish,
    Sourced,
    Switch,
    TargetPreset,
)
from morningmix.files.presets import load_roles, load_target, role_from_name
from morningmix.files.toml_lines import Loc, Strict, Toml, between, checked, did_you_mean, parse, plain, read_text
from morningmix.units import clock

LEVEL_DB = (-60.0, 24.0)
"""Range of every level_db. Design choice: from inaudible to more than any fader has."""

_REMARK = re.compile(r"[ \t]*#[^\n]*(?:\n|\Z)")
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


GUESS = "?"
"""Behind a role: nobody has confirmed it."""


def _role(value: str | None) -> str | None:
    if value is None:
        return None
    roles = load_roles()
    guess = GUESS if value.endswith(GUESS) else ""
    value = value.removesuffix(GUESS)
    for role in roles:
        if plain(role) == plain(value):
            return role + guess
    near = did_you_mean(value, roles)
    if not near and (named := role_from_name(value, roles)):
        near = f' Did you mean "{named[0]}"?'
    raise ValueError(f'"{value}" is not known.{near or " There are: " + ", ".join(roles) + "."}')


def _version(value: int) -> int:
    if value != 1:
        raise ValueError(f"must be 1, not {value}: this version of the program reads no other")
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


def _folder(value: str) -> str:
    if not value.strip() or "\0" in value:
        raise ValueError("must name the folder with the raw tracks")
    return value


Role = Annotated[str | None, AfterValidator(_role)]
Name = Annotated[str | None, AfterValidator(_name)]
Files = Annotated[list[str], BeforeValidator(file_names)]
_Time = Annotated[float, BeforeValidator(parse_time)]
_Level = Annotated[float, between(*LEVEL_DB)]
_Pan = Annotated[float | None, between(-1.0, 1.0)]


class _Rehearsal(Strict):
    tracks: Annotated[str, AfterValidator(_folder)]
    title: Name = None
    band: Name = None
    date: Annotated[str | None, AfterValidator(_date)] = None


class _Target(Strict):
    preset: str = "demo"
    loudness_lufs: Annotated[float | None, between(-40.0, -8.0)] = None
    ceiling_dbtp: Annotated[float | None, between(-9.0, 0.0)] = None


class _Defaults(Strict):
    level_db: _Level = 0.0
    bleed: BleedMethod = "full"
    compress: Switch = "auto"
    eq: Switch = "auto"
    high_pass: Switch = "auto"
    align: Switch = "auto"
    repair: Switch = "auto"


class _Input(Strict):
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

    def called(self) -> str:
        """What the rest of the recipe calls it: its name, or its file's without the ending."""
        return self.name or Path(self.file[0]).stem


class _SongInput(Strict):
    name: str
    level_db: _Level = 0.0
    role: Role = None
    pan: _Pan = None
    mute: bool | None = None


class _Move(Strict):
    name: str
    from_s: _Time = Field(alias="from")
    to_s: _Time = Field(alias="to")
    level_db: _Level


class _Song(Strict):
    title: Annotated[str, AfterValidator(_name)]
    start: _Time
    end: _Time
    keep: bool = True
    reason: str | None = None
    take: Name = None
    input: list[_SongInput] = Field(default_factory=list)
    move: list[_Move] = Field(default_factory=list)


class _File(Strict):
    recipe: Annotated[int, AfterValidator(_version)]
    rehearsal: _Rehearsal
    target: _Target = _Target()
    defaults: _Defaults = _Defaults()
    input: list[_Input] = Field(default_factory=list)
    song: list[_Song] = Field(default_factory=list)


# ---------------------------------------------------------------- reading


def read_recipe(path: Path) -> Recipe:
    """The recipe in that file, its [defaults] filled into every input it lists and its target's preset loaded.

    Raises `RecipeError`, with file and line, for whatever is wrong.
    """
    toml = parse(read_text(path), path.name)
    file = _checked_file(toml)
    folder = path.resolve().parent
    tracks = (folder / file.rehearsal.tracks).resolve()
    names = {plain(wish.called()): wish.called() for wish in file.input}
    return Recipe(
        path=path.resolve(),
        tracks=tracks,
        title=file.rehearsal.title or tracks.name or folder.name,
        band=file.rehearsal.band,
        date=file.rehearsal.date,
        target=_target(file.target, toml),
        defaults=Defaults(**file.defaults.model_dump()),
        inputs=tuple(_input_wish(wish, file.defaults) for wish in file.input),
        songs=tuple(_song_wish(song, names) for song in file.song),
    )


def _checked_file(toml: Toml) -> _File:
    """All that can be said without the presets of the target."""
    file = checked(_File, toml)
    _refuse_twice(
        toml,
        "name",
        [(plain(wish.called()), wish.called(), ("input", at, "name")) for at, wish in enumerate(file.input)],
    )
    _refuse_twice(
        toml,
        "file",
        [(name.casefold(), name, ("input", at, "file")) for at, wish in enumerate(file.input) for name in wish.file],
    )
    names = {plain(wish.called()): wish.called() for wish in file.input}
    for number, song in enumerate(file.song):
        _check_song(toml, ("song", number), song, names)
    return file


def _check_song(toml: Toml, loc: Loc, song: _Song, names: dict[str, str]) -> None:
    if song.end <= song.start:
        raise toml.refusal((*loc, "end"), f'"{song.title}" must end after its start.')
    asked = [("input", at, each.name) for at, each in enumerate(song.input)]
    asked += [("move", at, each.name) for at, each in enumerate(song.move)]
    for table, at, name in asked:
        if plain(name) not in names:
            raise toml.refusal((*loc, table, at, "name"), _unknown_name(name, names.values()))
    _refuse_twice(
        toml,
        "name",
        [(plain(entry.name), entry.name, (*loc, "input", at, "name")) for at, entry in enumerate(song.input)],
    )
    for at, move in enumerate(song.move):
        if move.to_s <= move.from_s:
            raise toml.refusal((*loc, "move", at, "to"), "a move must end after its start.")
        if move.from_s >= song.end - song.start:
            raise toml.refusal(
                (*loc, "move", at, "from"), f'"{song.title}" is over by then; times count from the start of the song.'
            )


def _refuse_twice(toml: Toml, key: str, entries: Iterable[tuple[str, str, Loc]]) -> None:
    """Entries are (what must be unique, how it is written, where)."""
    seen: dict[str, Loc] = {}
    for unique, written, loc in entries:
        if unique in seen:
            raise toml.refusal(loc, f'the {key} "{written}" is already used in line {toml.line(seen[unique])}.')
        seen[unique] = loc


def _unknown_name(name: str, names: Iterable[str]) -> str:
    known = list(names)
    listed = ", ".join(f'"{each}"' for each in known)
    return f'no input is called "{name}".{did_you_mean(name, known)} ' + (
        f"There are: {listed}." if known else "The recipe lists no inputs."
    )


def _target(wish: _Target, toml: Toml) -> TargetPreset:
    try:
        target = load_target(wish.preset)
    except RecipeError as error:
        raise toml.refusal(("target", "preset"), str(error)) from error
    if wish.loudness_lufs is not None:
        target = replace(target, loudness_lufs=Sourced(value=wish.loudness_lufs, source="recipe"))
    if wish.ceiling_dbtp is not None:
        target = replace(target, ceiling_dbtp=Sourced(value=wish.ceiling_dbtp, source="recipe"))
    return target


def _confirmed(role: str | None) -> str | None:
    return role.removesuffix(GUESS) if role else None


def _input_wish(wish: _Input, defaults: _Defaults) -> InputWish:
    return InputWish(
        files=tuple(wish.file),
        name=wish.name,
        role=_confirmed(wish.role),
        role_is_guess=bool(wish.role and wish.role.endswith(GUESS)),
        player=wish.player,
        level_db=defaults.level_db if wish.level_db is None else wish.level_db,
        pan=wish.pan,
        mute=wish.mute,
        flip=wish.flip,
        delay_ms=wish.delay_ms,
        high_pass_hz=wish.high_pass_hz,
        bleed=wish.bleed or defaults.bleed,
        compress=wish.compress or defaults.compress,
        eq=wish.eq or defaults.eq,
        high_pass=wish.high_pass or defaults.high_pass,
        align=wish.align or defaults.align,
        repair=wish.repair or defaults.repair,
    )


def _song_wish(song: _Song, names: dict[str, str]) -> SongWish:
    return SongWish(
        title=song.title,
        start_s=song.start,
        end_s=song.end,
        keep=song.keep,
        reason=song.reason,
        take=song.take,
        inputs=tuple(
            SongInputWish(
                name=names[plain(each.name)],
                level_db=each.level_db,
                role=each.role.removesuffix(GUESS) if each.role else None,
                pan=each.pan,
                mute=each.mute,
            )
            for each in song.input
        ),
        moves=tuple(
            MoveWish(name=names[plain(each.name)], from_s=each.from_s, to_s=each.to_s, level_db=each.level_db)
            for each in song.move
        ),
    )


# ---------------------------------------------------------------- writing


@dataclass(frozen=True, slots=True, kw_only=True)
class InputLine:
    """One input of a generated recipe."""

    files: tuple[str, ...]
    """One file name, or left and right of a pair."""
    name: str
    role: str | None
    player: str | None = None
    guessed: bool = False
    """The role is a guess, and the recipe says so."""
    note: str | None = None
    """What else to say about it, in words: "nothing was recorded here"."""


def new_recipe(*, tracks: str, title: str, inputs: Sequence[InputLine]) -> str:
    """Text of a recipe that lists every input.

    `tracks` is the folder relative to where the recipe will lie. Raises `RecordingsError` for a file name that no UTF-8
    text can hold.
    """
    lines = [
        "# What this rehearsal should sound like: change a line, save, and mix again.",
        "# What stands behind a # is a remark. Take the # away in front of a key to use it.",
        "recipe = 1",
        "",
        "[rehearsal]",
        f"tracks = {_quoted(tracks)}  # folder with the raw tracks, seen from this file",
        f"title = {_quoted(title)}",
        '# band = "..."   date = "2026-11-19"   # for what is sent round',
        "",
        "[target]",
        'preset = "demo"  # -16 LUFS, to send round; "loud" is -14',
        "# loudness_lufs = -16.0",
        "",
        "[defaults]  # for every input that does not say otherwise",
        '# bleed = "gate"',
        '# compress = "off"',
        '# eq = "off"',
        '# high_pass = "off"',
        '# align = "off"',
        '# repair = "off"',
        "",
        "# One block for each input. level_db goes on top of the automatic balance: 2 is a little louder, -2 softer.",
        "# Each may also have:  pan = -0.5 (left -1, right 1)   mute = true   flip = true   high_pass_hz = 110",
    ]
    for each in inputs:
        names = [_quoted(name) for name in each.files]
        lines += ["", "[[input]]"]
        lines.append(f"file = {names[0] if len(names) == 1 else '[' + ', '.join(names) + ']'}{_remark(each.note)}")
        lines.append(f"name = {_quoted(each.name)}")
        if each.role is not None:
            lines.append(
                f"role = {_quoted(each.role + GUESS)}{_remark('a guess: if it is right, take the ? away')}"
                if each.guessed
                else f"role = {_quoted(each.role)}"
            )
        if each.player is not None:
            lines.append(f"player = {_quoted(each.player)}")
        lines.append("level_db = 0.0")
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """A TOML basic string. JSON's escapes are TOML's, except that TOML wants DEL escaped too."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError as error:
        readable = text.encode("utf-8", "backslashreplace").decode("utf-8")
        raise RecordingsError(f'The name "{readable}" is not UTF-8 text. Rename the file.') from error
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _remark(text: str | None) -> str:
    return "" if text is None else "  # " + "".join(sign if sign.isprintable() else " " for sign in text)


def turn(text: str, name: str, by_db: float, song: str | None = None) -> tuple[str, float, float]:
    """A recipe's text with one input's level_db changed by `by_db`, in one song if `song` names one.

    Returns the new text, the old and the new level in dB. Raises `UsageError` for a name or a song that is not there
    and for a level out of range, `RecipeError` for a recipe that cannot be read.
    """
    toml = parse(text, "recipe.toml")
    file = _checked_file(toml)
    names = [wish.called() for wish in file.input]
    at = _index(name, names)
    if at is None:
        raise UsageError(_sentence_case(_unknown_name(name, names)))
    if song is None:
        table: Loc = ("input", at)
        said = file.input[at].level_db
        old = file.defaults.level_db if said is None else said
    else:
        table, old = _song_input(file, song, names[at])
    new = round(old + by_db, 1) + 0.0 if math.isfinite(by_db) else math.inf
    if not LEVEL_DB[0] <= new <= LEVEL_DB[1]:
        raise UsageError(
            f'"{names[at]}" stands at {old:+g} dB; {by_db:+g} dB would leave the range of '
            f"{LEVEL_DB[0]:+g} to {LEVEL_DB[1]:+g} dB."
        )
    level = f"level_db = {new}"
    place = toml.places.get((*table, "level_db"))
    if place is not None:
        return text[: place.value_start] + str(new) + text[place.value_end :], old, new
    if table in toml.places:
        own_keys = [loc for loc in toml.places if loc[:-1] == table and isinstance(loc[-1], str)]
        own_lines = [toml.places[loc] for loc in own_keys if text[toml.places[loc].start] != "["]
        last = max((toml.places[table], *own_lines), key=lambda place: place.end)
        return _with_lines(text, last.end, _indent(text, last.start), [level]), old, new
    of_song = [place for loc, place in toml.places.items() if loc[: len(table) - 2] == table[:-2]]
    lines = ["", "[[song.input]]", f"name = {_quoted(names[at])}", level]
    end = max(place.end for place in of_song)
    # Keys that are only remarks so far stay in the table they were written for.
    while remark := _REMARK.match(text, end):
        end = remark.end()
    return _with_lines(text, end, "", lines), old, new


def with_songs(text: str, found: Sequence[FoundSong], take: str | None = None) -> str:
    """A recipe's text with the songs that were found in a take, by its name where a rehearsal has several.

    A song of the recipe that lies mostly where one was found stays as it is but for its start and end (and those too,
    where a move of it would fall out). Others of the recipe become remarks, and what is new gets a table in its place
    in time. Raises `RecipeError` for a recipe that cannot be read.
    """
    toml = parse(text, "recipe.toml")
    everywhere = _checked_file(toml).song
    old = {at: song for at, song in enumerate(everywhere) if take is None or plain(song.take or "") == plain(take)}
    matched = _matched(old, found)
    # Where, up to where, and what stands there instead: text, or whole lines that are put in.
    edits: list[tuple[int, int, str | list[str]]] = []
    for at, song in old.items():
        if at in matched:
            length_s = matched[at].end.at_s - matched[at].start.at_s
            if any(move.from_s >= length_s for move in song.move):
                continue
            for key, was_s, now_s in (
                ("start", song.start, matched[at].start.at_s),
                ("end", song.end, matched[at].end.at_s),
            ):
                place = toml.places[("song", at, key)]
                if round(was_s, 1) != round(now_s, 1):
                    edits.append((place.value_start, place.value_end, f'"{clock(now_s)}"'))
        else:
            places = [place for loc, place in toml.places.items() if loc[:2] == ("song", at)]
            start, end = min(place.start for place in places), max(place.end for place in places)
            edits.append((start, end, re.sub(r"(?m)^(?=[^\n]*\S)(?![ \t]*#)", "# ", text[start:end])))
    titles = {plain(song.title) for song in everywhere}
    new = [song for song in found if song not in matched.values()]
    for one in new:
        lines = ["[[song]]", *_song_lines(one, _free_title("Song" if one.keep else "Aside", titles), take)]
        later = next((at for at, song in old.items() if song.start > one.start.at_s), None)
        if later is None:
            edits.append((len(text), len(text), ["", *lines]))
        else:
            place_at = _above(text, toml.places[("song", later)].start)
            edits.append((place_at, place_at, [*lines, ""]))
    # From the back, so that places stay true; of several that are put in at one place the last goes first.
    for start, end, what in sorted(edits, key=lambda edit: edit[:2])[::-1]:
        text = text[:start] + what + text[end:] if isinstance(what, str) else _with_lines(text, start, "", what)
    return text


def _matched(old: Mapping[int, _Song], found: Sequence[FoundSong]) -> dict[int, FoundSong]:
    """By place in the recipe: the found song that shares more than half of the longer one's time with it."""
    matched: dict[int, FoundSong] = {}
    for at, song in old.items():
        for one in found:
            shared = min(song.end, one.end.at_s) - max(song.start, one.start.at_s)
            longer = max(song.end - song.start, one.end.at_s - one.start.at_s)
            if shared > 0.5 * longer and one not in matched.values():
                matched[at] = one
                break
    return matched


def _song_lines(song: FoundSong, title: str, take: str | None) -> list[str]:
    lines = [f"title = {_quoted(title)}"]
    if take is not None:
        lines.append(f"take = {_quoted(take)}")
    for key, boundary in (("start", song.start), ("end", song.end)):
        unsure = _remark(f"unsure: {boundary.because}") if boundary.unsure else ""
        lines.append(f'{key} = "{clock(boundary.at_s)}"{unsure}')
    if not song.keep:
        lines += ["keep = false", f"reason = {_quoted(song.reason or '')}"]
    return lines


def _free_title(word: str, taken: set[str]) -> str:
    """ "Song 1", or the first number that is free; it is taken from then on."""
    number = next(number for number in itertools.count(1) if plain(f"{word} {number}") not in taken)
    taken.add(plain(f"{word} {number}"))
    return f"{word} {number}"


def _above(text: str, at: int) -> int:
    """Start of the lines of remarks that stand right above the line that starts at `at`."""
    while at > 0 and text[text.rfind("\n", 0, at - 1) + 1 : at].lstrip(" \t").startswith("#"):
        at = text.rfind("\n", 0, at - 1) + 1
    return at


def confirm(text: str, name: str, role: str) -> str:
    """A recipe's text with an input's written role changed, and the remark behind it gone: somebody has said so.

    Raises `UsageError` for a name that is not there or has no role yet, `RecipeError` for an unknown role.
    """
    toml = parse(text, "recipe.toml")
    file = _checked_file(toml)
    names = [wish.called() for wish in file.input]
    at = _index(name, names)
    place = toml.places.get(("input", at, "role")) if at is not None else None
    if place is None:
        raise UsageError(_sentence_case(_unknown_name(name, names)))
    try:
        known = _role(role.removesuffix(GUESS))
    except ValueError as error:
        raise RecipeError(f"The role {error}") from error
    line_end = text[place.value_end : place.end]
    newline = line_end[len(line_end.rstrip("\r\n")) :]
    return text[: place.value_start] + _quoted(known or "") + newline + text[place.end :]


def _song_input(file: _File, title: str, name: str) -> tuple[Loc, float]:
    """Place and level of a song's own table for an input; the place may be one that does not exist yet."""
    titles = [song.title for song in file.song]
    hits = [at for at, known in enumerate(titles) if plain(known) == plain(title)]
    kept = [at for at in hits if file.song[at].keep]
    hits = kept if len(hits) > 1 and len(kept) == 1 else hits
    if not hits:
        listed = "There are: " + ", ".join(f'"{known}"' for known in titles) if titles else "The recipe lists no songs"
        raise UsageError(f'No song is called "{title}".{did_you_mean(title, titles)} {listed}.')
    if len(hits) > 1:
        raise UsageError(f'Several songs are called "{title}". Give them different titles in the recipe first.')
    entries = file.song[hits[0]].input
    at = _index(name, [entry.name for entry in entries])
    if at is None:
        return ("song", hits[0], "input", len(entries)), 0.0
    return ("song", hits[0], "input", at), entries[at].level_db


def _index(name: str, names: Sequence[str]) -> int | None:
    return next((at for at, known in enumerate(names) if plain(known) == plain(name)), None)


def _sentence_case(text: str) -> str:
    return text[:1].upper() + text[1:]


def _indent(text: str, at: int) -> str:
    line_start = text.rfind("\n", 0, at) + 1
    return re.sub(r"[^ \t]", "", text[line_start:at])


def _with_lines(text: str, at: int, indent: str, lines: list[str]) -> str:
    """`lines` inserted at the line start `at` (or the end of a text whose last line is not ended)."""
    newline = "\r\n" if "\r\n" in text else "\n"
    inserted = "".join((indent + line if line else "") + newline for line in lines)
    if not text[:at].endswith("\n"):
        inserted = newline + inserted.removesuffix(newline)
    return text[:at] + inserted + text[at:]


def write_text_whole(path: Path, text: str) -> None:
    """Write the file whole or not at all; the old one stays until the new one is complete.

    Raises `OutputError` where that is not possible.
    """
    path = path.resolve()
    partial = path.with_name(f".{path.name[:40]}.{os.getpid()}.partial")
    try:
        with partial.open("wb") as file:
            file.write(text.encode("utf-8"))
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            partial.chmod(stat.S_IMODE(path.stat().st_mode))
        partial.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            partial.unlink()
        raise OutputError(f"{path} cannot be written: {error.strerror or error}.") from error
