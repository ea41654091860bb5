"""The order of the steps: read headers, measure, decide, render, measure the sum, decide, write, verify.

Everything that touches a home is done under its lock, and nothing in it changes before a whole song is ready.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from threadpoolctl import threadpool_limits

from morningmix.audio.read import sha256_of
from morningmix.decide.desk import find_faults
from morningmix.decide.master import decide_master
from morningmix.decide.setup import Setups, set_up
from morningmix.decide.song import decide_song, keep_relation
from morningmix.errors import ChangedError, OutputError, RecipeError, UsageError
from morningmix.explain import changes_in_words
from morningmix.facts import Boundary, Cleaned, Finding, FoundSong, Input, Recording, SongWish, Take
from morningmix.files.findings import FINDINGS, write_findings
from morningmix.files.presets import load_roles
from morningmix.files.recall import Recall, Settings, read_recall
from morningmix.files.recipe import read_recipe
from morningmix.files.recipe_text import with_songs
from morningmix.files.text import read_text, remove_drafts, write_text_whole
from morningmix.home import (
    CACHE,
    MIXES,
    RECALL,
    RECIPE,
    Home,
    home_of,
    path_of,
    real_place,
    refuse_full,
    refuse_inside,
    safe_name,
)
from morningmix.listen import Heard, Progress, all_inputs, hear_songs, listed, listen, look, share
from morningmix.lock import editing, locked
from morningmix.measure.clean import clean_take
from morningmix.measure.take import hash_take, measure_take
from morningmix.mixdown import Desk, MixedSong, Raw, to_sum, write
from morningmix.names import plain
from morningmix.over_time import recorded_at, rehearsals_before, say_again
from morningmix.plan import SongPlan
from morningmix.recordings import find_take, pair, take_of
from morningmix.render.families import BLOCK_HOPS
from morningmix.render.output import Bits, FileFormat
from morningmix.report.page import ReportedSong, report_page
from morningmix.report.recording import Cut, ReportedTake
from morningmix.reproduce import Reproduced, compare_bytes
from morningmix.song_folders import (
    finish_song,
    folder_name,
    is_earlier_version,
    is_song_folder,
    recover,
    refuse_in_the_way,
    retire_songs,
    song_folders,
)
from morningmix.storage.cache import sweep
from morningmix.unchanged import find_standing, keep_facts


def no_progress(step: str, share: float) -> None:
    """Says nothing."""


REPORT = "report.html"
_MP3_BYTES_PER_FRAME = 0.7
_SLACK_S = 0.1
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
    practice: bool = False
    """Also a mix without, and one with more of, every player who is named."""
    song: str | None = None
    whole: bool = False
    """Mix every take whole, whatever songs the recipe lists and however long it is."""
    album: bool = False
    """Keep the loudness that songs have among each other, the loudest at the target."""
    redo: bool = False
    """Find the songs again although the recipe lists some."""
    workers: int | None = None
    """Threads or processes at a time; None: one per core, at most four."""
    block_hops: int = BLOCK_HOPS


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A stretch that was found in a take, under the title that the recipe gives it."""

    take: str
    title: str
    song: FoundSong


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
    found: tuple[Found, ...] | None = None
    """What was found in the takes and written into the recipe; None where nothing was looked for."""
    listed: tuple[SongWish, ...] = ()
    """The songs that the recipe lists now."""
    changes: tuple[tuple[str, tuple[str, ...]], ...] = ()
    """Songs that were there before, and what is different in them now."""
    take_s: float = 0.0
    """Length of the longest take."""
    reproduced: Reproduced | None = None
    """Of a mix that was made again from its recall sheet."""

    @property
    def guesses(self) -> tuple[Input, ...]:
        """Inputs whose role nobody has confirmed."""
        return tuple(one for one in self.inputs if one.role_is_guess and not one.facts.silent)


def _workers(order: Order) -> int:
    return order.workers or max(1, min(4, os.cpu_count() or 1))


def _source(order: Order) -> Path:
    return real_place(order.cwd / order.source)


def _home(order: Order) -> Home:
    """The order's home, once it is clear that there is something to work on: until then nothing is written."""
    home = home_of(order.source, order.cwd, order.out)
    look(_source(order), home)
    return home


@contextmanager
def _working_in(home: Home) -> Iterator[None]:
    """Keep other runs out of the mix folder, and clear up what killed runs left there."""
    with threadpool_limits(1), locked(home):
        recover(home)
        sweep(home.cache)
        remove_drafts(home.root / FINDINGS)
        remove_drafts(home.mixes / REPORT)
        with editing(home.recipe):
            remove_drafts(home.recipe)
        yield


