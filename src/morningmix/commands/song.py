"""One song from its plan to its finished folder: families, sum, files, verification.

Everything is built in a separate folder; the command moves it into place.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from queue import SimpleQueue

from morningmix import __version__
from morningmix.audio.encode import encode_mp3
from morningmix.audio.header import read_header
from morningmix.audio.read import open_recording
from morningmix.commands.practice import Practice, practice_mixes, practice_trims, without_bleed
from morningmix.commands.reproduce import hash_files, versions
from morningmix.decide.master import HOP_S, UNDER_CEILING_DB, decide_master, decide_trims, reachable_lufs
from morningmix.decide.rehearsal import lower_together_db
from morningmix.files.recall import MixFile, Recall, RecordedInput, Settings, recall_text
from morningmix.model.measured import Cleaned, SongFacts, SumFacts
from morningmix.model.plan import MasterPlan, SongPlan, Trims
from morningmix.model.recording import Recording
from morningmix.render.families import Families, render_families
from morningmix.render.master import limiter_per_hop, measure_sum, write_master
from morningmix.render.output import Output, SongFiles
from morningmix.render.passes import BLOCK_HOPS, Pass
from morningmix.render.verify import MOST_APART_LU, Verified, meters_differ_lu, verify
from morningmix.storage.home import RECALL, Home, output_errors, path_from
from morningmix.storage.song_folders import begin_song, folder_name
from morningmix.units import Block
from morningmix.workers.progress import Progress, step_progress


@dataclass(frozen=True, slots=True, kw_only=True)
class Raw:
    """The recordings to be mixed, and what the recall sheet stores of them."""

    folder: Path
    """The raw tracks."""
    recordings: tuple[Recording, ...]
    """As they were recorded."""
    hashes: Callable[[], tuple[tuple[str, ...], ...]]
    """Returns the SHA-256 of every part of each recording; the first call takes as long as reading them."""
    sounds: tuple[Recording, ...]
    """What the mix reads: a recording, or its cleaned sound."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """Where and how songs are written, and on which threads."""

    home: Home
    settings: Settings
    pool: Executor
    progress: Progress
    block_hops: int = BLOCK_HOPS

    def run(self, step: str, seconds: float) -> Pass:
        """A pass through a song, shown as a step of that name."""
        return Pass(pool=self.pool, progress=step_progress(self.progress, step, seconds), block_hops=self.block_hops)


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


def mix_song(song: Song, lower_db: float, desk: Desk) -> MixedSong:
    """Mix a song into a folder of its own, at least `lower_db` below its target, and lower where it falls short."""
    with ExitStack() as stack:
        ready = to_sum(song, desk, stack)
        target_lufs = song.plan.target_lufs
        lower_db = max(lower_db, lower_together_db([(target_lufs, ready.reachable_lufs)]))
        master = decide_master(song.plan, ready.trims, ready.facts, target_lufs - lower_db)
        return write(ready, master, desk)


def to_sum(song: Song, desk: Desk, stack: ExitStack, trims: Trims | None = None) -> Ready:
    """Render the tracks into families and measure their sum; the temporary files go when `stack` closes.

    Without `trims` they are decided from the families.
    """
    partial = begin_song(desk.home.mixes, song.folder_name)
    families = _render_tracks(song, desk, stack, _output(partial / "tracks", desk) if desk.settings.tracks else None)
    plan = song.plan
    trims = trims or decide_trims(plan, families.names, families.gram, families.drum_peaks_db)
    return _measure_sum(song, partial, families, trims, desk)


def _render_tracks(song: Song, desk: Desk, stack: ExitStack, tracks: Output | None = None) -> Families:
    families = render_families(
        song.plan,
        song.raw.sounds,
        desk.home.cache,
        desk.run(f"mixing {song.plan.title}", song.seconds),
        tracks_output=tracks,
    )
    stack.callback(families.close)
    return families


def _measure_sum(song: Song, partial: Path, families: Families, trims: Trims, desk: Desk) -> Ready:
    plan = song.plan
    run = desk.run(f"measuring the loudness of {plan.title}", song.seconds)
    facts = measure_sum(families, trims, plan.ceiling_dbtp - UNDER_CEILING_DB, run)
    return Ready(
        song=song,
        partial=partial,
        families=families,
        trims=trims,
        facts=facts,
        reachable_lufs=reachable_lufs(plan, trims, facts),
    )


def _output(folder: Path, desk: Desk) -> Output:
    return Output(folder=folder, bits=desk.settings.bits, file_format=desk.settings.file_format)


def write(ready: Ready, master: MasterPlan, desk: Desk) -> MixedSong:
    """Write everything into the song's partial folder, and measure what was written.

    Paths in the result are those after the folder has been moved into place.
    """
    song, plan, partial = ready.song, ready.song.plan, ready.partial
    files = SongFiles(title=plan.title, mix=_output(partial, desk), stems=_output(partial / "stems", desk))
    run = desk.run(f"writing {plan.title}", song.seconds)
    with _writing(ready, master, files, partial / f"{files.mix.path(plan.title).stem}.mp3", run) as paths:
        ready.families.close()
        verified = verify(paths, desk.pool, step_progress(desk.progress, f"checking {plan.title}", song.seconds))
        # The MP3 is still being encoded, on one core.
        hashes = song.raw.hashes()
    differ_lu = meters_differ_lu(paths[0])
    _refuse_wrong(verified.residual, differ_lu, plan.title)
    if desk.settings.practice:
        for practice in practice_mixes(plan):
            _write_practice(practice, ready, master, desk)
    _write_sheet(ready, master, paths, verified, hashes, desk)
    folder = desk.home.mixes / song.folder_name
    return MixedSong(
        title=plan.title,
        partial=partial,
        folder=folder,
        mix=folder / paths[0].name,
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
            meters_differ_lu=differ_lu,
        ),
    )


def _write_practice(practice: Practice, ready: Ready, master: MasterPlan, desk: Desk) -> None:
    """One practice mix as an MP3, mastered afresh at the song's target with the trims of the mix."""
    folder = ready.partial / "practice"
    song = replace(ready.song, plan=practice.plan)
    steps = f"practice mixes of {ready.song.plan.title}"
    with ExitStack() as stack:
        families = _render_tracks(song, desk, stack)
        if practice.gone:
            gone = [song.raw.sounds[index] for index in practice.gone]
            progress = step_progress(desk.progress, f"practice mixes of {practice.plan.title}", song.seconds)
            families = without_bleed(families, practice.plan, gone, desk.home.cache, progress)
            stack.callback(families.close)
        trims = practice_trims(ready.trims, practice.plan, ready.song.plan)
        summed = _measure_sum(song, folder / ".wav", families, trims, desk)
        target_lufs = min(master.target_lufs, summed.reachable_lufs)
        plan = replace(practice.plan, target_lufs=master.target_lufs)
        afresh = decide_master(plan, summed.trims, summed.facts, target_lufs)
        mix = Output(folder=folder / ".wav", bits=16)
        files = SongFiles(title=practice.name, mix=mix, stems=replace(mix, folder=mix.folder / "stems"))
        mp3 = folder / f"{mix.path(practice.name).stem}.mp3"
        with _writing(summed, afresh, files, mp3, desk.run(steps, song.seconds)):
            pass
    with output_errors(folder):
        shutil.rmtree(folder / ".wav")


