"""The order of the steps: read headers, measure, decide, render, measure the sum, decide, write, verify.

Everything that touches a home is done under its lock, and nothing in it changes before a whole song is ready.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import ExitStack, suppress
from dataclasses import dataclass, replace
from pathlib import Path

from threadpoolctl import threadpool_limits

from morningmix import __version__
from morningmix.audio.encode import encode_mp3
from morningmix.audio.header import read_header
from morningmix.audio.read import open_recording, sha256_of
from morningmix.decide.desk import find_faults
from morningmix.decide.master import HOP_S, UNDER_CEILING_DB, decide_master, decide_trims, reachable_lufs
from morningmix.decide.roles import plain
from morningmix.decide.setup import Setups, set_up
from morningmix.decide.song import decide_song
from morningmix.dsp.control import hop_frames, peaks_db
from morningmix.errors import ChangedError, OutputError, RecipeError, UsageError
from morningmix.facts import (
    Boundary,
    Cleaned,
    Finding,
    FoundSong,
    Input,
    Recording,
    SongFacts,
    SongWish,
    SumFacts,
    Take,
)
from morningmix.files.findings import FINDINGS, write_findings
from morningmix.files.presets import load_roles
from morningmix.files.recall import Recall, RecordedInput, Settings, WrittenFile, read_recall, recall_text
from morningmix.files.recipe import read_recipe, with_songs, write_text_whole
from morningmix.files.toml_lines import read_text
from morningmix.home import (
    EARLIER,
    RECALL,
    Home,
    begin_song,
    finish_song,
    home_of,
    locked,
    output_errors,
    recover,
    refuse_inside,
    safe_name,
)
from morningmix.listen import Heard, Progress, hear_songs, listen, look, path_from, share
from morningmix.measure.clean import clean_take
from morningmix.measure.take import measure_take
from morningmix.plan import MasterPlan, SongPlan, Trims
from morningmix.recordings import find_take, pair, take_of
from morningmix.render.families import BLOCK_HOPS, Families, render_families
from morningmix.render.master import limiter_per_hop, measure_sum, write_master
from morningmix.render.output import Bits, FileFormat, Output
from morningmix.report.page import Cut, ReportedSong, report_page
from morningmix.verify import METERS_AGREE_LU, Verified, meters_differ_lu, verify


def no_progress(step: str, share: float) -> None:
    """Says nothing."""


REPORT = "report.html"
LONG_S = 480.0
"""A take longer than this is cut into songs where nobody has listed any. Design choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What the command line asks for."""

    source: Path
    cwd: Path
    out: Path | None = None
    bits: Bits = 24
    file_format: FileFormat = "wav"
    tracks: bool = False
    song: str | None = None
    whole: bool = False
    """Mix the take whole, whatever songs the recipe lists and however long it is."""
    redo: bool = False
    """Find the songs again although the recipe lists some."""
    workers: int | None = None
    """Threads; None: one per core, at most four."""
    block_hops: int = BLOCK_HOPS


@dataclass(frozen=True, slots=True, kw_only=True)
class MixedSong:
    """One song on disk."""

    title: str
    folder: Path
    mix: Path
    loudness_lufs: float | None
    true_peak_dbtp: float | None
    target_lufs: float
    wanted_lufs: float
    residual: float
    meters_differ_lu: float | None
    plan: SongPlan
    master: MasterPlan
    facts: SongFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What came of an order."""

    home: Path
    recipe: Path
    recipe_is_new: bool
    songs: tuple[MixedSong, ...]
    inputs: tuple[Input, ...]
    findings: tuple[Finding, ...]
    input_list: Path | None = None
    report: Path | None = None
    found: tuple[FoundSong, ...] | None = None
    """What was found in the take and written into the recipe; None where nothing was looked for."""
    listed: tuple[SongWish, ...] = ()
    """The songs that the recipe lists now."""
    take_s: float = 0.0

    @property
    def guesses(self) -> tuple[Input, ...]:
        """Inputs whose role nobody has confirmed."""
        return tuple(one for one in self.inputs if one.role_is_guess and not one.facts.silent)


