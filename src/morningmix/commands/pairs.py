"""Which songs of two rehearsals are the same: by title, by recording, and else by what is played."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path, PurePath

from morningmix.analysis.fingerprint import KeptFingerprint, fingerprint_files, kept_fingerprints
from morningmix.commands.former import sheet_in
from morningmix.commands.version import title_key
from morningmix.decide.recognise import is_like, missing, recognise, way_through
from morningmix.files.recall import Recall
from morningmix.model.fingerprint import Fingerprint
from morningmix.model.names import is_numbered
from morningmix.report.two_mixes import left_out_in_words
from morningmix.storage.home import CACHE

_SAME_S = 0.2
"""Times in recipes are in tenths of a second."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Song:
    """A song folder and its recall sheet."""

    folder: Path
    recall: Recall

    @property
    def is_numbered(self) -> bool:
        """Whether nobody has given it a title."""
        return is_numbered(title_key(self.recall.title))

    @property
    def fingerprint(self) -> Fingerprint | None:
        """What it is recognised by; None where the cache of its mix folder does not know."""
        kept = _kept_of(self)
        return None if kept is None else kept.fingerprint

    @property
    def beats(self) -> tuple[Fingerprint, Sequence[float]] | None:
        """Its fingerprint and seconds at its beats, with the end of the last one; None where that is not known."""
        kept, plan = _kept_of(self), self.recall.plan
        if kept is None or kept.fingerprint is None:
            return None
        beats_s = [beat_s + kept.start_s - plan.start_s for beat_s in kept.beats_s]
        count = sum(beat_s <= plan.end_s - plan.start_s for beat_s in beats_s) - 1
        known = replace(kept.fingerprint, beats=kept.fingerprint.beats[:, :count])
        return (known, beats_s[: count + 1]) if count > 0 else None

    def is_of(self, other: Song) -> bool:
        """Whether both are mixes of one recording, for the most part."""
        one, two = self.recall, other.recall
        files = [{digest for each in sheet.recordings for digest in each.sha256} for sheet in (one, two)]
        shared_s = min(one.plan.end_s, two.plan.end_s) - max(one.plan.start_s, two.plan.start_s)
        longer_s = max(sheet.plan.end_s - sheet.plan.start_s for sheet in (one, two))
        return bool(files[0] & files[1]) and shared_s > longer_s / 2.0


def song_in(folder: Path) -> Song | None:
    """The song in a folder; None where no recall sheet there can be read."""
    recall = sheet_in(folder)
    return None if recall is None else Song(folder=folder, recall=recall)


def _kept_of(song: Song) -> KeptFingerprint | None:
    cache = next((above / CACHE for above in song.folder.parents[:3] if (above / CACHE).is_dir()), None)
    plan, take = song.recall.plan, PurePath(song.recall.tracks_folder).name
    for kept in () if cache is None else _all_kept(cache, fingerprint_files(cache)):
        ends = abs(kept.end_s - plan.end_s) < _SAME_S or kept.end_s > plan.end_s
        if kept.take == take and abs(kept.start_s - plan.start_s) < _SAME_S and ends:
            return kept
    return None


@lru_cache(maxsize=16)
def _all_kept(cache: Path, _files: frozenset[str]) -> list[KeptFingerprint]:
    """All fingerprints in a cache, while it holds these files; those that end where a song does before longer ones."""
    return sorted(kept_fingerprints(cache), key=lambda kept: kept.end_s)


def left_out(before: Song, after: Song) -> str:
    """What the second leaves out of the first, in words; "" where nothing is missing, or nothing is known."""
    then, now = _kept_of(before), _kept_of(after)
    if then is None or now is None or then.fingerprint is None:
        return ""
    return left_out_in_words(_missing(then, now), then.beats_s, then.fingerprint.beats.shape[1])


@lru_cache(maxsize=256)
def _missing(then: KeptFingerprint, now: KeptFingerprint) -> list[tuple[int, int]]:
    if then.fingerprint is None or now.fingerprint is None:
        return []
    way = way_through(now.fingerprint, then.fingerprint)
    return missing(way) if is_like(way) else []


def paired(firsts: Sequence[Song], seconds: Sequence[Song]) -> list[tuple[Song, Song]]:
    """Songs that are in both, in the order of the second.

    Of songs with one title the first goes with the first. A number is no title: two weeks hardly play the same songs in
    the same order. One without a title goes with the mix of the same recording, else with what it is most like.
    """
    titled = _by_title(firsts)
    pairs: dict[Song, Song] = {}
    for key, second in _by_title(seconds).items():
        if key in titled:
            pairs[second] = titled[key]
    for second in seconds:
        if second not in pairs:
            free = [first for first in firsts if first not in pairs.values()]
            first = next((first for first in free if first.is_of(second)), None) or _most_like(second, free)
            if first is not None:
                pairs[second] = first
    return [(pairs[second], second) for second in seconds if second in pairs]


def _most_like(song: Song, others: Sequence[Song]) -> Song | None:
    """The same song by what was played; of two with titles of their own, somebody knows that they are not."""
    played = song.fingerprint
    by_place = {
        str(place): other.fingerprint for place, other in enumerate(others) if song.is_numbered or other.is_numbered
    }
    known = {place: one for place, one in by_place.items() if one is not None}
    found = None if played is None else recognise(played, known)
    return None if found is None else others[int(found.title)]


def _by_title(songs: Sequence[Song]) -> dict[tuple[str, int], Song]:
    """Songs with a title of their own; of songs with the same, by which of them it is."""
    times: Counter[str] = Counter()
    found = {}
    for song in songs:
        if not song.is_numbered:
            title = title_key(song.recall.title)
            found[title, times[title]] = song
            times[title] += 1
    return found
