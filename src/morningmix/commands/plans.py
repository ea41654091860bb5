"""The plan of every song to be mixed."""

from __future__ import annotations

from collections.abc import Sequence

from morningmix.analysis.analysed import AnalysedTake, kept_songs
from morningmix.commands.order import Order
from morningmix.decide.rehearsal import keep_relation
from morningmix.decide.song_plan import decide_song
from morningmix.decide.take_setup import Evidence, set_up
from morningmix.errors import UsageError
from morningmix.files.presets import load_roles
from morningmix.model.names import plain
from morningmix.model.plan import SongPlan
from morningmix.storage.song_folders import folder_name

Planned = tuple[int, AnalysedTake, SongPlan]
"""A song's number in the rehearsal, the take it is cut from, and its plan."""


def plans_of(analysed_takes: Sequence[AnalysedTake], order: Order) -> list[Planned]:
    """The plan of every song that is to be mixed; all songs of a take share its set-up, asked for or not."""
    songs = kept_songs(analysed_takes)
    evidence = {analysed.take.folder: _evidence(analysed) for analysed in analysed_takes}
    setups = {
        analysed.take.folder: set_up(evidence[analysed.take.folder], [wish for _, of, wish in songs if of is analysed])
        for analysed in analysed_takes
    }
    plans = [
        (number, analysed, decide_song(evidence[analysed.take.folder], setups[analysed.take.folder], wish))
        for number, analysed, wish in songs
    ]
    if order.album:
        kept = keep_relation([plan for *_, plan in plans])
        plans = [(number, analysed, plan) for (number, analysed, _), plan in zip(plans, kept, strict=True)]
    return _chosen(plans, order.song)


def _chosen(plans: list[Planned], only: str | None) -> list[Planned]:
    if only is None:
        return plans
    chosen = [numbered for numbered in plans if plain(numbered[2].title) == plain(only)]
    if not chosen:
        titles = ", ".join(f'"{plan.title}"' for *_, plan in plans)
        raise UsageError(f'There is no song "{only}". The songs are: {titles}.')
    return chosen


def kept_folders(analysed_takes: Sequence[AnalysedTake]) -> frozenset[str]:
    """Folders of all songs that the recipe keeps, asked for or not."""
    return frozenset(folder_name(number, song.title) for number, _, song in kept_songs(analysed_takes))


def _evidence(analysed: AnalysedTake) -> Evidence:
    return Evidence(
        inputs=analysed.inputs,
        singing=analysed.singing,
        measured=analysed.measured,
        target=analysed.recipe.target,
        roles=load_roles(),
        cleaning=analysed.cleaning,
        families=analysed.recipe.families,
    )
