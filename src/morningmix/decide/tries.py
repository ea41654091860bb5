"""Tries of one song within a take: started and stopped, started again, played through, and played once more."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from morningmix.decide.playing import SONG_S
from morningmix.decide.recognise import from_its_beginning, is_like, recognise
from morningmix.decide.song_boundaries import in_doubt
from morningmix.model.fingerprint import Fingerprint
from morningmix.model.found import FoundSong

LEAST_BEATS = 12
"""What is shorter is a false start of any song (design choice)."""

NEARLY = 0.95
"""How much of a longer song a try of it plays at most (design choice)."""


def told_tries(found: Sequence[FoundSong], fingerprints: Sequence[Fingerprint | None]) -> tuple[FoundSong, ...]:
    """The songs of a take; each that is a try of another one says of which.

    One that goes through a longer one from its beginning and ends well before it does was broken off, and is not kept;
    the longest is, unless it is a false start. Where a song was played through twice, both are kept. One that was left
    out only because it is short is kept unless it is the beginning of another.
    """
    prints = {at: one for at, one in enumerate(fingerprints) if one is not None}
    told = list(found)
    longer: dict[int, Fingerprint] = {}
    for at in sorted(prints, key=lambda at: -found[at].played_s):
        whole = _goes_on_in(prints[at], longer)
        longer[at] = prints[at]
        if whole is None:
            told[at] = in_doubt(told[at]) if not (told[at].keep or told[at].shown) else told[at]
        elif told[whole].played_s >= SONG_S:
            of = told[whole].of
            whole = whole if of is None else of
            told[whole] = told[whole] if told[whole].keep else in_doubt(told[whole])
            why = broken_off_after(told[at].played_s, told[whole].played_s)
            told[at] = replace(told[at], keep=False, reason=why, of=whole)
    first: dict[str, Fingerprint] = {}
    for at, song in enumerate(told):
        again = recognise(prints[at], first, (0,)) if song.keep and at in prints else None
        if again is not None:
            told[at] = replace(song, of=int(again.title))
        elif song.keep and at in prints:
            first[str(at)] = prints[at]
    return tuple(told)


def broken_off_after(seconds: float, of_s: float | None) -> str:
    """Why a try of a song is not kept: ``broken off after 0:48 of 3:20``, where it is known how long the song is."""
    times = [round(at_s) for at_s in (seconds, of_s) if at_s is not None]
    return f"broken off after {' of '.join(f'{at_s // 60}:{at_s % 60:02d}' for at_s in times)}"


def _goes_on_in(played: Fingerprint, longer: Mapping[int, Fingerprint]) -> int | None:
    """Which of the longer songs begins as this one does, and goes on where this one ends."""
    # What is nearly as long was not broken off.
    much_longer = {at: other for at, other in longer.items() if played.seconds < NEARLY * other.seconds}
    ways = {at: from_its_beginning(played, other) for at, other in much_longer.items()}
    alike = {at: way for at, way in ways.items() if is_like(way, LEAST_BEATS) and way.is_broken_off}
    return max(alike, key=lambda at: alike[at].similarity, default=None)
