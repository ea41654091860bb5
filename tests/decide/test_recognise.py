"""Which known song was played, from fingerprints made by chance: every beat of them is another."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from morningmix.decide.recognise import LEAST_BEATS, is_like, missing, recognise, stops_early, way_through
from morningmix.model.fingerprint import CHROMA, LEVELS, ROWS, Fingerprint


def a_song(seed: int, beats: int = 120, bpm: float = 120.0) -> Fingerprint:
    rng = np.random.default_rng(seed)
    values = rng.integers(0, LEVELS + 1, (ROWS, beats), np.uint8)
    # Few notes sound at once.
    values[: 4 * CHROMA][rng.random((4 * CHROMA, beats)) > 0.15] = 0
    return Fingerprint(tempo_bpm=bpm, beats=values)


def moved(song: Fingerprint, semitones: int) -> Fingerprint:
    beats = song.beats.copy()
    for start in range(0, 4 * CHROMA, CHROMA):
        beats[start : start + CHROMA] = np.roll(beats[start : start + CHROMA], semitones, axis=0)
    return replace(song, beats=beats)


KNOWN = {"Rope": a_song(1), "Copper": a_song(2), "Gauge": a_song(3)}


def test_a_song_is_found_with_the_beats_that_were_played() -> None:
    found = recognise(replace(KNOWN["Copper"], tempo_bpm=131.0), KNOWN)
    assert found is not None
    assert (found.title, found.semitones, found.is_broken_off) == ("Copper", 0, False)
    assert found.similarity > 0.9
    np.testing.assert_array_equal(found.known_beats, np.arange(120))


def test_a_verse_that_is_left_out_is_a_jump() -> None:
    beats = KNOWN["Rope"].beats
    found = recognise(replace(KNOWN["Rope"], beats=np.concatenate((beats[:, :40], beats[:, 72:]), axis=1)), KNOWN)
    assert found is not None
    np.testing.assert_array_equal(found.known_beats, [*range(40), *range(72, 120)])


def test_what_a_song_leaves_out_is_found_where_it_was() -> None:
    rope = KNOWN["Rope"]
    for parts, gaps in (
        ((range(40), range(72, 120)), [(40, 72)]),
        ((range(30, 100),), [(0, 30), (100, 120)]),
        ((range(50), range(60, 120)), []),
        # A verse that comes twice instead of another: as long as before.
        ((range(40), range(40), range(80, 120)), []),
    ):
        beats = np.concatenate([rope.beats[:, list(part)] for part in parts], axis=1)
        way = way_through(replace(rope, beats=beats), rope)
        assert is_like(way)
        assert missing(way) == gaps


def test_a_song_that_was_broken_off_says_so() -> None:
    found = recognise(replace(KNOWN["Rope"], beats=KNOWN["Rope"].beats[:, :60]), KNOWN)
    assert found is not None
    assert found.is_broken_off
    assert stops_early(found)
    assert found.known_beats[-1] == 59
    # The same with its first part twice, from the middle on, and with a little more of it are no broken-off songs.
    for beats in ((*range(60), *range(60)), range(20, 80), range(95)):
        way = way_through(replace(KNOWN["Rope"], beats=KNOWN["Rope"].beats[:, list(beats)]), KNOWN["Rope"])
        assert not stops_early(way)


def test_two_semitones_are_said_and_three_are_another_song() -> None:
    for semitones in (-2, 1):
        found = recognise(moved(KNOWN["Gauge"], semitones), KNOWN)
        assert found is not None
        assert (found.title, found.semitones) == ("Gauge", semitones)
    assert recognise(moved(KNOWN["Gauge"], 3), {"Gauge": KNOWN["Gauge"]}) is None


def test_a_song_at_another_tempo_is_another_song_unless_it_was_counted_in_pairs() -> None:
    assert recognise(replace(KNOWN["Rope"], tempo_bpm=150.0), KNOWN) is None
    slow = np.zeros((ROWS, 60), np.uint8)
    fast = np.zeros((ROWS, 120), np.uint8)
    rng = np.random.default_rng(4)
    notes = np.where(rng.random((CHROMA, 120)) < 0.15, rng.integers(1, LEVELS + 1, (CHROMA, 120), np.uint8), 0)
    onsets = rng.integers(0, LEVELS + 1, (8, 4, 60), np.uint8)
    for half in range(2):
        # A beat of the slow one is two of the fast one, each a half of it.
        slow[half * CHROMA : (half + 1) * CHROMA] = notes[:, half::2]
        slow[(2 + half) * CHROMA : (3 + half) * CHROMA] = notes[:, half::2]
        fast[half * CHROMA : (half + 1) * CHROMA] = notes
        fast[(2 + half) * CHROMA : (3 + half) * CHROMA] = notes
    slow[4 * CHROMA :] = onsets.reshape(32, 60)
    for group in range(2):
        for half in range(2):
            for quarter in range(2):
                rows = slice(4 * CHROMA + 16 * group + 8 * quarter, 4 * CHROMA + 16 * group + 8 * quarter + 4)
                fast[rows, half::2] = onsets[4 * group + 2 * half + quarter]
    known = {"Slow": Fingerprint(tempo_bpm=70.0, beats=slow), "Fast": Fingerprint(tempo_bpm=140.0, beats=fast)}
    as_fast = recognise(known["Fast"], {"Slow": known["Slow"]})
    as_slow = recognise(known["Slow"], {"Fast": known["Fast"]})
    assert as_fast is not None
    assert as_slow is not None
    np.testing.assert_array_equal(as_fast.known_beats, np.repeat(np.arange(60), 2))
    np.testing.assert_array_equal(as_slow.known_beats, 2 * np.arange(60))


def test_two_titles_that_are_the_same_song_are_no_answer() -> None:
    assert recognise(KNOWN["Rope"], {**KNOWN, "Rope again": KNOWN["Rope"]}) is None


def test_what_is_unknown_or_too_short_stays_unknown() -> None:
    assert recognise(a_song(9), KNOWN) is None
    assert recognise(KNOWN["Rope"], {}) is None
    short = replace(KNOWN["Rope"], beats=KNOWN["Rope"].beats[:, : LEAST_BEATS - 1])
    assert recognise(short, KNOWN) is None
    silent = replace(KNOWN["Rope"], beats=np.zeros((ROWS, 100), np.uint8))
    assert recognise(silent, KNOWN) is None