def _clear(home: Home) -> None:
    """Leave no half-built song behind, whatever ended the run; what is still left is cleared by the next."""
    with suppress(OutputError):
        recover(home)


# ---------------------------------------------------------------- the commands


def write_recipe(order: Order, progress: Progress = no_progress) -> Result:
    """Listen to a take and write its recipe if there is none; mixes nothing."""
    home = _home(order)
    with _working_in(home):
        heards = listen(_source(order), home, _workers(order), progress)
    return _result(heards, ())


def check(order: Order, progress: Progress = no_progress) -> Result:
    """What the recorder got; writes the findings into the home, and nothing else but the cache.

    Nothing is cleaned for it, which would take most of the time; where a mix has done so, voices that drown are said.
    """
    home = _home(order)
    with _working_in(home):
        heards = listen(_source(order), home, _workers(order), progress, write_recipe=False, take_bleed_out=False)
        result = _result(heards, ())
        write_findings(home.root / FINDINGS, _when(heards), result.findings)
    return result


def songs(order: Order, progress: Progress = no_progress) -> Result:
    """Find the songs of every take and write them into the recipe; lists that are there stay, but for `order.redo`."""
    home = _home(order)
    with _working_in(home):
        heards = listen(_source(order), home, _workers(order), progress, take_bleed_out=False)
        found = None
        unlisted = [one for one in heards if order.redo or not listed(one)]
        if unlisted:
            heards, found = _with_songs(heards, unlisted)
        return replace(_result(heards, ()), found=None if found is None else tuple(found))


def _with_songs(heards: Sequence[Heard], searched: Sequence[Heard]) -> tuple[tuple[Heard, ...], list[Found]]:
    """What was heard with a recipe that lists the songs found in the takes `searched`, and those songs."""
    path = heards[0].home.recipe
    several = len(heards) > 1
    all_found: list[tuple[Heard, FoundSong]] = []
    for heard in searched:
        found = hear_songs(heard)
        if any(song.keep for song in found):
            take = heard.take.name if several else None
            with editing(path):
                write_text_whole(path, with_songs(read_text(path), found, take, heard.take_names))
            all_found += [(heard, song) for song in found]
    if not all_found:
        return tuple(heards), []
    heards = _listing(heards, read_recipe(path).songs)
    of_take = {heard.take.folder: listed(heard) for heard in heards}

    def title(heard: Heard, song: FoundSong) -> str:
        near = min(of_take[heard.take.folder], key=lambda one: abs(one.start_s - song.start.at_s))
        return near.title

    return heards, [Found(take=one.take.name, title=title(one, song), song=song) for one, song in all_found]


def _listing(heards: Sequence[Heard], songs: tuple[SongWish, ...]) -> tuple[Heard, ...]:
    return tuple(replace(one, recipe=replace(one.recipe, songs=songs)) for one in heards)


def mix(order: Order, progress: Progress = no_progress) -> Result:
    """Mix a folder of raw tracks or a recipe: every song, or the one that is asked for.

    Raises the errors of `morningmix.errors`; whatever is raised, earlier mixes are as they were.
    """
    if order.source.suffix == ".json" and not _source(order).is_dir():
        return _mix_again(order, progress)
    home = _home(order)
    with _working_in(home), ThreadPoolExecutor(_workers(order)) as pool, ExitStack() as stack:
        heards = listen(_source(order), home, _workers(order), progress)
        found: list[Found] | None = None
        if order.whole:
            heards = _listing(heards, ())
        else:
            uncut = [one for one in heards if not listed(one) and one.take.duration_s > LONG_S]
            if uncut:
                heards, found = _with_songs(heards, uncut)
        plans = _plans(heards, order)
        if order.practice and not any(track.player for *_, plan in plans for track in plan.tracks):
            raise UsageError('Nobody is named as a player. Add player = "NAME" to the [[input]]s in the recipe.')
        refuse_in_the_way(home.mixes, [folder_name(number, plan.title) for number, _, plan in plans])
        refuse_full(home.mixes, _need_bytes(plans, order), "Mixing")
        stack.callback(_clear, home)
        desk = Desk(home=home, settings=_settings(order), pool=pool, progress=progress, block_hops=order.block_hops)
        mixed = _mix_down(plans, desk, _workers(order))
        wanted = frozenset(one.folder.name for one in mixed) | _kept_folders(heards)
        changes: list[tuple[str, tuple[str, ...]]] = []
        for (_, heard, _), one in zip(plans, mixed, strict=True):
            if one.partial is None:
                continue
            replaces = _former_folder(home, heard.take.folder, one.plan, wanted)
            former = _former_plan(home.mixes / (replaces or one.folder.name))
            if former is not None:
                changes.append((one.title, tuple(changes_in_words(former, one.plan))))
            finish_song(one.partial, home.mixes, one.folder.name, replaces=replaces)
        if order.song is None and not order.whole:
            retire_songs(home.mixes, _kept_folders(heards))
        keep_facts(mixed, home)
        result = _result(heards, tuple(mixed))
        result = replace(result, found=None if found is None else tuple(found), changes=tuple(changes))
        write_findings(home.root / FINDINGS, _when(heards), result.findings)
        if order.song is None:
            write_text_whole(home.mixes / REPORT, _report(heards, plans, result, found or ()))
            result = replace(result, report=home.mixes / REPORT)
    return result


