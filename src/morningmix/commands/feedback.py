"""Merge what several people wish into a recipe: what they agree on is changed, what they disagree on is reported."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import get_args

from morningmix.errors import MorningmixError, RecipeError, UsageError
from morningmix.files.feedback import MOST_DB, WishedMove, Wishes, printable, read_wishes
from morningmix.files.notes import with_notes
from morningmix.files.recall import Recall, read_sheets, unsaid
from morningmix.files.recipe import band_of
from morningmix.files.recipe_edit import PARTS, RANGES_DB, Part, turn, with_moves, with_remarks, with_song
from morningmix.files.recipe_tables import checked_file
from morningmix.files.toml_lines import did_you_mean, parse
from morningmix.model.band import NOTHING_USUAL, Band
from morningmix.model.names import plain
from morningmix.model.plan import FAMILIES, SongPlan
from morningmix.model.recipe import SongNote
from morningmix.storage.home import MIXES
from morningmix.storage.song_folders import finish_swaps, song_sheets
from morningmix.storage.text import read_text, write_text_whole

Stretch = tuple[float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreed:
    """One change that is made."""

    song: str
    name: str
    part: Part = "level"
    level_db: float
    stretch: Stretch
    asked: tuple[tuple[str, float], ...]
    """Who asked for how much."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Conflict:
    """A disagreement: some want it up and some down, so nothing is changed."""

    song: str
    name: str
    part: Part = "level"
    stretch: Stretch
    asked: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What became of the wishes."""

    agreed: tuple[Agreed, ...]
    conflicts: tuple[Conflict, ...]
    notes: int
    refused: tuple[str, ...]
    """Why the others were left out, a line each."""


def take_wishes(recipe: Path, files: Sequence[Path], skipped: Callable[[str], None] = unsaid) -> Taken:
    """Merge the wishes in the files into a recipe, which the caller is `editing`: what can be merged, or nothing.

    `skipped` receives a line about each song whose recall sheet cannot be read. Raises as `with_wishes` does,
    `RecipeError` where nothing in the files is understood, and `OutputError`.
    """
    wishes: list[Wishes] = []
    refused: list[str] = []
    for file in files:
        theirs, not_understood = read_wishes(file)
        wishes += theirs
        refused += not_understood
    if not wishes:
        raise RecipeError(refused[0])
    text, taken = with_wishes(read_text(recipe), wishes, recipe, skipped)
    write_text_whole(recipe, text)
    return replace(taken, refused=(*refused, *taken.refused))


Matter = tuple[str, str, Part, Stretch]
"""A song, an input or a family, a part of its sound and a stretch: what several people may have wishes about."""


def with_wishes(
    text: str,
    wishes: Sequence[Wishes],
    recipe: Path,
    skipped: Callable[[str], None] = unsaid,
    left_out: Collection[Matter] = (),
) -> tuple[str, Taken]:
    """The text of a recipe with wishes merged into it, but for matters that are `left_out`; and what became of them.

    Wishes that are for another version of the mix, that were merged before, that name what is not there, or that the
    recipe's ranges have no room for are refused, and the rest is merged; where there is no rest, the first refusal is
    raised. `skipped` receives a line about each song whose recall sheet cannot be read. Raises `RecipeError`,
    `UsageError`.
    """
    lists_songs = bool(checked_file(parse(text, recipe.name)).song)
    unread: list[str] = []
    sheets = _sheets(recipe, unread.append)
    for line in unread:
        skipped(line)
    if not lists_songs and len(sheets) + len(unread) > 1:
        raise UsageError(
            "The recipe lists no songs. Add a [[song]] for each take first, so that each wish finds its song."
        )
    usable, refused = _usable(wishes, sheets, text)
    agreed, conflicts = merge([clear for _, clear in usable])
    agreed = tuple(one for one in agreed if (one.song, one.name, one.part, one.stretch) not in left_out)
    if not lists_songs and any(change.stretch for change in agreed):
        (sheet,) = sheets.values()
        text, lists_songs = with_song(text, sheet.title, sheet.plan.end_s), True
    done: list[Agreed] = []
    for change in agreed:
        sheet = sheets[_key(change.song)]
        usual = NOTHING_USUAL if lists_songs else band_of(recipe, text)
        try:
            text = _with_change(text, change, sheet, sheet.title if lists_songs else None, usual)
            done.append(change)
        except (RecipeError, UsageError) as error:
            if len(agreed) == 1 and not conflicts and not any(theirs.notes for theirs, _ in usable):
                raise
            refused.append(f"{sheet.title}: {error}")
    for theirs, _ in usable:
        title = sheets[_key(theirs.song)].title if lists_songs else None
        text = with_notes(text, title, [SongNote(at_s=one.at_s, who=theirs.who, says=one.says) for one in theirs.notes])
        text = with_remarks(text, title, [mark_of(theirs)]) if theirs.mix else text
    notes = sum(len(theirs.notes) for theirs, _ in usable)
    return text, Taken(agreed=tuple(done), conflicts=conflicts, notes=notes, refused=tuple(refused))


def _with_change(text: str, change: Agreed, sheet: Recall, song: str | None, usual: Band) -> str:
    """The recipe's text with one change made. Raises `RecipeError`, `UsageError`."""
    names = _inputs(change.name, sheet.plan)
    if change.stretch is not None:
        return with_moves(text, sheet.title, [(name, *change.stretch, change.level_db) for name in names])
    # A recipe knows no family that only earlier versions had.
    for name in [change.name] if change.name in (*names, *FAMILIES) else names:
        text, *_ = turn(text, name, change.level_db, song, PARTS[change.part], usual)
    return text


