"""The command `open` before anything is mixed: every input listened to, and the songs found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from morningmix.analysis.analyse import analyse
from morningmix.analysis.analysed import AnalysedTake, all_inputs, families_of
from morningmix.analysis.kept import with_cached
from morningmix.analysis.tries import with_tries
from morningmix.commands.order import Callbacks, Order, home_for, running, source_of, working_in
from morningmix.commands.result import Result, result_of
from morningmix.commands.songs import with_songs_where_several
from morningmix.decide.song_boundaries import find_edges, find_songs
from morningmix.measure.activity import measure_activity
from morningmix.model.found import Edges, FoundSong
from morningmix.model.input import Input
from morningmix.workers.jobs import Lane


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeardTake:
    """A take, and where songs may begin and end in it."""

    analysed: AnalysedTake
    families: tuple[str, ...]
    """Of its inputs, as the songs were looked for."""
    found: tuple[FoundSong, ...]
    edges: Edges


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """All that is known of a rehearsal before it is mixed."""

    takes: tuple[HeardTake, ...]
    result: Result

    @property
    def inputs(self) -> list[tuple[HeardTake, Input]]:
        """Every input once, with the take that it is shown from: its longest."""
        inputs = all_inputs([take.analysed for take in self.takes])
        return [
            (next(take for take in self.takes if any(one is input_ for one in take.analysed.inputs)), input_)
            for input_ in inputs
        ]


def listen(order: Order, callbacks: Callbacks | None = None, before: Heard | None = None) -> Heard:
    """Listen to every input and find the songs, as `mix` does before it mixes; writes the recipe if there is none.

    `before`: what was heard the last time; what cannot have changed since is not looked for again, and a list of songs
    that has been taken out of the recipe since is not written again.
    """
    home = home_for(order)
    callbacks = callbacks or Callbacks()
    with working_in(home), running(order, callbacks) as run:
        lane = Lane(run)
        analysed_takes = analyse(source_of(order), home, lane)
        if before is None:
            analysed_takes, _ = with_songs_where_several(analysed_takes, lane, callbacks.note)
        analysed_takes = with_cached(analysed_takes)
        known = {} if before is None else {(take.analysed.store.key, take.families): take for take in before.takes}
        takes = tuple(_heard(analysed, known, lane) for analysed in analysed_takes)
        return Heard(takes=takes, result=result_of(analysed_takes, ()))


def with_cleaned(heard: Heard) -> Heard:
    """The same with what a mix has cleaned since: as soon as the first of its songs is in its place, that is all."""
    before = [take.analysed for take in heard.takes]
    if any(input_.cleaned is not None for analysed in before for input_ in analysed.inputs):
        return heard
    after = with_cached(before)
    takes = tuple(replace(take, analysed=analysed) for take, analysed in zip(heard.takes, after, strict=True))
    return Heard(takes=takes, result=replace(heard.result, inputs=all_inputs(after)))


def _heard(analysed: AnalysedTake, known: Mapping[tuple[str, tuple[str, ...]], HeardTake], lane: Lane) -> HeardTake:
    families = families_of(analysed)
    same = known.get((analysed.store.key, families))
    if same is not None:
        return replace(same, analysed=analysed)
    activity = measure_activity(analysed.store, families)
    found = with_tries(analysed, find_songs(activity, families), lane)
    edges = find_edges(activity, families, found)
    return HeardTake(analysed=analysed, families=families, found=found, edges=edges)