def _workers(order: Order) -> int:
    return order.workers or max(1, min(4, os.cpu_count() or 1))


def _source(order: Order) -> Path:
    return (order.cwd / order.source).resolve()


def _home(order: Order) -> Home:
    """The order's home, once it is clear that there is something to work on: until then nothing is written."""
    home = home_of(order.source, order.cwd, order.out)
    look(_source(order), home)
    return home


def _clear(home: Home) -> None:
    """Leave no half-built song behind, whatever ended the run; what is still left is cleared by the next."""
    with suppress(OutputError):
        recover(home)


# ---------------------------------------------------------------- the commands


def write_recipe(order: Order, progress: Progress = no_progress) -> Result:
    """Listen to a take and write its recipe if there is none; mixes nothing."""
    home = _home(order)
    with threadpool_limits(1), locked(home):
        heard = listen(_source(order), home, _workers(order), progress)
    return _result(heard, ())


def check(order: Order, progress: Progress = no_progress) -> Result:
    """What the recorder got; writes the findings into the home, and nothing else but the cache."""
    home = _home(order)
    with threadpool_limits(1), locked(home):
        heard = listen(_source(order), home, _workers(order), progress, write_recipe=False)
        result = _result(heard, ())
        write_findings(home.root / FINDINGS, result.findings)
    return result


def songs(order: Order, progress: Progress = no_progress) -> Result:
    """Find the songs of a take and write them into its recipe; a list that is there stays, but for `order.redo`."""
    home = _home(order)
    with threadpool_limits(1), locked(home):
        heard = listen(_source(order), home, _workers(order), progress, take_bleed_out=False)
        found = None
        if order.redo or not heard.recipe.songs:
            heard, found = _with_songs(heard)
        return replace(_result(heard, ()), found=found)


def _with_songs(heard: Heard) -> tuple[Heard, tuple[FoundSong, ...]]:
    """The songs that are found, and what was heard with a recipe that lists them."""
    found = hear_songs(heard)
    if not any(song.keep for song in found):
        return heard, ()
    path = heard.home.recipe
    write_text_whole(path, with_songs(read_text(path), found))
    return replace(heard, recipe=replace(heard.recipe, songs=read_recipe(path).songs)), found


def mix(order: Order, progress: Progress = no_progress) -> Result:
    """Mix a folder of raw tracks or a recipe: every song, or the one that is asked for.

    Raises the errors of `morningmix.errors`; whatever is raised, earlier mixes are as they were.
    """
    if order.source.suffix == ".json" and not _source(order).is_dir():
        return _mix_again(order, progress)
    home = _home(order)
    with threadpool_limits(1), locked(home), ThreadPoolExecutor(_workers(order)) as pool:
        recover(home)
        heard = listen(_source(order), home, _workers(order), progress)
        recordings = heard.take.recordings
        found = None
        if order.whole:
            heard = replace(heard, recipe=replace(heard.recipe, songs=()))
        elif not heard.recipe.songs and heard.take.duration_s > LONG_S:
            heard, found = _with_songs(heard)
        wishes = _songs(heard)
        wanted = frozenset(_folder_name(number, wish.title) for number, wish in wishes)
        setups = _set_up(heard, [wish for _, wish in wishes])
        plans = [(number, _plan(heard, setups, wish)) for number, wish in _chosen(wishes, order.song)]
        with ExitStack() as stack:
            stack.callback(_clear, home)
            sounds = _mixed(recordings, {one.index: one.cleaned for one in heard.inputs if one.cleaned is not None})
            ready = [_to_sum(plan, number, sounds, home, order, pool, stack, progress) for number, plan in plans]
            target = min([one.reachable_lufs for one in ready], default=heard.recipe.target.loudness_lufs.value)
            mixed = []
            for one in ready:
                master = decide_master(one.plan, one.trims, one.facts, target)
                mixed.append(
                    _finish(
                        one,
                        master,
                        recordings,
                        heard.take.folder,
                        [track.sha256 for track in heard.measured.tracks],
                        home,
                        order,
                        pool,
                        progress,
                        wanted,
                    )
                )
        result = replace(_result(heard, tuple(mixed)), found=found)
        write_findings(home.root / FINDINGS, result.findings)
        if order.song is None:
            write_text_whole(home.mixes / REPORT, _report(heard, result, _cuts(heard, found)))
            result = replace(result, report=home.mixes / REPORT)
    return result


