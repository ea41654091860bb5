"""What differs from the last time a song was played, by the recall sheets in the mix folders beside this one."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path

from morningmix.commands.history import homes_before
from morningmix.commands.pairs import Song, left_out
from morningmix.commands.version import title_key
from morningmix.errors import RecipeError
from morningmix.files.recall import Recall, read_recall
from morningmix.model.names import is_numbered
from morningmix.report.two_mixes import Played, levels, levels_in_words, time_in_words
from morningmix.report.words import sentence
from morningmix.storage.home import MIXES
from morningmix.storage.song_folders import song_sheets

_MOST_HOMES = 8


def songs_before(root: Path, when: str) -> dict[str, Song]:
    """By `title_key`: the last mix of every song in the rehearsals before, as far as its sheet can be read."""
    found: dict[str, Song] = {}
    for home in homes_before(root, when)[:_MOST_HOMES]:
        for sheet in song_sheets(home / MIXES):
            recall = _sheet(sheet)
            # The next rehearsal's first song may be any other.
            if recall is not None and not is_numbered(title_key(recall.title)):
                found.setdefault(title_key(recall.title), Song(folder=sheet.parent, recall=recall))
    return found


def _sheet(sheet: Path) -> Recall | None:
    try:
        return _read(sheet, sheet.stat().st_mtime_ns)
    except OSError:
        return None


@lru_cache(maxsize=128)
def _read(sheet: Path, _changed_ns: int) -> Recall | None:
    try:
        return read_recall(sheet)
    except RecipeError:
        return None


def since_last_time(before: Mapping[str, Song], now: Song | None) -> str:
    """How a song differs from the last time, in sentences; "" where it was not played before or nothing is known."""
    then = None if now is None else before.get(title_key(now.recall.title))
    if now is None or then is None:
        return ""
    mixes = _played(then.recall), _played(now.recall)
    than = "than last time"
    said = (time_in_words(*mixes, than), left_out(then, now), levels_in_words(levels(*mixes), than))
    return " ".join(sentence(words) for words in said if words)


def _played(recall: Recall) -> Played:
    """What is known without listening to the files again."""
    plan = recall.plan
    return Played(
        plan=plan, tempo=recall.tempo, seconds=plan.end_s - plan.start_s, balance_lu={}, levels_lu=recall.levels_lu
    )
