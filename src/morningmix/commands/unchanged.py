"""Recognise songs that a new mix would not change, so that they are not rendered again.

A song is unchanged if its recall sheet holds the same plan, settings and recordings, and all its files are there, none
written after the sheet. What the report shows of it is in the cache.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from morningmix import __version__
from morningmix.commands.rendering import Desk, Song
from morningmix.commands.song import MixedSong
from morningmix.errors import RecipeError
from morningmix.files.recall import Recall, read_recall
from morningmix.model.measured import SongFacts
from morningmix.storage.cache import entries, path_of, remove
from morningmix.storage.home import RECALL, Home, path_from
from morningmix.storage.records import read_record, write_record
from morningmix.storage.song_folders import song_folders
from morningmix.workers.jobs import Lane

_SLACK_NS = 1_000_000_000
"""Clocks of file systems differ by less."""


def find_standing(song: Song, desk: Desk, lane: Lane) -> MixedSong | None:
    """The song in its place, if mixing it again would give the same; None otherwise."""
    folder, raw = desk.home.mixes / song.folder_name, song.raw
    try:
        recall = read_recall(folder / RECALL)
    except RecipeError:
        return None
    same = (
        recall.morningmix == __version__
        and recall.plan == song.plan
        and recall.settings == desk.settings_of(song)
        and recall.reachable_lufs is not None
        and recall.tracks_folder == path_from(raw.folder, folder)
        and [(one.files, one.sha256) for one in recall.recordings]
        == [(one.files, sha256) for one, sha256 in zip(raw.recordings, raw.hashes(lane), strict=True)]
    )
    if not same or not _all_there(folder, recall):
        return None
    facts = read_record(_facts_path(desk.home.cache, recall), SongFacts)
    return None if facts is None else replace(_as_it_stands(recall, folder, facts), tempo=song.tempo)


def keep_facts(song: MixedSong, home: Home) -> None:
    """Keep what the report shows of a song that was just put in its place, so that the next run need not mix it."""
    write_record(_facts_path(home.cache, read_recall(song.folder / RECALL)), song.facts)


def forget_facts(home: Home) -> None:
    """Forget what the report shows of mixes that are gone."""
    wanted = {_facts_path(home.cache, sheet) for sheet in _sheets(home)}
    for entry in entries(home.cache):
        if entry.kind == "song" and entry.path not in wanted:
            remove(entry.path)


def _sheets(home: Home) -> list[Recall]:
    found = []
    for song in song_folders(home.mixes):
        with suppress(RecipeError):
            found.append(read_recall(song / RECALL))
    return found


def _as_it_stands(recall: Recall, folder: Path, facts: SongFacts) -> MixedSong:
    mix = recall.mix
    return MixedSong(
        title=recall.title,
        partial=None,
        folder=folder,
        mix=folder / mix.file,
        loudness_lufs=mix.integrated_lufs,
        true_peak_dbtp=mix.true_peak_dbtp,
        target_lufs=recall.master.target_lufs,
        wanted_lufs=recall.plan.target_lufs,
        reachable_lufs=recall.plan.target_lufs if recall.reachable_lufs is None else recall.reachable_lufs,
        residual=0.0,
        plan=recall.plan,
        master=recall.master,
        facts=facts,
        tempo=recall.tempo,
    )


def _all_there(folder: Path, recall: Recall) -> bool:
    try:
        written = (folder / RECALL).stat().st_mtime_ns
        return all((folder / file).stat().st_mtime_ns <= written + _SLACK_NS for file in recall.files)
    except OSError:
        return False


def _facts_path(cache: Path, recall: Recall) -> Path:
    return path_of(cache, "song", recall.mix_id)
