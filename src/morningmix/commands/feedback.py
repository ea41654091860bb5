"""Merge what several people wish into a recipe: what they agree on is changed, what they disagree on is reported."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from morningmix.commands.agreement import Agreed, Conflict, Matter, merge
from morningmix.commands.former import sheet_in
from morningmix.commands.meant import inputs_meant, still_wanted, understood, written_down
from morningmix.errors import MorningmixError, RecipeError, UsageError
from morningmix.files.feedback import WishedMove, Wishes, printable, read_wishes
from morningmix.files.notes import with_notes
from morningmix.files.recall import Recall, read_sheets, unsaid
from morningmix.files.recipe import band_of
from morningmix.files.recipe_edit import PARTS, turn, with_moves, with_remarks, with_song
from morningmix.files.recipe_tables import checked_file
from morningmix.files.toml_lines import did_you_mean, parse
from morningmix.model.band import NOTHING_USUAL, Band
from morningmix.model.names import plain
from morningmix.model.plan import FAMILIES
from morningmix.model.recipe import SongNote
from morningmix.storage.home import EARLIER, MIXES
from morningmix.storage.song_folders import finish_swaps, song_sheets
from morningmix.storage.text import read_text, write_text_whole


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What became of the wishes."""

    agreed: tuple[Agreed, ...]
    conflicts: tuple[Conflict, ...]
    notes: int
    older: tuple[str, ...] = ()
    """Whose wishes are for an older mix, a line each."""
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


def with_wishes(
    text: str,
    wishes: Sequence[Wishes],
    recipe: Path,
    skipped: Callable[[str], None] = unsaid,
    left_out: Collection[Matter] = (),
) -> tuple[str, Taken]:
    """The text of a recipe with wishes merged into it, but for matters that are `left_out`; and what became of them.

    Wishes that were merged before, that name what is not there or has changed since somebody listened, or that the
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
        ((sheet, _),) = sheets.values()
        text, lists_songs = with_song(text, sheet.title, sheet.plan.end_s), True
    done: list[Agreed] = []
    for change in agreed:
        sheet, _ = sheets[_key(change.song)]
        usual = NOTHING_USUAL if lists_songs else band_of(recipe, text)
        try:
            text = _with_change(text, change, sheet, sheet.title if lists_songs else None, usual)
            done.append(change)
        except (RecipeError, UsageError) as error:
            if len(agreed) == 1 and not conflicts and not any(theirs.notes for theirs, _ in usable):
                raise
            refused.append(f"{sheet.title}: {error}")
    older = []
    for theirs, clear in usable:
        sheet, _ = sheets[_key(theirs.song)]
        title = sheet.title if lists_songs else None
        text = with_notes(text, title, [SongNote(at_s=one.at_s, who=theirs.who, says=one.says) for one in theirs.notes])
        if theirs.mix:
            moves = [move for move in clear.moves if any(_made(move, clear, change) for change in done)]
            text = with_remarks(text, title, [written_down(mark_of(theirs), moves)])
        if theirs.mix not in ("", sheet.mix_id):
            older.append(f'{theirs.who} listened to an older mix of "{sheet.title}".')
    return text, Taken(
        agreed=tuple(done),
        conflicts=conflicts,
        notes=sum(len(theirs.notes) for theirs, _ in usable),
        older=tuple(older),
        refused=tuple(refused),
    )


def _made(move: WishedMove, wishes: Wishes, change: Agreed) -> bool:
    """Whether a wish is among those that a change was made for."""
    same = (plain(move.name), move.part, _key(wishes.song)) == (plain(change.name), change.part, _key(change.song))
    if move.from_s is None or move.to_s is None:
        return same and change.stretch is None
    return same and change.stretch is not None and change.stretch[0] <= move.from_s <= move.to_s <= change.stretch[1]


def _with_change(text: str, change: Agreed, sheet: Recall, song: str | None, usual: Band) -> str:
    """The recipe's text with one change made. Raises `RecipeError`, `UsageError`."""
    names = inputs_meant(change.name, sheet.plan)
    if change.stretch is not None:
        return with_moves(text, sheet.title, [(name, *change.stretch, change.level_db) for name in names])
    # A recipe knows no family that only earlier versions had.
    for name in [change.name] if change.name in (*names, *FAMILIES) else names:
        text, *_ = turn(text, name, change.level_db, song, PARTS[change.part], usual)
    return text


_Sheets = Mapping[str, tuple[Recall, Path]]
"""The recall sheets of all mixed songs and the folders they lie in, by plain title."""


def _sheets(recipe: Path, skipped: Callable[[str], None]) -> _Sheets:
    mixes = recipe.resolve().parent / MIXES
    finish_swaps(mixes)
    sheets = read_sheets(song_sheets(mixes), skipped)
    if not sheets:
        raise UsageError(f"Nothing is mixed yet from {recipe}, so there is nothing to change. Mix it first.")
    return {_key(recall.title): (recall, path.parent) for path, recall in sheets}


def _key(title: str) -> str:
    return plain(printable(title))


def _sheet(wishes: Wishes, sheets: _Sheets) -> tuple[Recall, Path]:
    sheet = sheets.get(_key(wishes.song))
    if sheet is None:
        titles = [recall.title for recall, _ in sheets.values()]
        listed = ", ".join(f'"{title}"' for title in titles)
        raise UsageError(
            f'{wishes.where}: no song "{wishes.song}" is mixed.{did_you_mean(wishes.song, titles)} '
            f"The songs are: {listed}."
        )
    return sheet


def _usable(wishes: Sequence[Wishes], sheets: _Sheets, text: str) -> tuple[list[tuple[Wishes, Wishes]], list[str]]:
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
            sheet, folder = _sheet(theirs, sheets)
            _refuse_merged(theirs, sheet, text)
        except (RecipeError, UsageError) as error:
            errors.append(error)
            continue
        clear, unclear = understood(theirs, sheet.plan)
        clear, changed = still_wanted(clear, sheet, partial(sheet_in, folder.parent / EARLIER / folder.name), text)
        errors += (*unclear, *changed)
        if clear.moves or theirs.notes or not theirs.moves:
            usable.append((theirs, clear))
    if errors and not usable:
        raise errors[0]
    return usable, [str(error) for error in errors]


def _said(wishes: Wishes) -> Wishes:
    """Wishes without the place where they stand."""
    return replace(wishes, where="", moves=tuple(replace(move, where="") for move in wishes.moves))


def _refuse_merged(wishes: Wishes, sheet: Recall, text: str) -> None:
    """Raise for wishes that are in the recipe already."""
    if wishes.mix and mark_of(wishes) in text:
        raise RecipeError(f'{wishes.where}: the wishes of {wishes.who} for "{sheet.title}" are already in the recipe.')


def mark_of(wishes: Wishes) -> str:
    """A comment that identifies wishes that are already in the recipe."""
    content = repr(
        (plain(wishes.song), wishes.mix, wishes.who, [(m.name, m.level_db, m.from_s, m.to_s) for m in wishes.moves])
    )
    content += repr([(note.at_s, note.says) for note in wishes.notes])
    return f"# wishes of {wishes.who} for mix {wishes.mix} ({hashlib.sha256(content.encode('utf-8')).hexdigest()[:6]})"
