"""One song from its plan to its finished folder: rendered, written, verified, with its recall sheet.

Everything is built in a folder of its own; the command puts it in its place.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from morningmix import __version__
from morningmix.commands.practice import practice_mixes, write_practice
from morningmix.commands.rendering import FILE_COST, Desk, Ready, mp3_job, write_files
from morningmix.commands.reproduce import hash_files, versions
from morningmix.decide.master import HOP_S
from morningmix.files.recall import MixFile, Recall, RecordedInput, recall_text
from morningmix.model.measured import SongFacts
from morningmix.model.plan import MasterPlan, SongPlan
from morningmix.model.tempo import Tempo
from morningmix.render.master import limiter_per_hop, master_curve_db
from morningmix.render.output import SongFiles
from morningmix.render.verify import MOST_APART_LU, Verified, residual_of, verify
from morningmix.report.contents import Mixed
from morningmix.storage.home import RECALL, output_errors, path_from
from morningmix.workers.jobs import Job, Lane

_TOGETHER = 2
"""Practice mixes that are made at a time: each holds several families on disk."""


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
    tempo: Tempo | None


def write(ready: Ready, master: MasterPlan, desk: Desk, lane: Lane) -> MixedSong:
    """Write everything into the song's partial folder and measure what was written.

    Paths in the result are those after the folder has been moved into place.
    """
    song, plan, folder = ready.song, ready.song.plan, ready.partial
    files = SongFiles(title=plan.title, mix=desk.output(folder), stems=desk.output(folder / "stems"))
    mix = files.mix.path(files.title)

    def sound(lane: Lane) -> tuple[Verified, float, dict[str, str]]:
        """Everything but the MP3; the mix is measured, its stems are taken from it, and all is hashed."""
        paths = write_files(ready, master, curve_db, files, desk, lane)
        if song.practice:
            works = [partial(write_practice, each, ready, master, desk) for each in practice_mixes(plan)]
            for first in range(0, len(works), _TOGETHER):
                lane.split(works[first : first + _TOGETHER])
        # The MP3 is still being written.
        written = [name for name in _files(folder) if name != mp3.name]
        cost = FILE_COST * song.seconds / 2.0
        checks: list[Callable[[Lane], Any]] = [
            lambda lane: lane.one(Job(what="verify the mix", call=partial(verify, paths[0]), cost=cost)),
            lambda lane: lane.one(Job(what="verify the stems", call=partial(residual_of, paths), cost=cost)),
            lambda lane: hash_files(folder, written, lane),
        ]
        verified, residual, of_files = lane.split(checks)
        return verified, residual, of_files

    mp3 = mix.with_suffix(".mp3")
    # Encoding takes longest, so it begins first: what it needs is there before anything is begun.
    curve_db = master_curve_db(ready.facts, master)
    works: list[Callable[[Lane], Any]] = [
        lambda lane: lane.one(mp3_job(ready, master, curve_db, mp3, desk)),
        sound,
        song.raw.hashes,
    ]
    _, (verified, residual, of_files), of_recordings = lane.split(works)
    _refuse_wrong(verified, residual, plan.title)
    of_files |= hash_files(folder, [mp3.name], lane)
    _write_sheet(ready, master, verified, _Hashes(recordings=of_recordings, files=of_files), desk)
    final = desk.home.mixes / song.folder_name
    return MixedSong(
        title=plan.title,
        partial=folder,
        folder=final,
        mix=final / mix.name,
        loudness_lufs=_rounded(verified.loudness.integrated_lufs),
        true_peak_dbtp=_rounded(verified.loudness.true_peak_dbtp),
        target_lufs=master.target_lufs,
        wanted_lufs=plan.target_lufs,
        reachable_lufs=ready.reachable_lufs,
        residual=residual,
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
        tempo=song.tempo,
    )


def _refuse_wrong(verified: Verified, residual: float, title: str) -> None:
    """What must never happen: then nothing is put in place, and the traceback is wanted."""
    if residual != 0.0:
        raise RuntimeError(f'the stems of "{title}" do not add up to the mix: {residual:g} is left')
    differ_lu = verified.meters_differ_lu
    if differ_lu is not None and abs(differ_lu) > MOST_APART_LU:
        raise RuntimeError(f'two loudness meters differ by {differ_lu:.3f} LU on "{title}"')


def _files(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


@dataclass(frozen=True, slots=True, kw_only=True)
class _Hashes:
    """SHA-256 of the parts of each recording, and of each written file."""

    recordings: tuple[tuple[str, ...], ...]
    files: dict[str, str]


def _write_sheet(ready: Ready, master: MasterPlan, verified: Verified, hashes: _Hashes, desk: Desk) -> None:
    folder, song = ready.partial, ready.song
    files = sorted(hashes.files)
    stems = desk.output(Path("stems"))
    recall = Recall(
        morningmix=__version__,
        title=song.plan.title,
        tracks_folder=path_from(song.raw.folder, desk.home.mixes / song.folder_name),
        recordings=tuple(
            RecordedInput(
                files=recording.files, parts=tuple(part.name for part in recording.parts), sha256=tuple(sha256)
            )
            for recording, sha256 in zip(song.raw.recordings, hashes.recordings, strict=True)
        ),
        settings=desk.settings_of(song),
        plan=song.plan,
        master=master,
        mix=MixFile(
            file=desk.output(Path()).path(song.plan.title).as_posix(),
            integrated_lufs=_rounded(verified.loudness.integrated_lufs),
            range_lu=_rounded(verified.loudness.range_lu),
            true_peak_dbtp=_rounded(verified.loudness.true_peak_dbtp),
        ),
        stems=tuple(stems.path(name).as_posix() for name in ready.families.names),
        tempo=song.tempo,
        levels_lu=song.levels(
            Mixed(
                plan=song.plan,
                master=master,
                hop_s=HOP_S,
                reduction_db=ready.families.reduction_db,
                loudness_lufs=verified.loudness.integrated_lufs,
            )
        ),
        reachable_lufs=ready.reachable_lufs,
        files=[*files, RECALL],
        sha256={file: hashes.files[file] for file in files},
        versions=versions(),
    )
    with output_errors(folder / RECALL):
        (folder / RECALL).write_text(recall_text(recall), encoding="utf-8", newline="\n")


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)
