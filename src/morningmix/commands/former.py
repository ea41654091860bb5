"""The previous version of a song."""

from __future__ import annotations

from pathlib import Path

from morningmix.errors import RecipeError
from morningmix.files.recall import Recall, read_recall
from morningmix.model.plan import SongPlan
from morningmix.storage.home import RECALL, Home, path_of, real_place
from morningmix.storage.song_folders import song_folders


def former_plan(folder: Path) -> SongPlan | None:
    """The plan in a song folder's recall sheet; None if no sheet there can be read."""
    sheet = sheet_in(folder)
    return None if sheet is None else sheet.plan


def sheet_in(folder: Path) -> Recall | None:
    """A song folder's recall sheet; None if none there can be read."""
    try:
        return read_recall(folder / RECALL)
    except RecipeError:
        return None


def former_lower_db(folder: Path, plan: SongPlan) -> float:
    """How far below its target the song in a folder aims, 0 or more; 0 if it was made for another target.

    A song starts from there, so that a rehearsal that aims lower again is not mixed twice, and a song that comes out
    the same does not take the place of the version before it.
    """
    try:
        former = read_recall(folder / RECALL)
    except RecipeError:
        return 0.0
    same = former.plan.target_lufs == plan.target_lufs
    return max(plan.target_lufs - former.master.target_lufs, 0.0) if same else 0.0


def former_folder(home: Home, tracks: Path, plan: SongPlan, wanted: frozenset[str]) -> str | None:
    """The folder that has this stretch of the take under another title or number; never one of `wanted`."""
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
