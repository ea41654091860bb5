"""What the band has sent back: kept as one text beside the recipe, in the very lines that `morningmix wishes` reads."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

from morningmix.commands.feedback import mark_of, merge, understood, with_wishes
from morningmix.errors import RecipeError, UsageError
from morningmix.files.feedback import Wishes, parse_wishes, wishes_in
from morningmix.files.recall import Recall
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
    problem: str
    """Why they cannot be merged; "" where they can."""

    @property
    def waits(self) -> bool:
        """Whether they can be merged now."""
        return not self.merged and not self.problem


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
            found.append(Kept(place=place, text=text, wishes=nobody, meant=nobody, merged=False, problem=str(error)))
            continue
        sheet = mixed.get(plain(wishes.song))
        meant, _ = (wishes, []) if sheet is None else understood(wishes, sheet.plan)
        merged = bool(wishes.mix) and mark_of(wishes) in recipe
        problem = "" if merged else _problem(wishes, sheet)
        found.append(Kept(place=place, text=text, wishes=wishes, meant=meant, merged=merged, problem=problem))
    return found


def _problem(wishes: Wishes, sheet: Recall | None) -> str:
    if sheet is None:
        return f"no song is called {wishes.song}"
    return "" if wishes.mix == sheet.mix_id else "for an older mix of the song"


def _mixed(rehearsal: Rehearsal) -> dict[str, Recall]:
    """The recall sheets of the mixes that are in their place, by their plain titles."""
    if rehearsal.heard is None:
        return {}
    return {plain(song.plan.title): song.mixed for song in live.songs(rehearsal) if song.mixed}


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
    """Keep the wishes in whatever was pasted or dropped: a chat, or one message."""
    mixed = _mixed(rehearsal)
    with _writing:
        texts = _texts(rehearsal)
        came = [_with_mix(text, mixed) for text in wishes_in(asked.text("text", _MOST_CHARACTERS))]
        if not came:
            raise UsageError(
                'There are no wishes in it. They begin with "morningmix wishes"; copy them from a song\'s page.'
            )
        for text in came:
            parse_wishes(text, "what you pasted")
        new = [text for place, text in enumerate(came) if text not in texts and text not in came[:place]]
        _write(rehearsal, [*texts, *new])
    people = dict.fromkeys(parse_wishes(text, FILE)[0].who for text in new)
    return f"Wishes of {', '.join(people)}." if new else "These are here already."


def _with_mix(text: str, mixed: Mapping[str, Recall]) -> str:
    """Wishes that do not say for which mix they are, as for the one in its place."""
    (wishes,) = parse_wishes(text, "what you pasted")
    sheet = mixed.get(plain(wishes.song))
    return text if wishes.mix or sheet is None else f"{_MIX.sub('', text)}mix: {sheet.mix_id}\n"


def remove(rehearsal: Rehearsal, asked: Asked) -> str:
    """Forget one person's wishes for a song."""
    with _writing:
        one = _meant(rehearsal, asked)
        _write(rehearsal, [other.text for other in kept(rehearsal) if other.place != one.place])
    return "Removed."


def anyway(rehearsal: Rehearsal, asked: Asked) -> str:
    """Take wishes for an older mix as for the one in its place."""
    with _writing:
        one = _meant(rehearsal, asked)
        sheet = _mixed(rehearsal).get(plain(one.wishes.song))
        if sheet is None:
            raise UsageError(f"No song is called {one.wishes.song}.")
        text = f"{_MIX.sub('', one.text)}mix: {sheet.mix_id}\n"
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
