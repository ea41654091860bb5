"""Songs that stand as they would be mixed again: what a small change does not touch is not rendered twice.

A song stands when its recall sheet holds the very plan, settings and recordings, and every file of it is there, none
written after the sheet. What the report shows of it lies in the cache.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from dataclasses import fields
from pathlib import Path

import numpy as np

from morningmix import __version__
from morningmix.errors import RecipeError
from morningmix.facts import SongFacts
from morningmix.files.arrays import Arrays, read_arrays, write_arrays
from morningmix.files.recall import Recall, read_recall
from morningmix.home import RECALL, Home, output_errors
from morningmix.listen import path_from
from morningmix.mixdown import Desk, MixedSong, Raw
from morningmix.plan import SongPlan
from morningmix.song_folders import folder_name, song_folders

_FOLDER = "songs"
_SLACK_NS = 1_000_000_000
"""Clocks of file systems differ by less."""


def find_standing(plan: SongPlan, number: int, raw: Raw, desk: Desk) -> MixedSong | None:
    """The song as it lies in its place, if that is what would be mixed; None otherwise."""
    folder = desk.home.mixes / folder_name(number, plan.title)
    try:
        recall = read_recall(folder / RECALL)
    except RecipeError:
        return None
    same = (
        recall.morningmix == __version__
        and recall.plan == plan
        and recall.settings == desk.settings
        and recall.reachable_lufs is not None
        and recall.tracks_folder == path_from(raw.folder, folder)
        and [(one.files, one.sha256) for one in recall.recordings]
        == [(one.files, sha256) for one, sha256 in zip(raw.recordings, raw.hashes(), strict=True)]
    )
    facts = _read_facts(desk.home.cache, recall) if same and _all_there(folder, recall) else None
    return None if facts is None else _as_it_stands(recall, folder, facts)


def keep_facts(songs: Iterable[MixedSong], home: Home) -> None:
    """Keep what the report shows of songs that were just put in their places; forget that of mixes that are gone."""
    folder = home.cache / _FOLDER
    with output_errors(folder):
        folder.mkdir(parents=True, exist_ok=True)
        for song in songs:
            path = _facts_path(home.cache, read_recall(song.folder / RECALL))
            if not path.exists():
                write_arrays(path, _arrays(song.facts))
        wanted = {_facts_path(home.cache, sheet) for sheet in _sheets(home)}
        for path in set(folder.iterdir()) - wanted:
            path.unlink()


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
    )


def _all_there(folder: Path, recall: Recall) -> bool:
    try:
        written = (folder / RECALL).stat().st_mtime_ns
        return all((folder / file).stat().st_mtime_ns <= written + _SLACK_NS for file in recall.files)
    except OSError:
        return False


def _facts_path(cache: Path, recall: Recall) -> Path:
    return cache / _FOLDER / f"{recall.mix_id}.npz"


_REDUCTION = "reduction: "


def _arrays(facts: SongFacts) -> Arrays:
    plain = {
        field.name: np.asarray(value)
        for field in fields(facts)
        if field.name != "reduction_db" and (value := getattr(facts, field.name)) is not None
    }
    return plain | {_REDUCTION + name: gain for name, gain in facts.reduction_db}


def _read_facts(cache: Path, recall: Recall) -> SongFacts | None:
    kept = read_arrays(_facts_path(cache, recall))
    if kept is None:
        return None
    plain = {name: array for name, array in kept.items() if not name.startswith(_REDUCTION)}
    reductions = {name.removeprefix(_REDUCTION): array for name, array in kept.items() if name.startswith(_REDUCTION)}
    try:
        hop_s = float(plain.pop("hop_s"))
        differ = plain.pop("meters_differ_lu", None)
        return SongFacts(
            hop_s=hop_s,
            reduction_db=tuple(reductions.items()),
            meters_differ_lu=None if differ is None else float(differ),
            **plain,
        )
    except (KeyError, TypeError):
        return None
