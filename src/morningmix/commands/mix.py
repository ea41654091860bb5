"""The command `mix`: measure, decide, render the tracks; measure, decide, render the sum; verify.

Everything that touches a mix folder happens under its lock, and nothing in it changes before a whole song is ready.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import replace
from functools import partial

from morningmix.analysis.analyse import analyse
from morningmix.analysis.analysed import AnalysedTake, listed
from morningmix.commands.former import former_folder, former_plan
from morningmix.commands.order import (
    REPORT,
    Order,
    clear_partial,
    home_for,
    settings_of,
    source_of,
    workers_of,
    working_in,
)
from morningmix.commands.plans import Planned, kept_folders, plans_of
from morningmix.commands.recall import mix_again
from morningmix.commands.rehearsal_report import report_of
from morningmix.commands.result import Found, Result, recorded_when, result_of
from morningmix.commands.song import Desk, MixedSong, Raw, Song, mix_song, sounds_of
from morningmix.commands.songs import listing, with_songs_found
from morningmix.commands.unchanged import find_standing, keep_facts
from morningmix.decide.rehearsal import holds_several_songs, lower_together_db, misses_aim
from morningmix.errors import UsageError
from morningmix.files.findings import FINDINGS, write_findings
from morningmix.measure.take import hash_take
from morningmix.report.explain import changes_in_words
from morningmix.storage.home import Home, refuse_full
from morningmix.storage.song_folders import (
    finish_song,
    folder_name,
    refuse_in_the_way,
    retire_songs,
)
from morningmix.storage.text import write_text_whole
from morningmix.workers.progress import Progress, no_progress

_MP3_BYTES_PER_FRAME = 0.7


def mix(order: Order, progress: Progress = no_progress) -> Result:
    """Mix a folder of raw tracks or a recipe: every song, or the one that is asked for.

    Raises the errors of `morningmix.errors`; earlier mixes then stay as they were.
    """
    if order.source.suffix == ".json" and not source_of(order).is_dir():
        return mix_again(order, progress)
    home = home_for(order)
    with working_in(home), ThreadPoolExecutor(workers_of(order)) as pool, ExitStack() as stack:
        analysed_takes, found = _measure(order, home, progress)
        plans = plans_of(analysed_takes, order)
        _refuse_impossible(plans, order, home)
        stack.callback(clear_partial, home)
        desk = Desk(home=home, settings=settings_of(order), pool=pool, progress=progress, block_hops=order.block_hops)
        mixed = _mix_down(plans, desk, workers_of(order))
        changes = _put_in_place(plans, mixed, kept_folders(analysed_takes), home)
        if order.song is None and not order.whole:
            retire_songs(home.mixes, kept_folders(analysed_takes))
        keep_facts(mixed, home)
        result = replace(result_of(analysed_takes, tuple(mixed)), found=found, changes=changes)
        write_findings(home.root / FINDINGS, recorded_when(analysed_takes), result.findings)
        if order.song is None:
            write_text_whole(home.mixes / REPORT, report_of(analysed_takes, plans, result, found or ()))
            result = replace(result, report=home.mixes / REPORT)
    return result


def _measure(order: Order, home: Home, progress: Progress) -> tuple[tuple[AnalysedTake, ...], tuple[Found, ...] | None]:
    """The takes, and the songs found in long ones; None if no take was searched."""
    analysed_takes = analyse(source_of(order), home, workers_of(order), progress)
    if order.whole:
        return listing(analysed_takes, ()), None
    uncut = [
        analysed for analysed in analysed_takes if holds_several_songs(analysed.take.duration_s, len(listed(analysed)))
    ]
    if not uncut:
        return analysed_takes, None
    analysed_takes, found = with_songs_found(analysed_takes, uncut)
    return analysed_takes, tuple(found)


def _refuse_impossible(plans: Sequence[Planned], order: Order, home: Home) -> None:
    """Raise before anything is rendered: `UsageError` without players to practise, `OutputError` without room."""
    if order.practice and not any(track.player for *_, plan in plans for track in plan.tracks):
        raise UsageError('No input names its player. Add player = "NAME" to the [[input]]s in the recipe.')
    refuse_in_the_way(home.mixes, [folder_name(number, plan.title) for number, _, plan in plans])
    refuse_full(home.mixes, _need_bytes(plans, order), "Mixing")


def _put_in_place(
    plans: Sequence[Planned], mixed: Sequence[MixedSong], kept: frozenset[str], home: Home
) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Move new songs into the mix folder. Returns the titles of those that replace one, and what is different."""
    wanted = frozenset(song.folder.name for song in mixed) | kept
    changes: list[tuple[str, tuple[str, ...]]] = []
    for (_, analysed, _), song in zip(plans, mixed, strict=True):
        if song.partial is None:
            continue
        replaces = former_folder(home, analysed.take.folder, song.plan, wanted)
        former = former_plan(home.mixes / (replaces or song.folder.name))
        if former is not None:
            changes.append((song.title, tuple(changes_in_words(former, song.plan))))
        finish_song(song.partial, home.mixes, song.folder.name, replaces=replaces)
    return tuple(changes)


def _mix_down(plans: Sequence[Planned], desk: Desk, workers: int) -> list[MixedSong]:
    """Every song in a folder of its own, not yet in place.

    Unchanged songs stay. A song that cannot reach its target without too much limiting lowers the target of all songs;
    those that were mixed before that was known are mixed again.
    """
    takes = {analysed.take.folder: analysed for _, analysed, _ in plans}
    raws = {folder: _raw(analysed, workers) for folder, analysed in takes.items()}
    songs = [Song(number=number, plan=plan, raw=raws[analysed.take.folder]) for number, analysed, plan in plans]
    standing = {song.number: find_standing(song, desk) for song in songs}
    mixed = {number: song for number, song in standing.items() if song is not None}

    def lower_db() -> float:
        return lower_together_db((song.wanted_lufs, song.reachable_lufs) for song in mixed.values())

    for song in songs:
        if song.number not in mixed:
            mixed[song.number] = mix_song(song, lower_db(), desk)
    for song in songs:
        if misses_aim(mixed[song.number].target_lufs, song.plan.target_lufs, lower_db()):
            mixed[song.number] = mix_song(song, lower_db(), desk)
    return [mixed[song.number] for song in songs]


def _need_bytes(plans: Sequence[Planned], order: Order) -> float:
    """Disk space of the songs: mix, stems and tracks of each, an MP3, and the temporary families of the longest."""
    need, longest = 0.0, 0.0
    for _, _, plan in plans:
        frames = (plan.end_s - plan.start_s) * plan.rate_hz
        families = len({track.family for track in plan.tracks if track.sounds})
        tracks = sum(track.sounds for track in plan.tracks) if order.tracks else 0
        need += frames * (2.0 * (families + 1) + tracks) * order.bits / 8.0 + _MP3_BYTES_PER_FRAME * frames
        longest = max(longest, frames * 8.0 * families)
    return need + longest


def _raw(analysed: AnalysedTake, workers: int) -> Raw:
    recordings = analysed.take.recordings
    cleaned = {each.index: each.cleaned for each in analysed.inputs if each.cleaned is not None}
    return Raw(
        folder=analysed.take.folder,
        recordings=recordings,
        hashes=partial(hash_take, analysed.take, analysed.store, workers),
        sounds=sounds_of(recordings, cleaned),
    )