def merge(wishes: Sequence[Wishes]) -> tuple[tuple[Agreed, ...], tuple[Conflict, ...]]:
    """What everybody can live with: wishes in one direction are averaged, opposite ones change nothing.

    Overlapping stretches are merged, from the first start to the last end. If somebody asks twice, the last wish
    counts.
    """
    asked: dict[tuple[str, str, Part], list[tuple[str, WishedMove]]] = {}
    spelt: dict[str, str] = {}
    for theirs in wishes:
        for move in theirs.moves:
            song, name = (spelt.setdefault(plain(each), each) for each in (theirs.song, move.name))
            asked.setdefault((song, name, move.part), []).append((theirs.who, move))
    agreed: list[Agreed] = []
    conflicts: list[Conflict] = []
    for (song, name, part), moves in asked.items():
        for stretch, together in _matters(moves):
            wanted = {who: move.level_db for who, move in together if move.level_db}
            if not wanted:
                continue
            whose = tuple(wanted.items())
            if min(wanted.values()) < 0.0 < max(wanted.values()):
                conflicts.append(Conflict(song=song, name=name, part=part, stretch=stretch, asked=whose))
                continue
            level_db = round(sum(wanted.values()) / len(wanted), 1)
            agreed.append(Agreed(song=song, name=name, part=part, level_db=level_db, stretch=stretch, asked=whose))
    return tuple(agreed), tuple(conflicts)


def _matters(moves: Sequence[tuple[str, WishedMove]]) -> list[tuple[Stretch, list[tuple[str, WishedMove]]]]:
    """Wishes about one family or input in groups: the whole song, and each set of stretches that overlap."""
    whole = [(who, move) for who, move in moves if move.from_s is None]
    groups: list[tuple[Stretch, list[tuple[str, WishedMove]]]] = [(None, whole)] if whole else []
    parts = [(move.from_s, move.to_s, who, move) for who, move in moves if move.from_s is not None and move.to_s]
    end_s = -1.0
    for from_s, to_s, who, move in sorted(parts, key=lambda part: part[:2]):
        if from_s < end_s and groups[-1][0] is not None:
            start_s, end_s = groups[-1][0][0], max(end_s, to_s)
            groups[-1][1].append((who, move))
            groups[-1] = ((start_s, end_s), groups[-1][1])
        else:
            end_s = to_s
            groups.append(((from_s, to_s), [(who, move)]))
    return groups


def _sheets(recipe: Path, skipped: Callable[[str], None]) -> dict[str, Recall]:
    """The recall sheets of all mixed songs, by plain title."""
    mixes = recipe.resolve().parent / MIXES
    finish_swaps(mixes)
    sheets = read_sheets(song_sheets(mixes), skipped)
    if not sheets:
        raise UsageError(f"Nothing is mixed yet from {recipe}, so there is nothing to change. Mix it first.")
    return {_key(recall.title): recall for _, recall in sheets}


def _key(title: str) -> str:
    return plain(printable(title))


def _sheet(wishes: Wishes, sheets: Mapping[str, Recall]) -> Recall:
    sheet = sheets.get(_key(wishes.song))
    if sheet is None:
        titles = [recall.title for recall in sheets.values()]
        listed = ", ".join(f'"{title}"' for title in titles)
        raise UsageError(
            f'{wishes.where}: no song "{wishes.song}" is mixed.{did_you_mean(wishes.song, titles)} '
            f"The songs are: {listed}."
        )
    return sheet