Planned = tuple[int, Heard, SongPlan]
"""A song's number in the rehearsal, the take it is cut from, and its plan."""


def _plans(heards: Sequence[Heard], order: Order) -> list[Planned]:
    """The plan of every song that is to be mixed; all songs of a take share its set-up, asked for or not."""
    songs = _songs(heards)
    setups: dict[Path, Setups] = {}
    for heard in heards:
        mine = [wish for _, of, wish in songs if of is heard]
        setups[heard.take.folder] = set_up(
            inputs=heard.inputs,
            singing=heard.singing,
            measured=heard.measured,
            recipe=heard.recipe,
            roles=load_roles(),
            songs=mine,
        )
    plans = [(number, heard, _plan(heard, setups[heard.take.folder], wish)) for number, heard, wish in songs]
    if order.album:
        kept = keep_relation([plan for *_, plan in plans])
        plans = [(number, heard, plan) for (number, heard, _), plan in zip(plans, kept, strict=True)]
    return _chosen(plans, order.song)


def _mix_down(plans: Sequence[Planned], desk: Desk, workers: int) -> list[MixedSong]:
    """Every song in a folder of its own, none in its place yet.

    What is there already and would come out the same stays. Where one song cannot come up to its target without being
    squeezed, all aim lower together by as much; those that were written before that was known are made again.
    """
    takes = {heard.take.folder: heard for _, heard, _ in plans}
    raws = {folder: _raw(heard, workers) for folder, heard in takes.items()}
    mixed: dict[int, MixedSong] = {}
    for number, heard, plan in plans:
        standing = find_standing(plan, number, raws[heard.take.folder], desk)
        if standing is not None:
            mixed[number] = standing
    lower_db = max((one.wanted_lufs - one.reachable_lufs for one in mixed.values()), default=0.0)
    touched = [number for number, *_ in plans if number not in mixed]
    for _ in range(2):
        for number, heard, plan in plans:
            aim_lufs = plan.target_lufs - lower_db
            if number in mixed and (touched or abs(mixed[number].target_lufs - aim_lufs) < 1e-6):
                continue
            with ExitStack() as stack:
                ready = to_sum(plan, number, raws[heard.take.folder], desk, stack)
                lower_db = max(lower_db, plan.target_lufs - ready.reachable_lufs)
                master = decide_master(plan, ready.trims, ready.facts, plan.target_lufs - lower_db)
                mixed[number] = write(ready, master, desk)
        touched = []
    return [mixed[number] for number, _, _ in plans]


def _need_bytes(plans: Sequence[Planned], order: Order) -> float:
    """What the songs take up: mix, stems and tracks of each, an MP3, and the families of the longest in between."""
    need, longest = 0.0, 0.0
    for _, _, plan in plans:
        frames = (plan.end_s - plan.start_s) * plan.rate_hz
        families = len({track.family for track in plan.tracks if track.sounds})
        tracks = sum(track.sounds for track in plan.tracks) if order.tracks else 0
        need += frames * (2.0 * (families + 1) + tracks) * order.bits / 8.0 + _MP3_BYTES_PER_FRAME * frames
        longest = max(longest, frames * 8.0 * families)
    return need + longest


def _settings(order: Order) -> Settings:
    return Settings(bits=order.bits, file_format=order.file_format, tracks=order.tracks, practice=order.practice)


def _raw(heard: Heard, workers: int) -> Raw:
    recordings = heard.take.recordings
    cleaned = {one.index: one.cleaned for one in heard.inputs if one.cleaned is not None}
    return Raw(
        folder=heard.take.folder,
        recordings=recordings,
        hashes=partial(hash_take, heard.take, heard.store, workers),
        sounds=_sounds(recordings, cleaned),
    )