def _report(heard: Heard, result: Result, cuts: Sequence[Cut]) -> str:
    return report_page(
        title=heard.recipe.title,
        take=heard.take,
        measured=heard.measured,
        inputs=heard.inputs,
        singing=heard.singing,
        findings=result.findings,
        songs=[
            ReportedSong(
                title=song.title,
                plan=song.plan,
                master=song.master,
                facts=song.facts,
                loudness_lufs=song.loudness_lufs,
                true_peak_dbtp=song.true_peak_dbtp,
            )
            for song in result.songs
        ],
        cuts=cuts,
    )


def _cuts(heard: Heard, found: Sequence[FoundSong] | None) -> list[Cut]:
    """How the stretches that the recipe lists were told; what somebody wrote otherwise is told by being written."""
    if found is None:
        found = hear_songs(heard) if heard.recipe.songs else ()

    def told(at_s: float, boundaries: Sequence[Boundary]) -> Boundary:
        # Recipes hold tenths of seconds.
        near = next((one for one in boundaries if abs(one.at_s - at_s) < 0.11), None)
        return replace(near, at_s=at_s) if near else Boundary(at_s=at_s, because="as the recipe says", sure=1.0)

    return [
        Cut(
            title=song.title,
            start=told(song.start_s, [one.start for one in found]),
            end=told(song.end_s, [one.end for one in found]),
            aside=None if song.keep else song.reason or "as the recipe says",
        )
        for song in heard.recipe.songs
    ]


def _result(heard: Heard, songs: tuple[MixedSong, ...]) -> Result:
    return Result(
        home=heard.home.root,
        recipe=heard.home.recipe,
        recipe_is_new=heard.recipe_is_new,
        songs=songs,
        inputs=heard.inputs,
        findings=find_faults(heard.inputs, heard.take, heard.measured, heard.singing),
        input_list=heard.recipe.input_list,
        listed=heard.recipe.songs,
        take_s=heard.take.duration_s,
    )


def _songs(heard: Heard) -> list[tuple[int, SongWish]]:
    """Songs to keep, numbered in the order of the recipe; the whole take where it lists none."""
    kept = [song for song in heard.recipe.songs if song.keep]
    end_s = heard.take.duration_s
    if not heard.recipe.songs:
        kept = [SongWish(title=heard.recipe.title, start_s=0.0, end_s=end_s)]
    for song in kept:
        if song.start_s >= end_s:
            raise RecipeError(f'"{song.title}" starts after the recording ends. Check its start in the recipe.')
    return [(number, replace(song, end_s=min(song.end_s, end_s))) for number, song in enumerate(kept, 1)]


def _chosen(songs: list[tuple[int, SongWish]], only: str | None) -> list[tuple[int, SongWish]]:
    if only is None:
        return songs
    chosen = [(number, song) for number, song in songs if plain(song.title) == plain(only)]
    if not chosen:
        titles = ", ".join(f'"{song.title}"' for _, song in songs)
        raise UsageError(f'There is no song "{only}". There are: {titles}.')
    return chosen


def _folder_name(number: int, title: str) -> str:
    return f"{number:02d} {safe_name(title)}"