def _usable(
    wishes: Sequence[Wishes], sheets: Mapping[str, Recall], text: str
) -> tuple[list[tuple[Wishes, Wishes]], list[str]]:
    """Wishes as they came and what can be merged of them into a recipe's text, and why the others cannot.

    Raises where none can.
    """
    usable: list[tuple[Wishes, Wishes]] = []
    errors: list[MorningmixError] = []
    for theirs in wishes:
        # A chat that is pasted twice says everything twice.
        if any(_said(theirs) == _said(other) for other, _ in usable):
            continue
        try:
            sheet = _sheet(theirs, sheets)
            _refuse_stale(theirs, sheet, text)
        except (RecipeError, UsageError) as error:
            errors.append(error)
            continue
        clear, unclear = understood(theirs, sheet.plan)
        errors += unclear
        if clear.moves or theirs.notes or not theirs.moves:
            usable.append((theirs, clear))
    if errors and not usable:
        raise errors[0]
    return usable, [str(error) for error in errors]


def _said(wishes: Wishes) -> Wishes:
    """Wishes without the place where they stand."""
    return replace(wishes, where="", moves=tuple(replace(move, where="") for move in wishes.moves))


def _refuse_stale(wishes: Wishes, sheet: Recall, text: str) -> None:
    """Raise for wishes that are in the recipe already, or for another mix."""
    if wishes.mix and mark_of(wishes) in text:
        raise RecipeError(f'{wishes.where}: the wishes of {wishes.who} for "{sheet.title}" are already in the recipe.')
    if wishes.mix and wishes.mix != sheet.mix_id:
        raise RecipeError(
            f'{wishes.where}: {wishes.who} listened to an older mix of "{sheet.title}". '
            'Ask them to listen to the new one, or delete the line "mix:" to use the wishes anyway.'
        )


def understood(wishes: Wishes, of_song: SongPlan) -> tuple[Wishes, list[UsageError]]:
    """Wishes with the inputs and families of a song by their names, and what is wrong with those that are left out."""
    moves: list[WishedMove] = []
    errors: list[UsageError] = []
    for move in wishes.moves:
        try:
            moves.append(_understood(move, of_song))
        except UsageError as error:
            errors.append(error)
    return replace(wishes, moves=tuple(moves)), errors


def _understood(move: WishedMove, of_song: SongPlan) -> WishedMove:
    """A wish with the name and the part that it means: "drum room +2" is an input's level if one has that name."""
    sounding = [track for track in of_song.tracks if track.sounds]
    names = [*dict.fromkeys(track.family for track in sounding), *(track.name for track in sounding)]
    left_out = [track.name for track in of_song.tracks if not track.sounds]
    known = {plain(name): name for name in (*left_out, *names)}
    name, part = known.get(plain(move.name)), move.part
    if name is None:
        typed, _, last = move.name.rpartition(" ")
        part = next((part for part in get_args(Part) if part == last.casefold()), part)
        name = known.get(plain(typed)) if part != "level" else None
    if name is None:
        raise UsageError(
            f'{move.where}: nothing in "{of_song.title}" is called "{move.name}".{did_you_mean(move.name, names)} '
            f"The inputs and families are: {', '.join(dict.fromkeys(names))}."
        )
    if not _inputs(name, of_song):
        raise UsageError(f'{move.where}: "{name}" is not in the mix of "{of_song.title}".')
    if part != "level" and move.from_s is not None:
        raise UsageError(
            f"{move.where}: only the level can change for one part of a song. Wish for {part} in the whole song."
        )
    most_db = min(MOST_DB, RANGES_DB[PARTS[part]][1])
    if abs(move.level_db) > most_db:
        raise UsageError(
            f"{move.where}: {move.level_db:+g} dB is more than a wish may ask for ({part}: {most_db:g} dB up or down)."
        )
    return replace(move, name=name, part=part)


def _inputs(name: str, plan: SongPlan) -> list[str]:
    """Names of the inputs in the mix that a name means: one, or a whole family."""
    sounding = [track for track in plan.tracks if track.sounds]
    return [track.name for track in sounding if track.name == name] or [
        track.name for track in sounding if track.family == name
    ]


def mark_of(wishes: Wishes) -> str:
    """A comment that identifies wishes that are already in the recipe."""
    content = repr(
        (plain(wishes.song), wishes.mix, wishes.who, [(m.name, m.level_db, m.from_s, m.to_s) for m in wishes.moves])
    )
    content += repr([(note.at_s, note.says) for note in wishes.notes])
    return f"# wishes of {wishes.who} for mix {wishes.mix} ({hashlib.sha256(content.encode('utf-8')).hexdigest()[:6]})"
