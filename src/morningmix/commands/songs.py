"""The command `songs`: find the songs of every take and list them in the recipe."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from morningmix.analysis.analyse import listen
from morningmix.analysis.heard import Heard, hear_songs, listed
from morningmix.commands.order import Order, home_for, source_of, workers_of, working_in
from morningmix.commands.result import Found, Result, result_of
from morningmix.files.recipe import read_recipe
from morningmix.files.recipe_edit import with_songs
from morningmix.model.found import FoundSong
from morningmix.model.recipe import SongWish
from morningmix.storage.lock import editing
from morningmix.storage.text import read_text, write_text_whole
from morningmix.workers.progress import Progress, no_progress


def songs(order: Order, progress: Progress = no_progress) -> Result:
    """Find the songs of every take and write them into the recipe; lists that are there stay, but for `order.redo`."""
    home = home_for(order)
    with working_in(home):
        heards = listen(source_of(order), home, workers_of(order), progress, take_bleed_out=False)
        found = None
        unlisted = [one for one in heards if order.redo or not listed(one)]
        if unlisted:
            heards, found = with_songs_found(heards, unlisted)
        return replace(result_of(heards, ()), found=None if found is None else tuple(found))


def with_songs_found(heards: Sequence[Heard], searched: Sequence[Heard]) -> tuple[tuple[Heard, ...], list[Found]]:
    """The takes with a recipe that lists the songs found in those `searched`, and these songs."""
    path = heards[0].home.recipe
    several = len(heards) > 1
    all_found: list[tuple[Heard, FoundSong]] = []
    for heard in searched:
        found = hear_songs(heard)
        if any(song.keep for song in found):
            take = heard.take.name if several else None
            with editing(path):
                write_text_whole(path, with_songs(read_text(path), found, take, heard.take_names))
            all_found += [(heard, song) for song in found]
    if not all_found:
        return tuple(heards), []
    heards = listing(heards, read_recipe(path).songs)
    of_take = {heard.take.folder: listed(heard) for heard in heards}

    def title(heard: Heard, song: FoundSong) -> str:
        near = min(of_take[heard.take.folder], key=lambda one: abs(one.start_s - song.start.at_s))
        return near.title

    return heards, [Found(take=one.take.name, title=title(one, song), song=song) for one, song in all_found]


def listing(heards: Sequence[Heard], songs: tuple[SongWish, ...]) -> tuple[Heard, ...]:
    """The same takes with other songs in their recipe."""
    return tuple(replace(one, recipe=replace(one.recipe, songs=songs)) for one in heards)
