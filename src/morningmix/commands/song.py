"""One song from its plan to its finished folder: families, sum, files, verified.

Everything is built in a folder of its own; the command puts it in its place.
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
from morningmix.files.recall import MixFile, Recall, RecordedInput, Settings, recall_text
from morningmix.model.measured import Cleaned, SongFacts, SumFacts
from morningmix.model.plan import MasterPlan, SongPlan, Trims
from morningmix.model.recording import Recording
from morningmix.render.families import BLOCK_HOPS, Families, render_families
from morningmix.render.master import limiter_per_hop, measure_sum, write_master
from morningmix.render.output import Output
from morningmix.render.verify import MOST_APART_LU, Verified, meters_differ_lu, verify
from morningmix.storage.home import RECALL, Home, output_errors, path_from
from morningmix.storage.song_folders import begin_song, folder_name
from morningmix.units import Block
from morningmix.workers.progress import Progress, step_progress


@dataclass(frozen=True, slots=True, kw_only=True)
class Raw:
    """What is mixed, and what the recall sheet says it was."""

    folder: Path
    """The raw tracks."""
    recordings: tuple[Recording, ...]
    """As they were recorded."""
    hashes: Callable[[], tuple[tuple[str, ...], ...]]
    """Gives the SHA-256 of every part of each recording, which the first time takes as long as reading them."""
    sounds: tuple[Recording, ...]
    """What is read for the mix: a recording, or its cleaned sound."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """Where and how songs are written."""

    home: Home
    settings: Settings
    pool: Executor
    progress: Progress
    block_hops: int = BLOCK_HOPS


@dataclass(frozen=True, slots=True, kw_only=True)
class MixedSong:
    """One song on disk."""

    title: str
    partial: Path | None
    """Where it was built; None for a song that stands as it was."""
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
    """A song whose families are rendered and whose sum is measured."""

    plan: SongPlan
    raw: Raw
    folder_name: str
    partial: Path
    families: Families
    trims: Trims
    facts: SumFacts
    reachable_lufs: float


def to_sum(plan: SongPlan, number: int, raw: Raw, desk: Desk, stack: ExitStack, trims: Trims | None = None) -> Ready:
    """Render the families and measure their sum; the temporary files go when `stack` closes."""
    name = folder_name(number, plan.title)
    partial = begin_song(desk.home.mixes, name)
    tracks = _output(partial / "tracks", desk) if desk.settings.tracks else None
    return _rendered(plan, raw, desk, stack, partial, name, tracks, trims)


def _rendered(
    plan: SongPlan,
    raw: Raw,
    desk: Desk,
    stack: ExitStack,
    partial: Path,
    name: str,
    tracks: Output | None,
    trims: Trims | None,
    gone: Sequence[Recording] = (),
) -> Ready:
    seconds = plan.end_s - plan.start_s
    families = render_families(
        plan,
        raw.sounds,
        desk.home.cache,
        desk.pool,
        tracks_output=tracks,
        block_hops=desk.block_hops,
        progress=step_progress(desk.progress, f"mixing {plan.title}", seconds),
    )
    stack.callback(families.close)
    trims = trims or decide_trims(plan, families.names, families.gram, families.drum_peaks_db)
    if gone:
        told = step_progress(desk.progress, f"practice mixes of {plan.title}", seconds)
        families = without_bleed(families, plan, gone, desk.home.cache, told)
        stack.callback(families.close)
    facts = measure_sum(
        families,
        trims,
        plan.ceiling_dbtp - UNDER_CEILING_DB,
        plan.rate_hz,
        desk.pool,
        block_hops=desk.block_hops,
        progress=step_progress(desk.progress, f"hearing the sum of {plan.title}", seconds),
    )
    return Ready(
        plan=plan,
        raw=raw,
        folder_name=name,
        partial=partial,
        families=families,
        trims=trims,
        facts=facts,
        reachable_lufs=reachable_lufs(plan, trims, facts),
    )


def _output(folder: Path, desk: Desk) -> Output:
    return Output(folder=folder, bits=desk.settings.bits, file_format=desk.settings.file_format)


def write(ready: Ready, master: MasterPlan, desk: Desk) -> MixedSong:
    """Write everything into the song's partial folder and measure what was written.

    What is returned speaks of the folder where it will lie.
    """
    plan, partial = ready.plan, ready.partial
    seconds = plan.end_s - plan.start_s
    with _writing(
        ready,
        master,
        _output(partial, desk),
        plan.title,
        _output(partial / "stems", desk),
        partial,
        desk,
        step_progress(desk.progress, f"writing {plan.title}", seconds),
    ) as paths:
        ready.families.close()
        verified = verify(paths, desk.pool, step_progress(desk.progress, f"checking {plan.title}", seconds))
        # The MP3 is still being made, on one core.
        hashes = ready.raw.hashes()
    differ_lu = meters_differ_lu(paths[0])
    _refuse_wrong(verified.residual, differ_lu, plan.title)
    if desk.settings.practice:
        for practice in practice_mixes(plan):
            _write_practice(practice, ready, master, desk)
    _write_sheet(ready, master, paths, verified, hashes, desk)
    folder = desk.home.mixes / ready.folder_name
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
    plan, folder = practice.plan, ready.partial / "practice"
    with ExitStack() as stack:
        trims = practice_trims(ready.trims, plan, ready.plan)
        gone = [ready.raw.sounds[index] for index in practice.gone]
        one = _rendered(plan, ready.raw, desk, stack, folder / ".wav", ready.folder_name, None, trims, gone)
        target = min(master.target_lufs, one.reachable_lufs)
        afresh = decide_master(replace(plan, target_lufs=master.target_lufs), one.trims, one.facts, target)
        output = Output(folder=folder / ".wav", bits=16)
        stems = replace(output, folder=folder / ".wav" / "stems")
        told = step_progress(desk.progress, f"practice mixes of {ready.plan.title}", plan.end_s - plan.start_s)
        with _writing(one, afresh, output, practice.name, stems, folder, desk, told):
            pass
    with output_errors(folder):
        shutil.rmtree(folder / ".wav")


@contextmanager
def _writing(
    ready: Ready,
    master: MasterPlan,
    mix: Output,
    title: str,
    stems: Output,
    mp3_folder: Path,
    desk: Desk,
    progress: Callable[[float], None],
) -> Iterator[tuple[Path, ...]]:
    """Write mix and stems, whose paths are given; an MP3 of the mix is being made meanwhile, and is there at the end.

    Encoding takes longer than all the writing, on one core; so it reads the mix back while that is still growing.
    """
    rate_hz = ready.plan.rate_hz
    written: SimpleQueue[int | None] = SimpleQueue()
    path = mix.path(title)
    with output_errors(mp3_folder):
        mp3_folder.mkdir(parents=True, exist_ok=True)

    def wrote(seconds: float) -> None:
        written.put(round(seconds * rate_hz))
        progress(seconds)

    with ThreadPoolExecutor(1) as beside:
        blocks = _as_it_grows(path, rate_hz, ready.families.frames, written, waits=mix.file_format == "flac")
        encoding = beside.submit(encode_mp3, blocks, mp3_folder / f"{path.stem}.mp3", rate_hz=rate_hz)
        try:
            paths = write_master(
                ready.families,
                master,
                ready.facts,
                rate_hz,
                mix,
                title,
                stems,
                desk.pool,
                block_hops=desk.block_hops,
                progress=wrote,
            )
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
    """What must never happen: then nothing is put in place, and the traceback is wanted."""
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
        title=ready.plan.title,
        tracks_folder=path_from(ready.raw.folder, desk.home.mixes / ready.folder_name),
        recordings=tuple(
            RecordedInput(
                files=recording.files, parts=tuple(part.name for part in recording.parts), sha256=tuple(sha256)
            )
            for recording, sha256 in zip(ready.raw.recordings, hashes, strict=True)
        ),
        settings=desk.settings,
        plan=ready.plan,
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
    """What is mixed: recordings, and the cleaned sound where there is one."""
    return tuple(cleaned[index].sound if index in cleaned else one for index, one in enumerate(recordings))