def _sounds(recordings: Sequence[Recording], cleaned: Mapping[int, Cleaned]) -> tuple[Recording, ...]:
    """What is mixed: recordings, and the cleaned sound where there is one."""
    return tuple(cleaned[index].sound if index in cleaned else one for index, one in enumerate(recordings))


def _report(heards: Sequence[Heard], plans: Sequence[Planned], result: Result, found: Sequence[Found]) -> str:
    takes = [
        ReportedTake(
            take=heard.take,
            measured=heard.measured,
            inputs=heard.inputs,
            singing=heard.singing,
            cuts=_cuts(heard, [one.song for one in found if one.take == heard.take.name]),
        )
        for heard in heards
    ]
    return report_page(
        title=heards[0].recipe.title,
        takes=takes,
        findings=result.findings,
        songs=[
            ReportedSong(
                title=song.title,
                take=next(place for place, one in enumerate(heards) if one is heard),
                plan=song.plan,
                master=song.master,
                facts=song.facts,
                loudness_lufs=song.loudness_lufs,
                true_peak_dbtp=song.true_peak_dbtp,
            )
            for (_, heard, _), song in zip(plans, result.songs, strict=True)
        ],
    )


def _cuts(heard: Heard, found: Sequence[FoundSong]) -> list[Cut]:
    """How the stretches that the recipe lists were told; what somebody wrote otherwise is told by being written."""
    stretches = listed(heard)
    if stretches and not found:
        found = hear_songs(heard)

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
        for song in stretches
    ]


def _result(heards: Sequence[Heard], songs: tuple[MixedSong, ...]) -> Result:
    first = heards[0]
    return Result(
        home=first.home.root,
        recipe=first.home.recipe,
        recipe_is_new=first.recipe_is_new,
        songs=songs,
        inputs=all_inputs(heards),
        findings=say_again(_findings(heards), rehearsals_before(first.home.root, _when(heards))),
        input_list=first.recipe.input_list,
        listed=first.recipe.songs,
        take_s=max(heard.take.duration_s for heard in heards),
    )


def _when(heards: Sequence[Heard]) -> str:
    return recorded_at([heard.take for heard in heards], heards[0].recipe.date)


def _findings(heards: Sequence[Heard]) -> tuple[Finding, ...]:
    """What is found in any take; the same thing in several is said once, where it is worst."""
    if len(heards) == 1:
        one = heards[0]
        return find_faults(one.inputs, one.take, one.measured, one.singing)
    worst: dict[tuple[str, str], tuple[Finding, list[str]]] = {}
    for heard in heards:
        for finding in find_faults(heard.inputs, heard.take, heard.measured, heard.singing):
            key = (finding.name, finding.kind)
            known, takes = worst.get(key, (finding, []))
            worst[key] = (max(known, finding, key=lambda one: one.weight), [*takes, heard.take.name])
    said = [
        replace(
            finding,
            says=f"{finding.says.rstrip('.')} (in {'every take' if len(takes) == len(heards) else ', '.join(takes)})",
        )
        for finding, takes in worst.values()
    ]
    return tuple(sorted(said, key=lambda one: -one.weight))


def _songs(heards: Sequence[Heard]) -> list[tuple[int, Heard, SongWish]]:
    """Songs to keep, numbered through the rehearsal; a take of which none is listed is one song."""
    songs: list[tuple[Heard, SongWish]] = []
    several = len(heards) > 1
    for heard in heards:
        end_s = heard.take.duration_s
        kept = [song for song in listed(heard) if song.keep]
        if not listed(heard):
            title = heard.take.name if several else heard.recipe.title
            kept = [SongWish(title=title, start_s=0.0, end_s=end_s)]
        for song in kept:
            if song.start_s >= end_s:
                raise RecipeError(f'"{song.title}" starts after the recording ends. Check its start in the recipe.')
            songs.append((heard, replace(song, end_s=min(song.end_s, end_s))))
    return [(number, heard, song) for number, (heard, song) in enumerate(songs, 1)]


def _chosen(plans: list[Planned], only: str | None) -> list[Planned]:
    if only is None:
        return plans
    chosen = [one for one in plans if plain(one[2].title) == plain(only)]
    if not chosen:
        titles = ", ".join(f'"{plan.title}"' for *_, plan in plans)
        raise UsageError(f'There is no song "{only}". There are: {titles}.')
    return chosen


def _kept_folders(heards: Sequence[Heard]) -> frozenset[str]:
    return frozenset(folder_name(number, song.title) for number, _, song in _songs(heards))


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


