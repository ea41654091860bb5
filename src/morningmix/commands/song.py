"""One song from its plan to its finished folder: families, sum, files, verification.

Everything is built in a separate folder; the command moves it into place.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from morningmix import __version__
from morningmix.audio.encode import encode_file
from morningmix.audio.scratch import Scratch
from morningmix.commands.practice import Practice, practice_mixes, practice_trims, without_bleed
from morningmix.commands.reproduce import hash_files, versions
from morningmix.decide.master import HOP_S, UNDER_CEILING_DB, decide_master, decide_trims, reachable_lufs
from morningmix.files.recall import MixFile, Recall, RecordedInput, Settings, recall_text
from morningmix.model.measured import Cleaned, SongFacts, SumFacts
from morningmix.model.plan import MasterPlan, SongPlan, Trims
from morningmix.model.recording import Recording
from morningmix.render.families import (
    BLOCK_HOPS,
    Families,
    Rendered,
    family_names,
    frames_of,
    joined,
    measure_gram,
    render_family,
)
from morningmix.render.master import (
    limiter_per_hop,
    master_curve_db,
    measure_sum,
    trimmed,
    write_mix,
    write_stem,
)
from morningmix.render.output import Output, SongFiles
from morningmix.render.verify import MOST_APART_LU, Verified, verify
from morningmix.storage.cache import key, path_of, take_key
from morningmix.storage.home import RECALL, Home, output_errors, path_from
from morningmix.storage.song_folders import begin_song, folder_name
from morningmix.workers.jobs import Job, Lane

_TRACK_COST, _SUM_COST, _STEM_COST, _FILE_COST, _MP3_COST = 0.0035, 0.004, 0.0015, 0.004, 0.012
"""Seconds of one core per second of a track, of the sum, of a stem, of the mix (measured)."""


def mixing_cost(plan: SongPlan) -> float:
    """Seconds of one core that a song takes, about."""
    tracks, families = sum(track.sounds for track in plan.tracks), len(family_names(plan))
    per_second = _TRACK_COST * tracks + 2.0 * _SUM_COST + _STEM_COST * families + 2.0 * _FILE_COST + _MP3_COST
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

    def output(self, folder: Path) -> Output:
        """A folder of sound files as the order wants them."""
        return Output(folder=folder, bits=self.settings.bits, file_format=self.settings.file_format)


@dataclass(frozen=True, slots=True, kw_only=True)
class Song:
    """A song to be mixed."""

    number: int
    """Number in the rehearsal."""
    plan: SongPlan
    raw: Raw

    @property
    def folder_name(self) -> str:
        """Name of its folder."""
        return folder_name(self.number, self.plan.title)

    @property
    def seconds(self) -> float:
        """Length in seconds."""
        return self.plan.end_s - self.plan.start_s


@dataclass(frozen=True, slots=True, kw_only=True)
class MixedSong:
    """One song on disk."""

    title: str
    partial: Path | None
    """Folder in which it was built; None for a song that stays as it was."""
    folder: Path
    mix: Path
    loudness_lufs: float | None
    true_peak_dbtp: float | None
    target_lufs: float
    wanted_lufs: float
    reachable_lufs: float
    residual: float
    plan: SongPlan
    master: MasterPlan
    facts: SongFacts


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
    rendered = _render(song, family_names(plan), desk, lane, stack, tracks=tracks)
    sounds = [one.sound for one in rendered]
    gram = lane.one(
        Job(
            what="compare the families",
            call=partial(measure_gram, sounds, desk.block_hops),
            cost=_SUM_COST * song.seconds,
        )
    )
    families = joined(plan, rendered, gram)
    trims = trims or decide_trims(plan, families.names, families.gram, families.drum_peaks_db)
    return _measure_sum(song, partial_folder, families, trims, desk, lane)


def _render(
    song: Song,
    names: Sequence[str],
    desk: Desk,
    lane: Lane,
    stack: ExitStack,
    *,
    tracks: Output | None = None,
) -> list[Rendered]:
    """These families of a song."""
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


def _measure_sum(song: Song, folder: Path, families: Families, trims: Trims, desk: Desk, lane: Lane) -> Ready:
    plan = song.plan
    ceiling_dbfs = plan.ceiling_dbtp - UNDER_CEILING_DB
    facts = lane.one(
        Job(
            what="measure the sum",
            call=partial(measure_sum, trimmed(families, trims), trims.gain_db, ceiling_dbfs, desk.block_hops),
            cost=_SUM_COST * song.seconds,
        )
    )
    return Ready(
        song=song,
        partial=folder,
        families=families,
        trims=trims,
        facts=facts,
        reachable_lufs=reachable_lufs(plan, trims, facts),
    )


def write(ready: Ready, master: MasterPlan, desk: Desk, lane: Lane) -> MixedSong:
    """Write everything into the song's partial folder and measure what was written.

    Paths in the result are those after the folder has been moved into place.
    """
    song, plan, folder = ready.song, ready.song.plan, ready.partial
    files = SongFiles(title=plan.title, mix=desk.output(folder), stems=desk.output(folder / "stems"))
    paths = _write_files(ready, master, files, desk, lane)
    if desk.settings.practice:
        for practice in practice_mixes(plan):
            _write_practice(practice, ready, master, desk, lane)
    mp3 = folder / f"{paths[0].stem}.mp3"
    jobs: list[Job[Verified | None]] = [
        Job(what="verify the files", call=partial(verify, paths), cost=_FILE_COST * song.seconds),
        Job(what="write the MP3", call=partial(encode_file, paths[0], mp3), cost=_MP3_COST * song.seconds),
    ]
    verified, _ = lane.all(jobs)
    assert verified is not None
    _refuse_wrong(verified, plan.title)
    hashes = song.raw.hashes(lane)
    _write_sheet(ready, master, paths, verified, hashes, desk, lane)
    final = desk.home.mixes / song.folder_name
    return MixedSong(
        title=plan.title,
        partial=folder,
        folder=final,
        mix=final / paths[0].name,
        loudness_lufs=_rounded(verified.loudness.integrated_lufs),
        true_peak_dbtp=_rounded(verified.loudness.true_peak_dbtp),
        target_lufs=master.target_lufs,
        wanted_lufs=plan.target_lufs,
        reachable_lufs=ready.reachable_lufs,
        residual=verified.residual,
        plan=plan,
        master=master,
        facts=SongFacts(
            hop_s=HOP_S,
            reduction_db=ready.families.reduction_db,
            limiter_db=limiter_per_hop(ready.facts, master),
            short_term_lufs=verified.short_term_lufs,
            band_hz=verified.band_hz,
            spectrum_db=verified.spectrum_db,
            meters_differ_lu=verified.meters_differ_lu,
        ),
    )


def _write_files(ready: Ready, master: MasterPlan, files: SongFiles, desk: Desk, lane: Lane) -> tuple[Path, ...]:
    """Write stems and mix; returns their paths, the mix first."""
    families, seconds = ready.families, ready.song.seconds
    curve_db = master_curve_db(ready.facts, master)
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
    stems = [files.stems.path(name) for name in families.names]
    lane.one(
        Job(
            what="write the mix",
            call=partial(write_mix, stems, files.mix, files.title, desk.block_hops),
            cost=_FILE_COST * seconds,
        )
    )
    return (files.mix.path(files.title), *stems)


def _write_practice(practice: Practice, ready: Ready, master: MasterPlan, desk: Desk, lane: Lane) -> None:
    """One practice mix as an MP3, mastered afresh at the song's target with the trims of the mix.

    Families in which nothing is different are those of the mix.
    """
    song = replace(ready.song, plan=practice.plan)
    folder = ready.partial / "practice"
    mixed, plan = ready.song.plan.tracks, practice.plan
    changed = [
        name
        for name in family_names(plan)
        if [track for track in mixed if track.family == name]
        != [track for track in plan.tracks if track.family == name]
    ]
    with ExitStack() as stack:
        rendered = {
            name: Rendered(
                sound=sound,
                drum_peaks_db=ready.families.drum_peaks_db if name == "drums" else None,
                reduction_db=(),
            )
            for name, sound in zip(ready.families.names, ready.families.sound, strict=True)
        }
        rendered |= dict(zip(changed, _render(song, changed, desk, lane, stack), strict=True))
        # Its trims are those of the mix, so its balance need not be measured.
        families = joined(plan, [rendered[name] for name in family_names(plan)], np.zeros((0, 0, 0)))
        if practice.gone:
            gone = [song.raw.sounds(plan)[index] for index in practice.gone]
            drums = families.sound[families.names.index("drums")]
            quiet = replace(drums, path=path_of(desk.home.cache, "scratch", take_key(song.raw.folder), key(plan.title)))
            stack.callback(quiet.remove)
            lane.one(
                Job(
                    what="take a player out of the drums",
                    call=partial(without_bleed, drums, quiet, plan, gone),
                    cost=0.03 * song.seconds,
                )
            )
            families = replace(families, sound=tuple(quiet if one == drums else one for one in families.sound))
        trims = practice_trims(ready.trims, plan, ready.song.plan)
        summed = _measure_sum(song, folder / ".wav", families, trims, desk, lane)
        target_lufs = min(master.target_lufs, summed.reachable_lufs)
        afresh = decide_master(replace(plan, target_lufs=master.target_lufs), summed.trims, summed.facts, target_lufs)
        mix = Output(folder=folder / ".wav", bits=16)
        files = SongFiles(title=practice.name, mix=mix, stems=replace(mix, folder=mix.folder / "stems"))
        path, *_ = _write_files(summed, afresh, files, desk, lane)
        mp3 = folder / f"{path.stem}.mp3"
        lane.one(Job(what="write the MP3", call=partial(encode_file, path, mp3), cost=_MP3_COST * song.seconds))
    with output_errors(folder):
        shutil.rmtree(folder / ".wav")


def _refuse_wrong(verified: Verified, title: str) -> None:
    """What must never happen: then nothing is put in place, and the traceback is wanted."""
    if verified.residual != 0.0:
        raise RuntimeError(f'the stems of "{title}" do not add up to the mix: {verified.residual:g} is left')
    differ_lu = verified.meters_differ_lu
    if differ_lu is not None and abs(differ_lu) > MOST_APART_LU:
        raise RuntimeError(f'two loudness meters differ by {differ_lu:.3f} LU on "{title}"')


def _write_sheet(
    ready: Ready,
    master: MasterPlan,
    paths: Sequence[Path],
    verified: Verified,
    hashes: Sequence[tuple[str, ...]],
    desk: Desk,
    lane: Lane,
) -> None:
    partial_folder = ready.partial
    mix, *stems = (path.relative_to(partial_folder).as_posix() for path in paths)
    files = sorted(path.relative_to(partial_folder).as_posix() for path in partial_folder.rglob("*") if path.is_file())
    recall = Recall(
        morningmix=__version__,
        title=ready.song.plan.title,
        tracks_folder=path_from(ready.song.raw.folder, desk.home.mixes / ready.song.folder_name),
        recordings=tuple(
            RecordedInput(
                files=recording.files, parts=tuple(part.name for part in recording.parts), sha256=tuple(sha256)
            )
            for recording, sha256 in zip(ready.song.raw.recordings, hashes, strict=True)
        ),
        settings=desk.settings,
        plan=ready.song.plan,
        master=master,
        mix=MixFile(
            file=mix,
            integrated_lufs=_rounded(verified.loudness.integrated_lufs),
            range_lu=_rounded(verified.loudness.range_lu),
            true_peak_dbtp=_rounded(verified.loudness.true_peak_dbtp),
        ),
        stems=tuple(stems),
        reachable_lufs=ready.reachable_lufs,
        files=[*files, RECALL],
        sha256=hash_files(partial_folder, files, lane),
        versions=versions(),
    )
    with output_errors(partial_folder / RECALL):
        (partial_folder / RECALL).write_text(recall_text(recall), encoding="utf-8", newline="\n")


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)
