"""What the band has sent back: kept as one text beside the recipe, in the very lines that `morningmix wishes` reads."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Lock

from morningmix.commands.agreement import merge
from morningmix.commands.feedback import mark_of, with_wishes
from morningmix.commands.former import sheet_in
from morningmix.commands.live import LiveSong
from morningmix.commands.meant import still_wanted, understood
from morningmix.errors import RecipeError, UsageError
from morningmix.files.feedback import Wishes, parse_wishes, understood_in, wishes_in
from morningmix.model.names import plain
from morningmix.model.recipe import SongNote
from morningmix.page import live
from morningmix.page.asked import Asked
from morningmix.page.rehearsal import Rehearsal
from morningmix.storage.text import read_text, write_text_whole

FILE = "wishes.txt"
_MOST_CHARACTERS = 200_000
_MIX = re.compile(r"(?m)^mix: ?.*\n")
_writing = Lock()


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """One person's wishes for one song."""

    place: int
    text: str
    wishes: Wishes
    """As they came."""
    meant: Wishes
    """What can be merged of them, by the names of the song's inputs and families."""
    merged: bool
    """They are in the recipe."""
    older: bool = False
    """Somebody listened to an older mix."""
    problems: Sequence[str]
    """Why they, or some of them, cannot be merged."""

    @property
    def waits(self) -> bool:
        """Whether they, or some of them, can be merged now."""
        return not self.merged and bool(self.meant.moves or self.meant.notes)


def kept(rehearsal: Rehearsal) -> list[Kept]:
    """Everything that was sent back, in the order in which it came."""
    recipe = rehearsal.changes.text() or ""
    mixed = _mixed(rehearsal)
    found = []
    for place, text in enumerate(_texts(rehearsal)):
        try:
            (wishes,) = parse_wishes(text, FILE)
        except RecipeError as error:
            # Somebody has changed the file by hand.
            nobody = Wishes(song="", mix="", who=FILE, moves=(), notes=(), where=FILE)
            found.append(Kept(place=place, text=text, wishes=nobody, meant=nobody, merged=False, problems=[str(error)]))
            continue
        song = mixed.get(plain(wishes.song))
        merged = bool(wishes.mix) and mark_of(wishes) in recipe
        meant, problems, older = (wishes, [], False) if merged else _meant_now(wishes, song, recipe)
        found.append(
            Kept(place=place, text=text, wishes=wishes, meant=meant, merged=merged, older=older, problems=problems)
        )
    return found


def _meant_now(wishes: Wishes, song: LiveSong | None, recipe: str) -> tuple[Wishes, list[str], bool]:
    """What can be merged of wishes, what is wrong with the others, and whether they are for an older mix."""
    if song is None or song.mixed is None:
        return replace(wishes, moves=(), notes=()), [f"no song is called {wishes.song}"], False
    sheet, before = song.mixed, song.before
    meant, unclear = understood(wishes, sheet.plan)
    meant, changed = still_wanted(meant, sheet, lambda: sheet_in(before.parent) if before else None, recipe)
    # The lines of the file that keeps them say nothing to whoever pasted them.
    problems = [str(error).removeprefix(f"{FILE}, line ").partition(": ")[2] for error in (*unclear, *changed)]
    return meant, problems, wishes.mix not in ("", sheet.mix_id)


def _mixed(rehearsal: Rehearsal) -> dict[str, LiveSong]:
    """The songs with a mix in its place, by their plain titles."""
    if rehearsal.heard is None:
        return {}
    return {plain(song.plan.title): song for song in live.songs(rehearsal) if song.mixed}


def _path(rehearsal: Rehearsal) -> Path:
    return rehearsal.home.root / FILE


def _texts(rehearsal: Rehearsal) -> list[str]:
    path = _path(rehearsal)
    return wishes_in(read_text(path)) if path.is_file() else []


def seen(rehearsal: Rehearsal) -> str:
    """Tells one state of what was sent back from another."""
    return hashlib.sha256("\n".join(_texts(rehearsal)).encode()).hexdigest()[:12]


def notes_of(found: Sequence[Kept], title: str) -> list[SongNote]:
    """Notes about a song that are not in the recipe yet."""
    of_song = [one.wishes for one in found if not one.merged and plain(one.wishes.song) == plain(title)]
    return [SongNote(at_s=note.at_s, who=wishes.who, says=note.says) for wishes in of_song for note in wishes.notes]