def _set_up(heard: Heard, songs: Sequence[SongWish]) -> Setups:
    return set_up(
        inputs=heard.inputs,
        singing=heard.singing,
        measured=heard.measured,
        recipe=heard.recipe,
        roles=load_roles(),
        songs=songs,
    )


def _plan(heard: Heard, setups: Setups, song: SongWish) -> SongPlan:
    return decide_song(
        title=song.title,
        start_s=song.start_s,
        end_s=song.end_s,
        inputs=heard.inputs,
        singing=heard.singing,
        measured=heard.measured,
        recipe=heard.recipe,
        roles=load_roles(),
        setups=setups,
        song=song,
        cleaning=heard.cleaning,
    )


def _mixed(recordings: Sequence[Recording], cleaned: Mapping[int, Cleaned]) -> list[Recording]:
    """What is mixed: recordings, and the cleaned sound where there is one."""
    return [cleaned[index].sound if index in cleaned else one for index, one in enumerate(recordings)]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ready:
    """A song whose families are rendered and whose sum is measured."""

    plan: SongPlan
    folder_name: str
    partial: Path
    families: Families
    trims: Trims
    facts: SumFacts
    reachable_lufs: float


def _to_sum(
    plan: SongPlan,
    number: int,
    recordings: Sequence[Recording],
    home: Home,
    order: Order,
    pool: Executor,
    stack: ExitStack,
    progress: Progress,
    trims: Trims | None = None,
) -> _Ready:
    folder_name = _folder_name(number, plan.title)
    partial = begin_song(home.mixes, folder_name)
    seconds = plan.end_s - plan.start_s
    tracks = Output(folder=partial / "tracks", bits=order.bits, file_format=order.file_format)
    families = render_families(
        plan,
        recordings,
        home.cache,
        pool,
        tracks_output=tracks if order.tracks else None,
        block_hops=order.block_hops,
        progress=share(progress, f"mixing {plan.title}", seconds),
    )
    stack.callback(families.close)
    drums = peaks_db(families.drum_peaks) if families.drum_peaks is not None else None
    trims = trims or decide_trims(plan, families.names, families.gram, drums)
    facts = measure_sum(
        families,
        trims,
        plan.ceiling_dbtp - UNDER_CEILING_DB,
        plan.rate_hz,
        block_hops=order.block_hops,
        progress=share(progress, f"hearing the sum of {plan.title}", seconds),
    )
    return _Ready(
        plan=plan,
        folder_name=folder_name,
        partial=partial,
        families=families,
        trims=trims,
        facts=facts,
        reachable_lufs=reachable_lufs(plan, trims, facts),
    )


def _finish(
    ready: _Ready,
    master: MasterPlan,
    recordings: Sequence[Recording],
    tracks_folder: Path,
    hashes: Sequence[Sequence[str]],
    home: Home,
    order: Order,
    pool: Executor,
    progress: Progress,
    wanted: frozenset[str],
) -> MixedSong:
    """Write, verify, and put the song in its place."""
    plan, partial = ready.plan, ready.partial
    seconds = plan.end_s - plan.start_s
    mix_output = Output(folder=partial, bits=order.bits, file_format=order.file_format)
    stems_output = Output(folder=partial / "stems", bits=order.bits, file_format=order.file_format)
    paths = write_master(
        ready.families,
        master,
        ready.facts,
        plan.rate_hz,
        mix_output,
        plan.title,
        stems_output,
        pool,
        block_hops=order.block_hops,
        progress=share(progress, f"writing {plan.title}", seconds),
    )
    ready.families.close()
    encoding = pool.submit(_encode, paths[0], partial / f"{paths[0].stem}.mp3")
    verified = verify(paths, pool, share(progress, f"checking {plan.title}", seconds))
    encoding.result()
    differ_lu = meters_differ_lu(paths[0])
    _refuse_wrong(verified.residual, differ_lu, plan.title)
    _write_sheet(ready, master, paths, recordings, tracks_folder, hashes, verified, order, home)
    finish_song(partial, home.mixes, ready.folder_name, replaces=_former_folder(home, plan, wanted))
    folder = home.mixes / ready.folder_name
    return MixedSong(
        title=plan.title,
        folder=folder,
        mix=folder / paths[0].name,
        loudness_lufs=verified.loudness[0].integrated_lufs,
        true_peak_dbtp=verified.loudness[0].true_peak_dbtp,
        target_lufs=master.target_lufs,
        wanted_lufs=plan.target_lufs,
        residual=verified.residual,
        meters_differ_lu=differ_lu,
        plan=plan,
        master=master,
        facts=SongFacts(
            hop_s=HOP_S,
            reduction_db=ready.families.reduction_db,
            limiter_db=limiter_per_hop(ready.facts, master),
            short_term_lufs=verified.short_term_lufs,
            band_hz=verified.band_hz,
            spectrum_db=verified.spectrum_db,
        ),
    )


