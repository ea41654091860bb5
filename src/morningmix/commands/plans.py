"""The plan of every song that is to be mixed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from morningmix.analysis.heard import Heard, listed
from morningmix.commands.order import Order
from morningmix.decide.song_plan import decide_song, keep_relation
from morningmix.decide.take_setup import Setups, set_up
from morningmix.errors import RecipeError, UsageError
from morningmix.files.presets import load_roles
from morningmix.model.names import plain
from morningmix.model.plan import SongPlan
from morningmix.model.recipe import SongWish
from morningmix.storage.song_folders import (
    folder_name,
)

Planned = tuple[int, Heard, SongPlan]
"""A song's number in the rehearsal, the take it is cut from, and its plan."""


def plans_of(heards: Sequence[Heard], order: Order) -> list[Planned]:
    """The plan of every song that is to be mixed; all songs of a take share its set-up, asked for or not."""
    songs = _songs(heards)
    setups: dict[Path, Setups] = {}
    for heard in heards:
        mine = [wish for _, of, wish in songs if of is heard]
        setups[heard.take.folder] = set_up(
            inputs=heard.inputs,
            singing=heard.singing,
            measured=heard.measured,
            roles=load_roles(),
            songs=mine,
        )
    plans = [(number, heard, _plan(heard, setups[heard.take.folder], wish)) for number, heard, wish in songs]
    if order.album:
        kept = keep_relation([plan for *_, plan in plans])
        plans = [(number, heard, plan) for (number, heard, _), plan in zip(plans, kept, strict=True)]
    return _chosen(plans, order.song)


def _songs(heards: Sequence[Heard]) -> list[tuple[int, Heard, SongWish]]:
    """Songs to keep, numbered through the rehearsal; a take of which none is listed is one song."""
    songs: list[tuple[Heard, SongWish]] = []
    several = len(heards) > 1
    for heard in heards:
        end_s = heard.take.duration_s
        kept = [song for song in listed(heard) if song.keep]
        if not listed(heard):
            title = heard.take.name if several else heard.recipe.title
            kept = [SongWish(title=title, start_s=0.0, end_s=end_s)]
        for song in kept:
            if song.start_s >= end_s:
                raise RecipeError(
                    f'"{song.title}" starts after the end of the recording. Check its start in the recipe.'
                )
            songs.append((heard, replace(song, end_s=min(song.end_s, end_s))))
    return [(number, heard, song) for number, (heard, song) in enumerate(songs, 1)]


def _chosen(plans: list[Planned], only: str | None) -> list[Planned]:
    if only is None:
        return plans
    chosen = [one for one in plans if plain(one[2].title) == plain(only)]
    if not chosen:
        titles = ", ".join(f'"{plan.title}"' for *_, plan in plans)
        raise UsageError(f'There is no song "{only}". There are: {titles}.')
    return chosen


def kept_folders(heards: Sequence[Heard]) -> frozenset[str]:
    """Folders of all songs that the recipe keeps, asked for or not."""
    return frozenset(folder_name(number, song.title) for number, _, song in _songs(heards))


def _plan(heard: Heard, setups: Setups, song: SongWish) -> SongPlan:
    return decide_song(
        title=song.title,
        start_s=song.start_s,
        end_s=song.end_s,
        inputs=heard.inputs,
        singing=heard.singing,
        measured=heard.measured,
        recipe=heard.recipe,
        roles=load_roles(),
        setups=setups,
        song=song,
        cleaning=heard.cleaning,
    )
