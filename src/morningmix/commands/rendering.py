"""Render one song with jobs: families, their sum, stems and mix."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from morningmix.audio.scratch import Scratch
from morningmix.decide.master import UNDER_CEILING_DB, decide_trims, reachable_lufs
from morningmix.files.recall import Settings
from morningmix.model.measured import Cleaned, SumFacts
from morningmix.model.plan import MasterPlan, SongPlan, Trims
from morningmix.model.recording import Recording
from morningmix.model.tempo import Tempo
from morningmix.render.families import (
    BLOCK_HOPS,
    Families,
    Rendered,
    family_names,
    frames_of,
    gram_pieces,
    joined,
    measure_gram,
    render_family,
)
from morningmix.render.master import (
    joined_sum,
    measure_part,
    sum_parts,
    sum_threshold,
    trimmed,
    write_mix,
    write_mp3,
    write_stem,
)
from morningmix.render.output import Output, SongFiles
from morningmix.report.contents import Mixed
from morningmix.storage.cache import key, path_of, take_key
from morningmix.storage.home import Home
from morningmix.storage.song_folders import begin_song, folder_name
from morningmix.workers.jobs import Job, Lane

_TRACK_COST, _SUM_COST, _STEM_COST, FILE_COST, _MP3_COST = 0.0035, 0.004, 0.0015, 0.004, 0.012
"""Seconds of one core per second of a track, of the sum, of a stem, of the mix (measured)."""


def mixing_cost(plan: SongPlan) -> float:
    """Seconds of one core that a song takes, about."""
    tracks, families = sum(track.sounds for track in plan.tracks), len(family_names(plan))
    per_second = _TRACK_COST * tracks + 2.0 * _SUM_COST + _STEM_COST * families + 2.0 * FILE_COST + _MP3_COST
    return per_second * (plan.end_s - plan.start_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Raw:
    """The recordings to be mixed, and what the recall sheet stores of them."""

    folder: Path
    """The raw tracks."""
    recordings: tuple[Recording, ...]
    """As they were recorded."""
    hashes: Callable[[Lane], tuple[tuple[str, ...], ...]]
    """Gives the SHA-256 of every part of each recording, which the first time takes as long as reading them."""
    cleaned: Mapping[int, Cleaned]
    """Microphones that were cleaned of bleed, by their place in `recordings`."""

    def sounds(self, plan: SongPlan) -> tuple[Recording, ...]:
        """What is read for a song: a recording, or its cleaned sound."""
        stretch_s = None if plan.cleaning is None else plan.cleaning.stretch_s
        found = list(self.recordings)
        for index, cleaned in self.cleaned.items():
            found[index] = next(
                (sound for times, sound in cleaned.sounds if stretch_s in (None, times)), self.recordings[index]
            )
        return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """Where and how songs are written."""

    home: Home
    settings: Settings
    block_hops: int = BLOCK_HOPS

    def settings_of(self, song: Song) -> Settings:
        """How a song's files are written, as its recall sheet says it."""
        return self.settings.model_copy(update={"practice": song.practice})

    def output(self, folder: Path) -> Output:
        """A folder of sound files as the order wants them."""
        return Output(folder=folder, bits=self.settings.bits, file_format=self.settings.file_format)