def _encode(mix_path: Path, mp3_path: Path) -> None:
    recording = Recording(lanes=((read_header(mix_path),),))
    block_frames = BLOCK_HOPS * hop_frames(recording.rate_hz)
    with open_recording(recording, recording.rate_hz) as reader:
        blocks = (
            reader.read(min(block_frames, recording.frames - start))
            for start in range(0, recording.frames, block_frames)
        )
        encode_mp3(blocks, mp3_path, rate_hz=recording.rate_hz)


def _refuse_wrong(residual: float, differ_lu: float | None, title: str) -> None:
    """What must never happen: then nothing is put in place, and the traceback is wanted."""
    if residual != 0.0:
        raise RuntimeError(f'the stems of "{title}" do not add up to the mix: {residual:g} is left')
    if differ_lu is not None and abs(differ_lu) > METERS_AGREE_LU:
        raise RuntimeError(f'two loudness meters differ by {differ_lu:.3f} LU on "{title}"')


def _write_sheet(
    ready: _Ready,
    master: MasterPlan,
    paths: Sequence[Path],
    recordings: Sequence[Recording],
    tracks_folder: Path,
    hashes: Sequence[Sequence[str]],
    verified: Verified,
    order: Order,
    home: Home,
) -> None:
    partial = ready.partial
    files = sorted(path.relative_to(partial).as_posix() for path in partial.rglob("*") if path.is_file())
    recall = Recall(
        morningmix=__version__,
        title=ready.plan.title,
        tracks_folder=path_from(tracks_folder, home.mixes / ready.folder_name),
        recordings=tuple(
            RecordedInput(
                files=recording.files, parts=tuple(part.path.name for part in recording.parts), sha256=tuple(sha256)
            )
            for recording, sha256 in zip(recordings, hashes, strict=True)
        ),
        settings=Settings(bits=order.bits, file_format=order.file_format, tracks=order.tracks),
        plan=ready.plan,
        master=master,
        measured=tuple(
            WrittenFile(
                file=path.relative_to(partial).as_posix(),
                integrated_lufs=_rounded(reading.integrated_lufs),
                range_lu=_rounded(reading.range_lu),
                true_peak_dbtp=_rounded(reading.true_peak_dbtp),
            )
            for path, reading in zip(paths, verified.loudness, strict=True)
        ),
        files=[*files, RECALL],
    )
    with output_errors(partial / RECALL):
        (partial / RECALL).write_text(recall_text(recall), encoding="utf-8")


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


def _former_folder(home: Home, plan: SongPlan, wanted: frozenset[str]) -> str | None:
    """The folder in which this stretch of the take lay under another title or number; never one of those `wanted`."""
    for sheet in sorted(home.mixes.glob(f"*/{RECALL}")):
        name = sheet.parent.name
        if name == EARLIER or name in wanted:
            continue
        try:
            former = read_recall(sheet).plan
        except RecipeError:
            continue
        if (former.start_s, former.end_s) == (plan.start_s, plan.end_s):
            return name
    return None


