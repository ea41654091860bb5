"""The command `mix`: measure, decide, render the tracks; measure, decide, render the sum; verify.

Everything that touches a mix folder is done under its lock, and nothing in it changes before a whole song is ready.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import replace
from functools import partial

from morningmix.analysis.analyse import listen
from morningmix.analysis.heard import Heard, listed
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
from morningmix.commands.song import Desk, MixedSong, Raw, sounds_of, to_sum, write
from morningmix.commands.songs import listing, with_songs_found
from morningmix.commands.unchanged import find_standing, keep_facts
from morningmix.decide.master import decide_master
from morningmix.errors import UsageError
from morningmix.files.findings import FINDINGS, write_findings
from morningmix.measure.take import hash_take
from morningmix.report.explain import changes_in_words
from morningmix.storage.home import (
    refuse_full,
)
from morningmix.storage.song_folders import (
    finish_song,
    folder_name,
    refuse_in_the_way,
    retire_songs,
)
from morningmix.storage.text import write_text_whole
from morningmix.workers.progress import Progress, no_progress

_MP3_BYTES_PER_FRAME = 0.7

LONG_S = 480.0
"""A take longer than this is cut into songs where nobody has listed any. Design choice."""


def mix(order: Order, progress: Progress = no_progress) -> Result:
    """Mix a folder of raw tracks or a recipe: every song, or the one that is asked for.

    Raises the errors of `morningmix.errors`; whatever is raised, earlier mixes are as they were.
    """
    if order.source.suffix == ".json" and not source_of(order).is_dir():
        return mix_again(order, progress)
    home = home_for(order)
    with working_in(home), ThreadPoolExecutor(workers_of(order)) as pool, ExitStack() as stack:
        heards = listen(source_of(order), home, workers_of(order), progress)
        found: list[Found] | None = None
        if order.whole:
            heards = listing(heards, ())
        else:
            uncut = [one for one in heards if not listed(one) and one.take.duration_s > LONG_S]
            if uncut:
                heards, found = with_songs_found(heards, uncut)
        plans = plans_of(heards, order)
        if order.practice and not any(track.player for *_, plan in plans for track in plan.tracks):
            raise UsageError('No input names its player. Add player = "NAME" to the [[input]]s in the recipe.')
        refuse_in_the_way(home.mixes, [folder_name(number, plan.title) for number, _, plan in plans])
        refuse_full(home.mixes, _need_bytes(plans, order), "Mixing")
        stack.callback(clear_partial, home)
        desk = Desk(home=home, settings=settings_of(order), pool=pool, progress=progress, block_hops=order.block_hops)
        mixed = _mix_down(plans, desk, workers_of(order))
        wanted = frozenset(one.folder.name for one in mixed) | kept_folders(heards)
        changes: list[tuple[str, tuple[str, ...]]] = []
        for (_, heard, _), one in zip(plans, mixed, strict=True):
            if one.partial is None:
                continue
            replaces = former_folder(home, heard.take.folder, one.plan, wanted)
            former = former_plan(home.mixes / (replaces or one.folder.name))
            if former is not None:
                changes.append((one.title, tuple(changes_in_words(former, one.plan))))
            finish_song(one.partial, home.mixes, one.folder.name, replaces=replaces)
        if order.song is None and not order.whole:
            retire_songs(home.mixes, kept_folders(heards))
        keep_facts(mixed, home)
        result = result_of(heards, tuple(mixed))
        result = replace(result, found=None if found is None else tuple(found), changes=tuple(changes))
        write_findings(home.root / FINDINGS, recorded_when(heards), result.findings)
        if order.song is None:
            write_text_whole(home.mixes / REPORT, report_of(heards, plans, result, found or ()))
            result = replace(result, report=home.mixes / REPORT)
    return result


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


def _raw(heard: Heard, workers: int) -> Raw:
    recordings = heard.take.recordings
    cleaned = {one.index: one.cleaned for one in heard.inputs if one.cleaned is not None}
    return Raw(
        folder=heard.take.folder,
        recordings=recordings,
        hashes=partial(hash_take, heard.take, heard.store, workers),
        sounds=sounds_of(recordings, cleaned),
    )
