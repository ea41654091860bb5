"""The songs of a take, with the tries of one song told from each other by their fingerprints."""

from __future__ import annotations

from morningmix.analysis.analysed import AnalysedTake, songs_in
from morningmix.analysis.fingerprint import fingerprints_of
from morningmix.decide.tries import told_tries
from morningmix.model.found import FoundSong
from morningmix.workers.jobs import Lane


def songs_and_tries(analysed: AnalysedTake, lane: Lane) -> tuple[FoundSong, ...]:
    """Where the songs of the take begin and end, what was left out, and which are tries of one song.

    Raises `RecordingsError` where an input cannot be read, and `OutputError` where the cache cannot be written.
    """
    return with_tries(analysed, songs_in(analysed), lane)


def with_tries(analysed: AnalysedTake, found: tuple[FoundSong, ...], lane: Lane) -> tuple[FoundSong, ...]:
    """The songs that were found, with what their fingerprints tell of them. Raises as `songs_and_tries` does."""
    if len(found) < 2:
        return found
    # As recipes write times, so that what is measured here is what the list of songs asks for.
    times = [(round(song.start.at_s, 1), round(song.end.at_s, 1)) for song in found]
    return told_tries(found, fingerprints_of(analysed, times, lane))
