"""The previous version of a song."""

from __future__ import annotations

from pathlib import Path

from morningmix.errors import RecipeError
from morningmix.files.recall import read_recall
from morningmix.model.plan import SongPlan
from morningmix.storage.home import RECALL, Home, path_of, real_place
from morningmix.storage.song_folders import song_folders


def former_plan(folder: Path) -> SongPlan | None:
    """The plan in a song folder's recall sheet; None if no sheet there can be read."""
    try:
        return read_recall(folder / RECALL).plan
    except RecipeError:
        return None


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
