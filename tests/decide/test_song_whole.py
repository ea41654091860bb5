"""Whole songs, false starts, and songs that broke off: told from small invented measurements."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from decide.made import (
    ACTIVITY_BANDS,
    ACTIVITY_FPS,
    BASS,
    OTHER_GUITAR,
    OVERHEAD,
    VOICE,
    Score,
)
from morningmix.decide.song_boundaries import find_songs
from morningmix.model.found import FoundSong


def songs_in(score: Score) -> tuple[FoundSong, ...]:
    return find_songs(score.activity(), score.families)


def in_parts(seconds: float, part_s: float = 36.0) -> Score:
    """A song of parts that come again, every one with the same ups and downs."""
    score = Score(seconds + 30.0)
    score.clicks(4.0)
    score.play(6.0, 6.0 + seconds)
    rng = np.random.default_rng(3)
    part = 10.0 ** rng.uniform(-1.0, 0.0, (VOICE, ACTIVITY_BANDS, round(part_s * ACTIVITY_FPS / 5))).repeat(5, axis=2)
    frames = round(seconds * ACTIVITY_FPS)
    whole = np.tile(part, -(-frames // part.shape[2]))[:, :, :frames]
    score.powers[:VOICE, :, 60 : 60 + frames] *= whole.astype(np.float32)
    return score


@pytest.mark.parametrize(("parts", "whole"), [(2.0, True), (3.0, True), (1.5, False), (2.3, False)])
def test_a_song_that_stops_within_a_part_broke_off(parts: float, whole: bool) -> None:
    (song,) = songs_in(in_parts(36.0 * parts))
    assert song.keep is whole
    if not whole:
        assert song.reason is not None
        assert song.reason.startswith("broke off")


def test_a_long_song_is_never_left_out() -> None:
    (song,) = songs_in(in_parts(36.0 * 4.5))
    assert song.keep


def test_a_song_whose_form_shows_nothing_is_kept_and_looked_at() -> None:
    """Between 50 s and two minutes; the same level throughout has no parts that could come again."""
    rng = np.random.default_rng(1)
    score = Score(100.0)
    score.play(10.0, 80.0)
    score.powers[BASS:VOICE, :, 100:800] *= (10.0 ** rng.uniform(-1.5, 0.0, (3, ACTIVITY_BANDS, 700))).astype(
        np.float32
    )
    (song,) = songs_in(score)
    assert song.keep
    assert "short" in song.end.because
    assert song.end.sure <= 0.55
    short = Score(100.0)
    short.play(10.0, 50.0)
    short.powers[BASS:VOICE, :, 100:500] *= (10.0 ** rng.uniform(-1.5, 0.0, (3, ACTIVITY_BANDS, 400))).astype(
        np.float32
    )
    (left_out,) = songs_in(short)
    assert not left_out.keep
    assert left_out.reason is not None
    assert left_out.reason.endswith("after 40 s")


@pytest.mark.parametrize(("seconds", "false_start"), [(24.9, True), (25.0, False)])
def test_under_25_seconds_it_was_a_false_start(seconds: float, false_start: bool) -> None:
    score = Score(60.0)
    score.play(10.0, 10.0 + seconds, rings_s=0.5)
    (song,) = songs_in(score)
    assert (song.reason or "").startswith("false start") == false_start


def test_a_song_is_compared_by_what_plays_most_of_the_time() -> None:
    """A guitar that is heard in one place does not hide that the rest comes again."""
    score = in_parts(72.0)
    score.sound(OTHER_GUITAR, 6.0, 78.0, -70.0)
    score.sound(OTHER_GUITAR, 60.0, 78.0)
    (song,) = songs_in(score)
    assert song.keep
    assert song.end.sure > 0.55


def of_passages(*passages_db: NDArray[np.float64]) -> Score:
    """A counted-in song of passages one after the other, each ``(inputs, bands, frames)``."""
    together_db = np.concatenate(passages_db, axis=2)
    seconds = together_db.shape[2] / ACTIVITY_FPS
    score = Score(seconds + 30.0)
    score.clicks(4.0)
    score.play(6.0, 6.0 + seconds)
    score.powers[:VOICE, :, 60 : 60 + together_db.shape[2]] *= (10.0 ** (together_db / 10.0)).astype(np.float32)
    return score


@pytest.mark.parametrize(("alike", "whole"), [(0.9, True), (0.8, False)])
def test_the_last_passage_may_have_been_a_little_different_where_the_beginning_followed_it(
    alike: float, whole: bool
) -> None:
    """It came twice before: the same, but then something else followed, and varied, and the beginning followed.

    A variation whose correlation is less than 0.1 under the best counts as the same music.
    """
    rng = np.random.default_rng(5)

    def passage_db(seconds: float) -> NDArray[np.float64]:
        return rng.uniform(-5.0, 5.0, (VOICE, ACTIVITY_BANDS, round(2 * seconds))).repeat(5, axis=2)

    begins, last, follows = passage_db(12.0), passage_db(6.0), passage_db(18.0)
    varied = alike * last + np.sqrt(1.0 - alike**2) * passage_db(6.0)
    played = (begins, passage_db(12.0), varied, begins, passage_db(6.0), last, follows, passage_db(6.0), last)
    (song,) = songs_in(of_passages(*(each - 5.0 for each in played)))
    assert song.keep is whole


def test_a_drum_that_is_touched_after_a_song_is_not_its_end() -> None:
    score = in_parts(72.0)
    score.hit(100.0, OVERHEAD)
    (song,) = songs_in(score)
    assert song.keep
    assert song.end.sure > 0.55


def test_a_fast_count_in_is_no_part_of_the_music_and_the_bar_after_it_is() -> None:
    """Four clicks in one second: the music begins right after them."""
    parts = in_parts(72.0)
    parts.rises_db[:, : 6 * 50] = 0.0
    for number in range(4):
        parts.hit(5.04 + 0.24 * number, OVERHEAD)
    (song,) = songs_in(parts)
    assert "one every 0.24 s" in song.start.because
    assert song.keep
    assert song.end.sure > 0.55