@contextmanager
def _writing(ready: Ready, master: MasterPlan, files: SongFiles, mp3: Path, run: Pass) -> Iterator[tuple[Path, ...]]:
    """Write mix and stems, and yield their paths; an MP3 of the mix is encoded meanwhile, and complete at the end.

    Encoding takes longer than all the writing, on one core, so it reads the mix back while that is still growing.
    """
    families = ready.families
    rate_hz = families.rate_hz
    written: SimpleQueue[int | None] = SimpleQueue()
    path = files.mix.path(files.title)
    with output_errors(mp3.parent):
        mp3.parent.mkdir(parents=True, exist_ok=True)

    def wrote(seconds: float) -> None:
        written.put(round(seconds * rate_hz))
        run.progress(seconds)

    with ThreadPoolExecutor(1) as beside:
        blocks = _as_it_grows(path, rate_hz, families.frames, written, waits=files.mix.file_format == "flac")
        encoding = beside.submit(encode_mp3, blocks, mp3, rate_hz=rate_hz)
        try:
            paths = write_master(families, master, ready.facts, files, replace(run, progress=wrote))
        finally:
            written.put(None)
        yield paths
        encoding.result()


def _as_it_grows(
    path: Path, rate_hz: int, frames: int, written: SimpleQueue[int | None], *, waits: bool
) -> Iterator[Block]:
    """A mix block by block, once `written` says that so many frames more are on disk; `waits`: not before the last."""
    counts = iter(written.get, None)
    if waits:
        counts = iter(list(counts))
    with ExitStack() as stack:
        reader = None
        for count in counts:
            if reader is None:
                whole = Recording(lanes=((replace(read_header(path), frames=frames),),))
                reader = stack.enter_context(open_recording(whole, rate_hz))
            yield reader.read(count)


def _refuse_wrong(residual: float, differ_lu: float | None, title: str) -> None:
    """Raise for what only a bug can cause: nothing is put in place, and the traceback shows."""
    if residual != 0.0:
        raise RuntimeError(f'the stems of "{title}" do not add up to the mix: {residual:g} is left')
    if differ_lu is not None and abs(differ_lu) > MOST_APART_LU:
        raise RuntimeError(f'two loudness meters differ by {differ_lu:.3f} LU on "{title}"')


def _write_sheet(
    ready: Ready,
    master: MasterPlan,
    paths: Sequence[Path],
    verified: Verified,
    hashes: Sequence[tuple[str, ...]],
    desk: Desk,
) -> None:
    partial = ready.partial
    mix, *stems = (path.relative_to(partial).as_posix() for path in paths)
    files = sorted(path.relative_to(partial).as_posix() for path in partial.rglob("*") if path.is_file())
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
        sha256=hash_files(partial, files, desk.pool),
        versions=versions(),
    )
    with output_errors(partial / RECALL):
        (partial / RECALL).write_text(recall_text(recall), encoding="utf-8", newline="\n")


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


def sounds_of(recordings: Sequence[Recording], cleaned: Mapping[int, Cleaned]) -> tuple[Recording, ...]:
    """What is mixed: recordings, or the cleaned sound where there is one."""
    return tuple(cleaned[index].sound if index in cleaned else recording for index, recording in enumerate(recordings))