# ---------------------------------------------------------------- what a person changes


def add(rehearsal: Rehearsal, asked: Asked) -> str:
    """Keep the wishes in whatever was pasted or dropped, a chat or one message: all lines that are understood."""
    mixed = _mixed(rehearsal)
    refused: list[str] = []
    with _writing:
        texts = _texts(rehearsal)
        found = understood_in(asked.text("text", _MOST_CHARACTERS), "what you pasted", refused.append)
        if not found and refused:
            raise RecipeError(refused[0])
        if not found:
            raise UsageError(
                'There are no wishes in it. They begin with "morningmix wishes"; copy them from a song\'s page.'
            )
        came = [_with_mix(text, wishes, mixed) for text, wishes in found]
        new = [text for place, text in enumerate(came) if text not in texts and text not in came[:place]]
        _write(rehearsal, [*texts, *new])
    people = dict.fromkeys(parse_wishes(text, FILE)[0].who for text in new)
    says = f"Wishes of {', '.join(people)}." if new else "These are here already."
    return " ".join([says, *(f"Left out: {line}" for line in refused)])


def _with_mix(text: str, wishes: Wishes, mixed: Mapping[str, LiveSong]) -> str:
    """Wishes that do not say for which mix they are, as for the one in its place."""
    mix = _mix_of(mixed, wishes.song)
    return text if wishes.mix or not mix else f"{_MIX.sub('', text)}mix: {mix}\n"


def _mix_of(mixed: Mapping[str, LiveSong], title: str) -> str:
    song = mixed.get(plain(title))
    return song.mixed.mix_id if song is not None and song.mixed is not None else ""


def remove(rehearsal: Rehearsal, asked: Asked) -> str:
    """Forget one person's wishes for a song."""
    with _writing:
        one = _meant(rehearsal, asked)
        _write(rehearsal, [other.text for other in kept(rehearsal) if other.place != one.place])
    return "Removed."


def anyway(rehearsal: Rehearsal, asked: Asked) -> str:
    """Take wishes for an older mix as for the one in its place, whatever has changed since."""
    with _writing:
        one = _meant(rehearsal, asked)
        mix = _mix_of(_mixed(rehearsal), one.wishes.song)
        if not mix:
            raise UsageError(f"No song is called {one.wishes.song}.")
        text = f"{_MIX.sub('', one.text)}mix: {mix}\n"
        _write(rehearsal, [text if other.place == one.place else other.text for other in kept(rehearsal)])
    return "They count with the others now."


def merge_ticked(rehearsal: Rehearsal, asked: Asked) -> str:
    """Write into the recipe what is ticked of what people agree on."""
    if asked.text("wishes") != seen(rehearsal):
        raise UsageError("The wishes have changed in the meantime. Look at them, then try again.")
    found = [one for one in kept(rehearsal) if one.waits]
    waiting = [one.wishes for one in found]
    if not waiting:
        raise UsageError("There is nothing to write down.")
    ticked = {int(place) for place in asked.text("ticked").split() if place.isdecimal()}
    agreed, _ = merge([one.meant for one in found])
    left_out = [(one.song, one.name, one.part, one.stretch) for place, one in enumerate(agreed) if place not in ticked]
    refused: list[str] = []

    def edit(text: str) -> str:
        text, taken = with_wishes(text, waiting, rehearsal.home.recipe, left_out=left_out)
        refused.extend(taken.refused)
        return text

    says = rehearsal.change(f"Wishes of {', '.join(dict.fromkeys(wishes.who for wishes in waiting))}", edit)
    return " ".join([says, *refused])


def _meant(rehearsal: Rehearsal, asked: Asked) -> Kept:
    if asked.text("wishes") != seen(rehearsal):
        raise UsageError("The wishes have changed in the meantime. Look at them, then try again.")
    return asked.one_of("place", kept(rehearsal))


def _write(rehearsal: Rehearsal, texts: Sequence[str]) -> None:
    write_text_whole(_path(rehearsal), "\n".join(texts))
    rehearsal.events.tell("changed", version="wishes")


CHANGES: Mapping[str, Callable[[Rehearsal, Asked], str]] = {
    "/send/add": add,
    "/send/remove": remove,
    "/send/anyway": anyway,
    "/send/merge": merge_ticked,
}
