"""A take, measured, with its inputs named and cleaned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from morningmix.decide.song_boundaries import find_songs
from morningmix.errors import RecipeError
from morningmix.measure.activity import measure_activity
from morningmix.measure.band_store import BandStore
from morningmix.model.found import FoundSong
from morningmix.model.input import Input
from morningmix.model.measured import Measurements, Singing
from morningmix.model.names import means
from morningmix.model.plan import Cleaning
from morningmix.model.recipe import Recipe, SongWish
from morningmix.model.recording import Take
from morningmix.storage.home import Home


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalysedTake:
    """A take, measured, with its inputs named and cleaned."""

    home: Home
    recipe: Recipe
    recipe_is_new: bool
    take: Take
    take_names: tuple[str, ...]
    """Of all takes of the rehearsal."""
    measured: Measurements
    store: BandStore
    inputs: tuple[Input, ...]
    singing: dict[int, Singing | None]
    cleaning: Cleaning | None


def each_once(takes: Sequence[Take], inputs: Sequence[Sequence[Input]]) -> list[Input]:
    """The inputs of the longest take, then those that only others have."""
    longest_first = sorted(range(len(takes)), key=lambda place: -takes[place].frames / takes[place].rate_hz)
    found: dict[tuple[str, ...], Input] = {}
    for place in longest_first:
        for input_ in inputs[place]:
            found.setdefault(input_.facts.files, input_)
    return list(found.values())


def all_inputs(analysed_takes: Sequence[AnalysedTake]) -> tuple[Input, ...]:
    """Every input of a rehearsal once, from its longest take."""
    return tuple(
        each_once([analysed.take for analysed in analysed_takes], [analysed.inputs for analysed in analysed_takes])
    )


def listed(analysed: AnalysedTake) -> tuple[SongWish, ...]:
    """The songs that the recipe lists for a take."""
    return tuple(
        song
        for song in analysed.recipe.songs
        if song.take is None or means(song.take, analysed.take.name, analysed.take_names)
    )


def songs_in(analysed: AnalysedTake) -> tuple[FoundSong, ...]:
    """Where the songs of the take begin and end, and what was left out."""
    families = families_of(analysed)
    return find_songs(measure_activity(analysed.store, families), families)


def families_of(analysed: AnalysedTake) -> tuple[str, ...]:
    """The family of each input; "" for one that counts for nothing where songs are looked for."""
    return tuple("" if input_.facts.silent else input_.preset.family for input_ in analysed.inputs)


def kept_songs(analysed_takes: Sequence[AnalysedTake]) -> list[tuple[int, AnalysedTake, SongWish]]:
    """Songs to keep, numbered through the rehearsal; a take of which none is listed is one song.

    Raises `RecipeError` for a song that starts after the end of its take.
    """
    songs: list[tuple[AnalysedTake, SongWish]] = []
    several = len(analysed_takes) > 1
    for analysed in analysed_takes:
        end_s = analysed.take.duration_s
        kept = [song for song in listed(analysed) if song.keep]
        if not listed(analysed):
            title = analysed.take.name if several else analysed.recipe.title
            kept = [SongWish(title=title, start_s=0.0, end_s=end_s)]
        for song in kept:
            if song.start_s >= end_s:
                raise RecipeError(
                    f'"{song.title}" starts after the end of the recording. Check its start in the recipe.'
                )
            songs.append((analysed, replace(song, end_s=min(song.end_s, end_s))))
    return [(number, analysed, song) for number, (analysed, song) in enumerate(songs, 1)]
