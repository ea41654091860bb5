"""The same mix again, from its recall sheet."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

from morningmix.audio.read import sha256_of
from morningmix.audio.takes import find_take, inputs_named, take_of
from morningmix.bleed.cleaned import over_take
from morningmix.bleed.song import clean_song, cleaning_cost
from morningmix.bleed.stretch import stretches_of
from morningmix.commands.order import Callbacks, Order, clear_partial, running, source_of, working_in
from morningmix.commands.practice import cost_of
from morningmix.commands.rendering import Desk, Raw, Song, to_sum
from morningmix.commands.reproduce import compare_bytes
from morningmix.commands.result import Result
from morningmix.commands.song import write
from morningmix.errors import ChangedError, RecipeError, UsageError
from morningmix.files.recall import Recall, read_recall
from morningmix.measure.take import measure_take, measuring_cost
from morningmix.model.measured import Cleaned
from morningmix.model.plan import SongPlan
from morningmix.model.recording import Recording, Take
from morningmix.storage.home import (
    CACHE,
    MIXES,
    RECALL,
    RECIPE,
    Home,
    path_of,
    real_place,
    refuse_inside,
    safe_name,
)
from morningmix.storage.song_folders import (
    finish_song,
    folder_name,
    is_earlier_version,
    is_song_folder,
    refuse_in_the_way,
)
from morningmix.workers.jobs import Lane

_SLACK_S = 0.1


def mix_again(order: Order, callbacks: Callbacks) -> Result:
    """Mix a song again from its recall sheet. Raises `ChangedError` where a recording is another one."""
    sheet = source_of(order)
    if not sheet.exists():
        raise UsageError(f"There is no {sheet}.")
    recall = read_recall(sheet)
    song_folder = sheet.parent
    if is_earlier_version(song_folder):
        # Paths in the sheet are relative to where it was written, one folder up.
        song_folder = song_folder.parent.parent / song_folder.name
    home, number = _home_of_sheet(sheet, recall, real_place(order.cwd / order.out) if order.out else None)
    tracks = real_place(path_of(recall.tracks_folder, song_folder))
    refuse_inside(home, tracks)
    refuse_in_the_way(home.mixes, [folder_name(number, recall.title)])
    recordings = _recalled(recall, find_take(tracks), sheet)
    _refuse_longer(recall.plan, take_of(tracks, tuple(recordings)), sheet)
    with working_in(home), running(order, callbacks) as run, ExitStack() as stack:
        lane = Lane(run)
        stack.callback(clear_partial, home)
        raw = Raw(
            folder=tracks,
            recordings=tuple(recordings),
            hashes=lambda _: tuple(one.sha256 for one in recall.recordings),
            cleaned=_cleaned_again(recall, tracks, recordings, home, lane),
        )
        run.meter.step(f"mixing {recall.title} again")
        desk = Desk(home=home, settings=recall.settings, block_hops=order.block_hops)
        again = Song(
            number=number,
            plan=recall.plan,
            raw=raw,
            tempo=recall.tempo,
            levels=lambda _: recall.levels_lu,
            practice=recall.settings.practice,
        )
        run.meter.expect(cost_of(again))
        ready = to_sum(again, desk, lane, stack, recall.master.trims)
        song = write(ready, recall.master, desk, lane)
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
    """Where a sheet's mix goes, and its number there.

    A sheet in its own song folder is mixed into that place. Any other may lie anywhere, so its mix gets a mix folder of
    its own beside it.
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
            f"{sheet.name} needs {plan.end_s:g} s of sound, but the recording has only {take.duration_s:g} s. "
            "Mix from the recipe instead."
        )


def _cleaned_again(
    recall: Recall, tracks: Path, recordings: list[Recording], home: Home, lane: Lane
) -> dict[int, Cleaned]:
    """The microphones without their bleed; from the cache if they are there."""
    cleaning = recall.plan.cleaning
    if cleaning is None:
        return {}
    take = take_of(tracks, tuple(recordings))
    meter = lane.run.meter
    meter.expect(sum(measuring_cost(take, recording) for recording in recordings))
    meter.step("listening to every input")
    facts, store = measure_take(take, home.cache, lane)
    stretches = stretches_of(take, store, cleaning, home.cache)
    times = cleaning.stretch_s or (0.0, take.duration_s)
    meter.expect((times[1] - times[0]) * cleaning_cost(cleaning))
    meter.step("taking the other instruments out of the vocal and drum mics")
    return {
        index: over_take([(times, one)], facts.tracks[index].slots, facts.slot_s, store.hops)
        for index, one in clean_song(stretches, lane).items()
    }


def _recalled(recall: Recall, take: Take, sheet: Path) -> list[Recording]:
    """The sheet's recordings in its order, each checked to be unchanged."""
    recordings = []
    named = inputs_named(take, [wanted.files for wanted in recall.recordings])
    for wanted, recording in zip(recall.recordings, named, strict=True):
        if recording is None:
            raise ChangedError(
                f"{' and '.join(wanted.files)} is no longer in {take.folder}, but {sheet.name} needs it."
            )
        names = tuple(part.name for part in recording.parts)
        if names != wanted.parts:
            differ = " and ".join(sorted(set(names) ^ set(wanted.parts))) or "the order of the files"
            raise ChangedError(f"{sheet.name} was made from other files: {differ} is different.")
        for part, sha256 in zip(recording.parts, wanted.sha256, strict=True):
            if sha256_of(part.path) != sha256:
                raise ChangedError(
                    f"{part.name} is not the file that {sheet.name} was made from. "
                    "Put the old one back, or mix from the recipe."
                )
        recordings.append(recording)
    return recordings
