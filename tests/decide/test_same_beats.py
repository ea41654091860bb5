"""The same beats of two performances, from fingerprints made by chance: every beat of a verse is another."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from decide.test_recognise import a_song, moved
from morningmix.decide.same_beats import in_seconds, same_beats
from morningmix.model.fingerprint import LEVELS, Fingerprint

SONG = a_song(1, 96)


def of(*parts: range, song: Fingerprint = SONG, seed: int = 7) -> Fingerprint:
    """These beats of a song, each played a little differently."""
    beats = np.concatenate([song.beats[:, list(part)] for part in parts], axis=1).astype(int)
    unsteady = np.random.default_rng(seed).integers(-3, 4, beats.shape)
    return replace(song, beats=np.clip(beats + unsteady * (beats > 0), 0, LEVELS).astype(np.uint8))


def test_the_same_performance_at_another_speed_keeps_its_place_to_the_beat() -> None:
    now = replace(of(range(96)), tempo_bpm=126.0)
    parts = same_beats(SONG, now)
    assert parts == [(range(96), range(96))]
    # It starts 0.3 s later, is 5 % faster, and rings longer.
    beats_s = np.arange(97) * 0.5 + 0.2, np.arange(97) * 0.5 / 1.05 + 0.5
    (stretch,) = in_seconds(parts, beats_s, (49.0, 50.0))
    with_ends = [(0.0, 0.3), *zip(*beats_s, strict=True), (49.0, beats_s[1][-1] + 0.8)]
    np.testing.assert_allclose(stretch, with_ends)


@pytest.mark.parametrize("semitones", [0, -2])
def test_a_verse_left_out_is_skipped_and_nothing_else(semitones: int) -> None:
    now = moved(of(range(32), range(64, 96)), semitones)
    assert same_beats(SONG, now) == [(range(32), range(32)), (range(64, 96), range(32, 64))]
    assert same_beats(now, SONG) == [(range(32), range(32)), (range(32, 64), range(64, 96))]


def test_a_few_wrong_beats_are_nothing_left_out() -> None:
    now = of(range(96))
    now.beats[:, 40:46] = a_song(3, 6).beats
    assert same_beats(SONG, now) == [(range(96), range(96))]


def test_one_verse_left_out_and_another_put_in_are_two_parts() -> None:
    # What every beat has in common, a drone and a beat of the drums, makes no two of them the same beat.
    song, other = a_song(1, 80), a_song(3, 16)
    for one in (song, other):
        one.beats[0::12] = LEVELS
    now = of(range(32), range(48, 80), song=song)
    now = replace(now, beats=np.concatenate((now.beats, other.beats), axis=1))
    assert same_beats(song, now) == [(range(32), range(32)), (range(48, 80), range(32, 64))]
    assert same_beats(now, song) == [(range(32), range(32)), (range(32, 64), range(48, 80))]


def test_each_may_have_a_part_of_its_own() -> None:
    other = a_song(3, 40)
    now = replace(SONG, beats=np.concatenate((SONG.beats[:, :40], other.beats, SONG.beats[:, 60:]), axis=1))
    pairs = {pair for part in same_beats(SONG, now) for pair in zip(*part, strict=True)}
    assert pairs > {*zip(range(40), range(40), strict=True), *zip(range(60, 96), range(80, 116), strict=True)}


def test_a_beat_counted_twice_as_fast_is_half_of_one() -> None:
    # One beat first, then each in two halves, as an eager foot counts them.
    halves = np.repeat(SONG.beats[:, 1:], 2, axis=1)
    fast = replace(SONG, beats=np.concatenate((SONG.beats[:, :1], halves), axis=1), tempo_bpm=2.0 * SONG.tempo_bpm)
    parts = same_beats(SONG, fast)
    pairs = [pair for part in parts for pair in zip(*part, strict=True)]
    assert len(pairs) > 85
    assert np.mean([fast_beat == 2 * beat - 1 for beat, fast_beat in pairs]) > 0.95


def test_songs_too_far_apart_in_tempo_have_no_beat_in_common() -> None:
    assert same_beats(SONG, replace(SONG, tempo_bpm=1.4 * SONG.tempo_bpm)) == []
    assert in_seconds([], ([0.0], [0.0]), (1.0, 1.0)) == []