def _former_plan(folder: Path) -> SongPlan | None:
    try:
        return read_recall(folder / RECALL).plan
    except RecipeError:
        return None


def _former_folder(home: Home, tracks: Path, plan: SongPlan, wanted: frozenset[str]) -> str | None:
    """The folder in which this stretch of the take lay under another title or number; never one of those `wanted`."""
    for song in song_folders(home.mixes):
        if song.name in wanted:
            continue
        try:
            former = read_recall(song / RECALL)
        except RecipeError:
            continue
        same = (former.plan.start_s, former.plan.end_s) == (plan.start_s, plan.end_s)
        if same and real_place(path_of(former.tracks_folder, song)) == real_place(tracks):
            return song.name
    return None


# ---------------------------------------------------------------- the same mix again, from its recall sheet


def _mix_again(order: Order, progress: Progress) -> Result:
    sheet = _source(order)
    if not sheet.exists():
        raise UsageError(f"There is no {sheet}.")
    recall = read_recall(sheet)
    song_folder = sheet.parent
    if is_earlier_version(song_folder):
        # The sheet speaks of the place where it was written, one folder up.
        song_folder = song_folder.parent.parent / song_folder.name
    home, number = _home_of_sheet(sheet, recall, real_place(order.cwd / order.out) if order.out else None)
    tracks = real_place(path_of(recall.tracks_folder, song_folder))
    refuse_inside(home, tracks)
    refuse_in_the_way(home.mixes, [folder_name(number, recall.title)])
    recordings = _recalled(recall, find_take(tracks), sheet)
    _refuse_longer(recall.plan, take_of(tracks, tuple(recordings)), sheet)
    with _working_in(home), ThreadPoolExecutor(_workers(order)) as pool, ExitStack() as stack:
        stack.callback(_clear, home)
        raw = Raw(
            folder=tracks,
            recordings=tuple(recordings),
            hashes=lambda: tuple(one.sha256 for one in recall.recordings),
            sounds=_sounds(recordings, _cleaned_again(recall, tracks, recordings, home, order, progress)),
        )
        desk = Desk(home=home, settings=recall.settings, pool=pool, progress=progress, block_hops=order.block_hops)
        ready = to_sum(recall.plan, number, raw, desk, stack, recall.master.trims)
        song = write(ready, recall.master, desk)
        reproduced = compare_bytes(recall, read_recall(ready.partial / RECALL))
        finish_song(ready.partial, home.mixes, song.folder.name)
    return Result(
        home=home.root,
        recipe=home.recipe,
        recipe_is_new=False,
        songs=(song,),
        inputs=(),
        findings=(),
        reproduced=reproduced,
    )


def _home_of_sheet(sheet: Path, recall: Recall, out: Path | None) -> tuple[Home, int]:
    """Where a sheet's mix is put, and its number there.

    A sheet in its own song folder mixes into that place. Any other lies among things that this program knows nothing
    about, so its mix gets a mix folder of its own beside it.
    """
    song, mixes = sheet.parent, sheet.parent.parent
    is_ours = is_song_folder(song)
    if is_earlier_version(song):
        mixes, is_ours = mixes.parent, True
    if is_ours and sheet.name == RECALL and mixes.name == MIXES:
        root, number = mixes.parent, int(song.name.partition(" ")[0])
    else:
        root, number = sheet.parent / f"{safe_name(recall.title)} mix", 1
        if out is not None:
            root = out
        mixes = root / MIXES
    return Home(root=root, mixes=out or mixes, recipe=root / RECIPE, cache=root / CACHE), number


def _refuse_longer(plan: SongPlan, take: Take, sheet: Path) -> None:
    if plan.end_s > take.duration_s + _SLACK_S:
        raise RecipeError(
            f"{sheet.name} asks for more than was recorded (plan.end_s: {plan.end_s:g} s of {take.duration_s:g} s). "
            "Mix from the recipe instead."
        )


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
        names = tuple(part.name for part in recording.parts)
        if names != one.parts:
            differ = " and ".join(sorted(set(names) ^ set(one.parts))) or "the order of the files"
            raise ChangedError(f"{sheet.name} was made from other files: {differ} makes the difference.")
        for part, wanted in zip(recording.parts, one.sha256, strict=True):
            if sha256_of(part.path) != wanted:
                raise ChangedError(
                    f"{part.name} is not the file that {sheet.name} was made from. "
                    "Put the old one back, or mix from the recipe."
                )
        recordings.append(recording)
    return recordings