def unknown_levels(_mixed: Mixed) -> None:
    """Levels of a song whose inputs were not measured."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Song:
    """A song to be mixed."""

    number: int
    """Number in the rehearsal."""
    plan: SongPlan
    raw: Raw
    tempo: Tempo | None = None
    levels: Callable[[Mixed], tuple[float | None, ...] | None] = unknown_levels
    """The loudness of its inputs, as `Recall.levels_lu` holds it."""
    practice: bool = False
    """Whether practice mixes are written too."""

    @property
    def folder_name(self) -> str:
        """Name of its folder."""
        return folder_name(self.number, self.plan.title)

    @property
    def seconds(self) -> float:
        """Length in seconds."""
        return self.plan.end_s - self.plan.start_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Ready:
    """A song with rendered families and a measured sum."""

    song: Song
    partial: Path
    families: Families
    trims: Trims
    facts: SumFacts
    reachable_lufs: float


def to_sum(song: Song, desk: Desk, lane: Lane, stack: ExitStack, trims: Trims | None = None) -> Ready:
    """Render the tracks into families and measure their sum; the temporary files go when `stack` closes.

    Without `trims` they are decided from the families.
    """
    plan = song.plan
    partial_folder = begin_song(desk.home.mixes, song.folder_name)
    tracks = desk.output(partial_folder / "tracks") if desk.settings.tracks else None
    rendered = render(song, family_names(plan), desk, lane, stack, tracks=tracks)
    sounds = [one.sound for one in rendered]
    pieces = gram_pieces(plan)
    compared = lane.all(
        [
            Job(
                what="compare the families",
                call=partial(measure_gram, plan, sounds, first, last, desk.block_hops),
                cost=_SUM_COST * song.seconds / len(pieces),
            )
            for first, last in pieces
        ]
    )
    gram = np.concatenate([np.zeros((0, len(sounds), len(sounds))), *compared])
    families = joined(plan, rendered, gram)
    trims = trims or decide_trims(plan, families.names, families.gram, families.drum_peaks_db)
    return sum_of(song, partial_folder, families, trims, desk, lane)


def render(
    song: Song,
    names: Sequence[str],
    desk: Desk,
    lane: Lane,
    stack: ExitStack,
    *,
    tracks: Output | None = None,
) -> list[Rendered]:
    """These families of a song, rendered into scratch files that go when `stack` closes."""
    plan, sounds = song.plan, song.raw.sounds(song.plan)

    def scratch(name: str) -> Scratch:
        of_song = key(song.folder_name, plan.title, name)
        path = path_of(desk.home.cache, "scratch", take_key(song.raw.folder), of_song)
        return Scratch(path=path, rate_hz=plan.rate_hz, channels=2, frames=frames_of(plan))

    scratches = [scratch(name) for name in names]
    for one in scratches:
        stack.callback(one.remove)
    return lane.all(
        [
            Job(
                what=f"render the {name}",
                call=partial(render_family, plan, sounds, name, sound, tracks, desk.block_hops),
                cost=_TRACK_COST * song.seconds * sum(track.family == name for track in plan.tracks),
            )
            for name, sound in zip(names, scratches, strict=True)
        ]
    )


def sum_of(song: Song, folder: Path, families: Families, trims: Trims, desk: Desk, lane: Lane) -> Ready:
    """The song with its sum measured at these trims."""
    plan = song.plan
    ceiling_dbfs = plan.ceiling_dbtp - UNDER_CEILING_DB
    stems, parts = trimmed(families, trims), sum_parts(families)
    threshold = sum_threshold(trims, ceiling_dbfs)
    facts = joined_sum(
        families,
        lane.all(
            [
                Job(
                    what="measure the sum",
                    call=partial(
                        measure_part, stems, families.rate_hz, families.frames, threshold, part, desk.block_hops
                    ),
                    cost=_SUM_COST * song.seconds / len(parts),
                )
                for part in parts
            ]
        ),
    )
    return Ready(
        song=song,
        partial=folder,
        families=families,
        trims=trims,
        facts=facts,
        reachable_lufs=reachable_lufs(plan, trims, facts),
    )


def write_files(
    ready: Ready, master: MasterPlan, curve_db: NDArray[np.float32], files: SongFiles, desk: Desk, lane: Lane
) -> tuple[Path, ...]:
    """Write stems and mix at the master's curve; returns their paths, the mix first."""
    families, seconds = ready.families, ready.song.seconds
    lane.all(
        [
            Job(
                what=f"write the {name} stem",
                call=partial(
                    write_stem, family, curve_db, files.stems, name, master.dither_seed + place, desk.block_hops
                ),
                cost=_STEM_COST * seconds,
            )
            for place, (name, family) in enumerate(zip(families.names, trimmed(families, master.trims), strict=True))
        ]
    )
    lane.one(
        Job(
            what="write the mix",
            call=partial(write_mix, families, files, desk.block_hops),
            cost=FILE_COST * seconds,
        )
    )
    return (files.mix.path(files.title), *(files.stems.path(name) for name in families.names))


def mp3_job(ready: Ready, master: MasterPlan, curve_db: NDArray[np.float32], path: Path, desk: Desk) -> Job[None]:
    """Encode a mix at the master's curve."""
    return Job(
        what="write the MP3",
        call=partial(write_mp3, ready.families, master.trims, curve_db, path, desk.block_hops),
        cost=_MP3_COST * ready.song.seconds,
    )
