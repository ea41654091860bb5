"""Step 2, songs: every take as three ridges with its songs, why each edge is where it is, and what a person changes."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from markupsafe import Markup  # noqa: TID251

from morningmix.analysis.tempo import keeping_time, tempo_of
from morningmix.commands.listen import Heard, HeardTake
from morningmix.decide.rehearsal import worth_cutting
from morningmix.errors import UsageError
from morningmix.files import song_edit
from morningmix.files.recipe_edit import with_songs
from morningmix.files.song_edit import unsure_songs
from morningmix.model.found import Boundary
from morningmix.model.names import means
from morningmix.model.recipe import Recipe, SongWish
from morningmix.page.asked import Asked
from morningmix.page.rehearsal import Rehearsal
from morningmix.report import pictures
from morningmix.report.drawing import inset, time_grid
from morningmix.report.numbers import RIDGES, Array, ridges
from morningmix.report.recording import input_in_take, ridge_powers
from morningmix.report.templates import render
from morningmix.report.words import count, minutes, tempo_in_words
from morningmix.units import clock

_AROUND, _AROUND_S = 0.08, 12.0
"""What a song's strip shows before and after it: a share of its length, and at least so many seconds."""
_SAME_S = 0.11
"""Recipes write times in tenths of a second."""
BY_HAND = "set by hand"
_TALL = 96.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Song:
    """One song on the page: listed in the recipe, or the whole take where none is listed."""

    place: int | None
    """Among the songs of the recipe; None where it lists none for the take."""
    title: str
    start_s: float
    end_s: float
    reason: str
    """Why it is left out."""
    starts: str
    ends: str
    """Why it starts and ends where it does."""
    from_s: float
    to_s: float
    """What its strip shows."""
    hills: Markup
    followed: bool
    """Another song of the take comes after it."""
    tempo: str = ""
    """In words, if it is mixed."""
    number: int | None = None
    """Among those that are mixed; None where it is left out."""
    unsure: bool = False
    """Somebody should have a listen to where it starts and ends."""

    @property
    def key(self) -> str:
        """Tells it from the other songs in names of the page's elements."""
        return "whole" if self.place is None else str(self.place)


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeOfSongs:
    """One take on the page."""

    number: int
    name: str
    seconds: float
    picture: Markup
    songs: Sequence[Song]
    starts: str
    ends: str
    """Where songs may start and end, as JSON: pairs of seconds and reason."""
    found_says: str
    """What was found where the recipe lists nothing."""


def section(rehearsal: Rehearsal) -> str:
    """The step as HTML."""
    heard, recipe = rehearsal.heard, rehearsal.recipe()
    text = rehearsal.changes.text()
    takes = [] if heard is None or recipe is None or text is None else _takes(heard, recipe, unsure_songs(text))
    return render(
        "songs.html",
        package=__package__,
        heard=heard is not None,
        takes=takes,
        several=len(takes) > 1,
        ridges=RIDGES,
        kept=sum(song.number is not None for take in takes for song in take.songs),
        unsure=sum(song.unsure for take in takes for song in take.songs),
        set_list=[song.title for song in recipe.usual.songs] if recipe else [],
        count=count,
        clock=clock,
        minutes=minutes,
    )


def _takes(heard: Heard, recipe: Recipe, unsure: Sequence[bool]) -> list[TakeOfSongs]:
    shown = []
    kept = 0
    for number, take in enumerate(heard.takes):
        of_take = _listed(take, recipe)
        songs = []
        shown_songs: list[tuple[int | None, SongWish]] = [*of_take]
        for place, wish in shown_songs or [(None, _whole(take, recipe, several=len(heard.takes) > 1))]:
            kept += wish.keep
            later = any(other.start_s > wish.start_s for _, other in of_take)
            song = _song(take, place, wish, followed=later)
            # The recipe may have changed since it was read.
            is_unsure = wish.keep and place is not None and place < len(unsure) and unsure[place]
            songs.append(replace(song, number=kept if wish.keep else None, unsure=is_unsure))
        seconds = take.analysed.take.duration_s
        shown.append(
            TakeOfSongs(
                number=number,
                name=take.analysed.take.name,
                seconds=seconds,
                picture=_picture(take),
                songs=songs,
                starts=_as_json(take.edges.starts),
                ends=_as_json(take.edges.ends),
                found_says="" if of_take else _found_says(take),
            )
        )
    return shown


def _listed(take: HeardTake, recipe: Recipe) -> list[tuple[int, SongWish]]:
    names = take.analysed.take_names
    return [
        (place, song)
        for place, song in enumerate(recipe.songs)
        if song.take is None or means(song.take, take.analysed.take.name, names)
    ]


def _whole(take: HeardTake, recipe: Recipe, *, several: bool) -> SongWish:
    title = take.analysed.take.name if several else recipe.title
    return SongWish(title=title, start_s=0.0, end_s=take.analysed.take.duration_s)


