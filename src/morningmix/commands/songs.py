"""The command `songs`: find the songs of every take and list them in the recipe."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from morningmix.analysis.analyse import analyse
from morningmix.analysis.analysed import AnalysedTake, listed
from morningmix.analysis.kept import with_cached
from morningmix.analysis.tries import songs_and_tries
from morningmix.commands.order import Callbacks, Order, home_for, running, source_of, working_in
from morningmix.commands.recognised import keep_fingerprints, with_known_takes, with_known_titles
from morningmix.commands.result import Found, Result, result_of
from morningmix.decide.rehearsal import is_long, worth_cutting
from morningmix.files.recipe import read_recipe
from morningmix.files.recipe_edit import with_songs
from morningmix.model.found import FoundSong
from morningmix.model.recipe import SongWish
from morningmix.storage.lock import editing
from morningmix.storage.text import read_text, write_text_whole
from morningmix.workers.jobs import Lane


def songs(order: Order, callbacks: Callbacks | None = None) -> Result:
    """Find the songs of every take and write them into the recipe; lists that are there stay, but for `order.redo`."""
    home = home_for(order)
    callbacks = callbacks or Callbacks()
    with working_in(home), running(order, callbacks) as run:
        lane = Lane(run)
        analysed_takes = analyse(source_of(order), home, lane)
        found = None
        unlisted = [analysed for analysed in analysed_takes if order.redo or not listed(analysed)]
        if unlisted:
            searched = [(one, songs_and_tries(one, lane)) for one in unlisted]
            analysed_takes, found = _with_songs(analysed_takes, searched, lane, callbacks.note)
        keep_fingerprints(analysed_takes, lane)
        return replace(result_of(with_cached(analysed_takes), ()), found=None if found is None else tuple(found))


def with_songs_where_several(
    analysed_takes: Sequence[AnalysedTake], lane: Lane, note: Callable[[str], None]
) -> tuple[tuple[AnalysedTake, ...], tuple[Found, ...] | None]:
    """The takes with a recipe that lists the songs of each take that holds several, and the songs that were found.

    What the recipe lists for a take stays. None: no take needed cutting. A take that is one song that was played before
    is listed with its title. `note` receives a line about each, and about each fingerprint that cannot be used.
    """
    unlisted = [(one, songs_and_tries(one, lane)) for one in analysed_takes if not listed(one)]
    cut = [(one, found) for one, found in unlisted if worth_cutting(one.take.duration_s, found)]
    found: list[Found] | None = [] if any(is_long(one.take.duration_s) for one, _ in unlisted) else None
    if cut:
        analysed_takes, found = _with_songs(analysed_takes, cut, lane, note)
    if with_known_takes(analysed_takes, lane, note):
        analysed_takes = listing(analysed_takes, read_recipe(analysed_takes[0].home.recipe).songs)
    return tuple(analysed_takes), None if found is None else tuple(found)


def _with_songs(
    analysed_takes: Sequence[AnalysedTake],
    searched: Sequence[tuple[AnalysedTake, Sequence[FoundSong]]],
    lane: Lane,
    note: Callable[[str], None],
) -> tuple[tuple[AnalysedTake, ...], list[Found]]:
    """The takes with a recipe that lists the songs found in those that were searched, and these songs."""
    path = analysed_takes[0].home.recipe
    several = len(analysed_takes) > 1
    all_found: list[tuple[AnalysedTake, FoundSong]] = []
    for analysed, found in searched:
        if any(song.keep for song in found):
            take = analysed.take.name if several else None
            with editing(path):
                write_text_whole(path, with_songs(read_text(path), found, take, analysed.take_names))
            all_found += [(analysed, song) for song in found]
    if not all_found:
        return tuple(analysed_takes), []
    analysed_takes = listing(analysed_takes, read_recipe(path).songs)
    known = with_known_titles(analysed_takes, lane, note)
    analysed_takes = listing(analysed_takes, read_recipe(path).songs)
    of_take = {analysed.take.folder: listed(analysed) for analysed in analysed_takes}

    def as_listed(analysed: AnalysedTake, song: FoundSong) -> Found:
        near = min(of_take[analysed.take.folder], key=lambda wish: abs(wish.start_s - song.start.at_s))
        if not near.keep:
            song = replace(song, keep=False, reason=near.reason or song.reason)
        return Found(take=analysed.take.name, title=near.title, song=song, recognised=known.get(near.title))

    return analysed_takes, [as_listed(analysed, song) for analysed, song in all_found]


def listing(analysed_takes: Sequence[AnalysedTake], songs: tuple[SongWish, ...]) -> tuple[AnalysedTake, ...]:
    """The same takes with other songs in their recipe."""
    return tuple(replace(analysed, recipe=replace(analysed.recipe, songs=songs)) for analysed in analysed_takes)
