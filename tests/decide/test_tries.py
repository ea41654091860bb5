"""Tries of one song within a take, from fingerprints made by chance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from decide.test_recognise import a_song
from morningmix.decide.tries import told_tries
from morningmix.model.fingerprint import Fingerprint
from morningmix.model.found import Boundary, FoundSong

BEAT_S = 0.5
WHOLE, OTHER = a_song(1, beats=200), a_song(2, beats=70)


def part(song: Fingerprint, first: int, last: int) -> Fingerprint:
    return replace(song, beats=song.beats[:, first:last])


def found(played: Sequence[Fingerprint | None], left_out: dict[int, str] | None = None) -> tuple[FoundSong, ...]:
    """What was found where these were played; only the length speaks against those in `left_out`."""
    songs = []
    at_s = 10.0
    for place, one in enumerate(played):
        seconds = 60.0 if one is None else one.beats.shape[1] * BEAT_S
        reason = (left_out or {}).get(place)
        songs.append(
            FoundSong(
                start=Boundary(at_s=at_s, because="the band comes in", sure=0.7),
                end=Boundary(at_s=at_s + seconds, because="the last note has died away", sure=0.95),
                keep=reason is None,
                reason=reason,
                played_s=seconds,
                shown=reason is None,
            )
        )
        at_s += seconds + 20.0
    return tuple(songs)


def test_a_start_and_a_stop_before_the_whole_song_are_tries_of_it() -> None:
    played = [part(WHOLE, 0, 96), OTHER, part(WHOLE, 4, 30), WHOLE]
    told = told_tries(found(played), played)
    assert [(song.keep, song.of, song.reason) for song in told] == [
        (False, 3, "broken off after 0:48 of 1:40"),
        (True, None, None),
        (False, 3, "broken off after 0:13 of 1:40"),
        (True, None, None),
    ]


def test_a_song_that_was_played_through_twice_is_kept_twice() -> None:
    played = [WHOLE, OTHER, part(WHOLE, 0, 190), WHOLE]
    told = told_tries(found(played), played)
    assert all(song.keep for song in told)
    assert [song.of for song in told] == [None, None, 0, 0]


def test_what_leaves_a_verse_out_or_begins_later_is_not_broken_off() -> None:
    without_verse = replace(WHOLE, beats=WHOLE.beats[:, [*range(40), *range(80, 120)]])
    for shorter in (without_verse, part(WHOLE, 60, 130)):
        told = told_tries(found([shorter, WHOLE]), [shorter, WHOLE])
        assert all(song.keep for song in told)


def test_a_short_song_is_kept_in_doubt_unless_it_is_the_beginning_of_another() -> None:
    played = [OTHER, part(WHOLE, 0, 70), WHOLE, None]
    short = "broke off: the band stops after 35 s"
    told = told_tries(found(played, {0: short, 1: short, 3: short}), played)
    assert [(song.keep, song.reason) for song in told] == [
        (True, None),
        (False, "broken off after 0:35 of 1:40"),
        (True, None),
        (False, short),
    ]
    assert told[0].end.unsure
    assert "short" in told[0].end.because


def test_the_longest_of_several_tries_is_kept_in_doubt_where_it_seems_to_break_off_too() -> None:
    played = [part(WHOLE, 0, 16), part(WHOLE, 0, 70), WHOLE]
    songs = found(played, {2: "broke off at a point where it went on the time before"})
    songs = (*songs[:2], replace(songs[2], shown=True))
    told = told_tries(songs, played)
    assert [(song.keep, song.of) for song in told] == [(False, 2), (False, 2), (True, None)]
    assert told[2].end.unsure


def test_of_two_false_starts_none_is_kept() -> None:
    played = [part(WHOLE, 0, 16), part(WHOLE, 0, 40)]
    songs = found(played, {0: "false start", 1: "false start"})
    songs = tuple(replace(song, shown=True) for song in songs)
    assert told_tries(songs, played) == songs