def _song(take: HeardTake, place: int | None, wish: SongWish, *, followed: bool) -> Song:
    take_s = take.analysed.take.duration_s
    _, end_s = _times(take, wish)
    around_s = max(_AROUND_S, _AROUND * (end_s - wish.start_s))
    from_s, to_s = max(0.0, wish.start_s - around_s), min(take_s, end_s + around_s)
    start, end = _why(wish.start_s, take.edges.starts), _why(end_s, take.edges.ends)
    whole = "the whole take"
    return Song(
        place=place,
        title=wish.title,
        start_s=wish.start_s,
        end_s=end_s,
        reason="" if wish.keep else wish.reason or "left out by the recipe",
        starts=start.because if start else whole if place is None else BY_HAND,
        ends=end.because if end else whole if place is None else BY_HAND,
        from_s=from_s,
        to_s=max(to_s, from_s + 1.0),
        hills=ridge_of(take, from_s, to_s),
        followed=followed,
        tempo=_tempo(take, wish.start_s, end_s, take.analysed.recipe.usual.tempo_of(wish.title)) if wish.keep else "",
    )


def _why(at_s: float, edges: Sequence[Boundary]) -> Boundary | None:
    return next((edge for edge in edges if abs(edge.at_s - at_s) < _SAME_S), None)


def _found_says(take: HeardTake) -> str:
    kept = [song for song in take.found if song.keep]
    if worth_cutting(take.analysed.take.duration_s, take.found):
        return (
            f"{count(len(kept), 'song was', 'songs were')} found in it. Mix cuts it into these unless you mark songs "
            "yourself."
        )
    if not kept:
        return "No song was found in it, so it is mixed in one piece."
    (song,) = kept
    return (
        f"One song was found in it, from {clock(song.start.at_s)} to {clock(song.end.at_s)} "
        f"({song.start.because}; {song.end.because}). The take is mixed in one piece unless you cut it."
    )


def _as_json(edges: Sequence[Boundary]) -> str:
    return json.dumps([[round(edge.at_s, 1), edge.because] for edge in edges])


@lru_cache(maxsize=8)
def _powers(take: HeardTake) -> list[Array]:
    analysed = take.analysed
    inputs = [input_in_take(one, analysed.singing, analysed.measured) for one in analysed.inputs]
    return ridge_powers(inputs, analysed.measured)


@lru_cache(maxsize=256)
def ridge_of(take: HeardTake, from_s: float, to_s: float) -> Markup:
    """The three ridges of a stretch of a take."""
    slot_s = take.analysed.measured.slot_s
    first, last = int(from_s / slot_s), max(int(np.ceil(to_s / slot_s)), int(from_s / slot_s) + 1)
    return pictures.hills(ridges([power[first:last] for power in _powers(take)], fine=True))


@lru_cache(maxsize=256)
def _tempo(take: HeardTake, start_s: float, end_s: float, usual_bpm: float | None) -> str:
    analysed = take.analysed
    tempo = tempo_of(analysed.store, keeping_time(analysed.inputs), start_s, end_s, usual_bpm)
    return "" if tempo is None else tempo_in_words(tempo)


@lru_cache(maxsize=8)
def _picture(take: HeardTake) -> Markup:
    hills = pictures.hills(ridges(_powers(take)))
    return inset(600, 0, _TALL, hills) + time_grid(take.analysed.take.duration_s, 0, _TALL)


# ---------------------------------------------------------------- what a person changes

_MEANWHILE = "The songs have changed in the meantime, so nothing was done. Check them, then try again."