# ---------------------------------------------------------------- the same mix again, from its recall sheet


def _mix_again(order: Order, progress: Progress) -> Result:
    sheet = _source(order)
    if not sheet.exists():
        raise UsageError(f"There is no {sheet}.")
    recall = read_recall(sheet)
    song_folder = sheet.parent
    if song_folder.parent.name == EARLIER:
        # The sheet speaks of the place where it was written, one folder up.
        song_folder = song_folder.parent.parent / song_folder.name
    mixes = (order.cwd / order.out).resolve() if order.out else song_folder.parent
    root = song_folder.parent.parent
    home = Home(root=root, mixes=mixes, recipe=root / "recipe.toml", cache=root / ".cache")
    tracks = (song_folder / recall.tracks_folder).resolve()
    refuse_inside(home, tracks)
    recordings = _recalled(recall, find_take(tracks), sheet)
    order = replace(
        order, bits=recall.settings.bits, file_format=recall.settings.file_format, tracks=recall.settings.tracks
    )
    with threadpool_limits(1), locked(home), ThreadPoolExecutor(_workers(order)) as pool, ExitStack() as stack:
        recover(home)
        stack.callback(_clear, home)
        number = int(song_folder.name[:2]) if song_folder.name[:2].isdigit() else 1
        sounds = _mixed(recordings, _cleaned_again(recall, tracks, recordings, home, order, progress))
        ready = _to_sum(recall.plan, number, sounds, home, order, pool, stack, progress, recall.master.trims)
        hashes = [one.sha256 for one in recall.recordings]
        wanted = frozenset({ready.folder_name})
        song = _finish(ready, recall.master, recordings, tracks, hashes, home, order, pool, progress, wanted)
    return Result(home=root, recipe=home.recipe, recipe_is_new=False, songs=(song,), inputs=(), findings=())


def _cleaned_again(
    recall: Recall, tracks: Path, recordings: list[Recording], home: Home, order: Order, progress: Progress
) -> dict[int, Cleaned]:
    """The microphones without their bleed; from the cache if they are there."""
    if recall.plan.cleaning is None:
        return {}
    take = take_of(tracks, tuple(recordings))
    seconds = take.duration_s * len(recordings)
    _, store = measure_take(take, home.cache, _workers(order), share(progress, "listening to the tracks", seconds))
    told = share(progress, "taking the bleed out", take.duration_s)
    return clean_take(take, store, recall.plan.cleaning, home.cache, _workers(order), told)


def _recalled(recall: Recall, take: Take, sheet: Path) -> list[Recording]:
    """The recordings of the sheet, in its order, each checked to be what it was."""
    for one in recall.recordings:
        if len(one.files) == 2 and not any(recording.files == one.files for recording in take.recordings):
            take = pair(take, (one.files[0], one.files[1]))
    by_files = {recording.files: recording for recording in take.recordings}
    recordings = []
    for one in recall.recordings:
        recording = by_files.get(one.files)
        if recording is None:
            raise ChangedError(f"{' and '.join(one.files)} is no longer in {take.folder}, but {sheet.name} needs it.")
        names = tuple(part.path.name for part in recording.parts)
        if names != one.parts:
            differ = " and ".join(sorted(set(names) ^ set(one.parts))) or "the order of the files"
            raise ChangedError(f"{sheet.name} was made from other files: {differ} makes the difference.")
        for part, wanted in zip(recording.parts, one.sha256, strict=True):
            if sha256_of(part.path) != wanted:
                raise ChangedError(
                    f"{part.path.name} is not the file that {sheet.name} was made from. "
                    "Put the old one back, or mix from the recipe."
                )
        recordings.append(recording)
    return recordings