def _times(take: HeardTake, wish: SongWish) -> tuple[float, float]:
    """Start and end as the page shows them."""
    return wish.start_s, min(wish.end_s, take.analysed.take.duration_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Meant:
    """The song that a change is for."""

    take: HeardTake
    several: bool
    place: int | None
    wish: SongWish

    @property
    def take_name(self) -> str | None:
        """As the recipe names it, where it needs to."""
        return self.take.analysed.take.name if self.several else None


def _meant(rehearsal: Rehearsal, asked: Asked) -> _Meant:
    heard, recipe = rehearsal.all_heard(), rehearsal.recipe()
    take = asked.one_of("take", heard.takes)
    several = len(heard.takes) > 1
    assert recipe is not None
    of_take = _listed(take, recipe)
    if not asked.gives("song"):
        if of_take:
            raise UsageError(_MEANWHILE)
        return _Meant(take=take, several=several, place=None, wish=_whole(take, recipe, several=several))
    place = asked.whole("song", 100_000)
    wish = next((wish for at, wish in of_take if at == place), None)
    seen_s = (asked.seconds("was_start"), asked.seconds("was_end"))
    if wish is None or any(abs(seen - at) > _SAME_S for seen, at in zip(seen_s, _times(take, wish), strict=True)):
        raise UsageError(_MEANWHILE)
    return _Meant(take=take, several=several, place=place, wish=wish)


def _change(rehearsal: Rehearsal, says: str, edit: Callable[[str, int], str], meant: _Meant) -> str:
    """Change a song; one that only the take stands for is listed first."""

    def edited(text: str) -> str:
        place = meant.place
        if place is None:
            if song_edit.lists_songs(text, meant.take_name):
                raise UsageError(_MEANWHILE)
            times_s = (meant.wish.start_s, meant.wish.end_s)
            text, place = song_edit.with_new_song(text, meant.wish.title, times_s, meant.take_name)
        elif song_edit.times_of(text, place) != (meant.wish.start_s, meant.wish.end_s):
            raise UsageError(_MEANWHILE)
        return edit(text, place)

    return rehearsal.change(says, edited)


def say_title(rehearsal: Rehearsal, asked: Asked) -> str:
    """Give a song its title."""
    meant, title = _meant(rehearsal, asked), asked.text("title", 120)
    says = f"{meant.wish.title} is called {title}"
    return _change(rehearsal, says, lambda text, song: song_edit.with_title(text, song, title), meant)


def say_edges(rehearsal: Rehearsal, asked: Asked) -> str:
    """Move a song's start or end."""
    meant = _meant(rehearsal, asked)
    start_s, end_s = round(asked.seconds("start"), 1), round(asked.seconds("end"), 1)
    end_s = min(end_s, meant.take.analysed.take.duration_s)
    says = f"{meant.wish.title} runs from {clock(start_s)} to {clock(end_s)}"
    return _change(rehearsal, says, lambda text, song: song_edit.with_edges(text, song, start_s, end_s), meant)


def say_right(rehearsal: Rehearsal, asked: Asked) -> str:
    """Say that a song starts and ends where it should."""
    meant = _meant(rehearsal, asked)
    if meant.place is None:
        raise UsageError("This song is the whole take, so there is no start or end to confirm.")
    says = f"{meant.wish.title} starts and ends where it should"
    return _change(rehearsal, says, song_edit.with_sure_edges, meant)


def say_keep(rehearsal: Rehearsal, asked: Asked) -> str:
    """Leave a song out, or bring it back."""
    meant, keep = _meant(rehearsal, asked), asked.flag("keep")
    says = f"{meant.wish.title} is {'mixed again' if keep else 'left out'}"
    return _change(rehearsal, says, lambda text, song: song_edit.with_kept(text, song, keep=keep), meant)


def join(rehearsal: Rehearsal, asked: Asked) -> str:
    """Join a song with the next one."""
    meant = _meant(rehearsal, asked)
    names = meant.take.analysed.take_names
    says = f"{meant.wish.title} goes on to the end of the next song"
    return _change(rehearsal, says, lambda text, song: song_edit.joined(text, song, names), meant)


def split(rehearsal: Rehearsal, asked: Asked) -> str:
    """Cut a song in two."""
    meant, at_s = _meant(rehearsal, asked), round(asked.seconds("at"), 1)
    says = f"{meant.wish.title} is two songs, cut at {clock(at_s)}"
    return _change(rehearsal, says, lambda text, song: song_edit.split(text, song, at_s), meant)


def find(rehearsal: Rehearsal, asked: Asked) -> str:
    """List the songs that were found in a take; titles of those that are listed stay."""
    heard = rehearsal.all_heard()
    take = asked.one_of("take", heard.takes)
    if not any(song.keep for song in take.found):
        raise UsageError("No song was found in this take. Mark one yourself.")
    name = take.analysed.take.name if len(heard.takes) > 1 else None
    return rehearsal.change(
        "Back to the songs that were found",
        lambda text: with_songs(text, take.found, name, take.analysed.take_names),
    )


def add(rehearsal: Rehearsal, asked: Asked) -> str:
    """List a song that starts at a place of a take, as long as there is room up to the next one."""
    heard, recipe = rehearsal.all_heard(), rehearsal.recipe()
    take = asked.one_of("take", heard.takes)
    assert recipe is not None
    at_s = round(asked.seconds("at"), 1)
    of_take = [wish for _, wish in _listed(take, recipe)]
    if any(wish.start_s <= at_s < wish.end_s for wish in of_take):
        raise UsageError("There is a song already. Split it, or play from a place between two songs.")
    next_s = min((wish.start_s for wish in of_take if wish.start_s > at_s), default=take.analysed.take.duration_s)
    ends = [edge.at_s for edge in take.edges.ends if at_s + 30.0 < edge.at_s <= next_s]
    end_s = min(ends, default=next_s)
    name = take.analysed.take.name if len(heard.takes) > 1 else None
    return rehearsal.change(
        f"A song from {clock(at_s)} to {clock(end_s)}",
        lambda text: song_edit.with_new_song(text, "New song", (at_s, end_s), name)[0],
    )


CHANGES: Mapping[str, Callable[[Rehearsal, Asked], str]] = {
    "/songs/title": say_title,
    "/songs/edges": say_edges,
    "/songs/right": say_right,
    "/songs/keep": say_keep,
    "/songs/join": join,
    "/songs/split": split,
    "/songs/find": find,
    "/songs/add": add,
}
