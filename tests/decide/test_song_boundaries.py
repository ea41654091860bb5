"""Where songs begin and end, told from small invented measurements: who plays when, a click here, a talk there."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from morningmix.decide.song_boundaries import find_songs
from morningmix.model.found import FoundSong
from morningmix.model.measured import Activity

FAMILIES = ("drums", "drums", "bass", "guitars", "guitars", "vocals")
KICK, OVERHEAD, BASS, GUITAR, OTHER_GUITAR, VOICE = range(len(FAMILIES))
BANDS = 7
FRAMES_PER_SECOND, HOPS_PER_SECOND = 10, 50
FLOOR = 1e-8


class Score:
    """A take in which nothing happens until somebody plays; times in seconds, levels in dB re the loud level."""

    def __init__(self, seconds: float, families: tuple[str, ...] = FAMILIES) -> None:
        self.families = families
        frames = round(seconds * FRAMES_PER_SECOND)
        self.powers = np.full((len(families), BANDS, frames), FLOOR, np.float32)
        self.over_bleed_db = np.full((len(families), BANDS, frames), -3.0, np.float32)
        self.rises_db = np.zeros((len(families), frames * HOPS_PER_SECOND // FRAMES_PER_SECOND), np.float32)

    def sound(self, who: int, start_s: float, end_s: float, level_db: float = 0.0, to_db: float | None = None) -> None:
        """Own sound of one input, its level on the way to `to_db`."""
        frames = slice(round(start_s * FRAMES_PER_SECOND), round(end_s * FRAMES_PER_SECOND))
        count = self.powers[who, 0, frames].size
        levels = np.linspace(level_db, level_db if to_db is None else to_db, count)
        self.powers[who, :, frames] = np.maximum(FLOOR, 10.0 ** (levels / 10.0 - 2.0))
        self.over_bleed_db[who, :, frames] = np.where(levels > -60.0, 12.0, -3.0)

    def hit(self, at_s: float, *who: int) -> None:
        """A stroke that these inputs hear."""
        for one in who:
            self.rises_db[one, round(at_s * HOPS_PER_SECOND)] = 20.0
            self.sound(one, at_s, at_s + 0.1)

    def clicks(self, first_s: float, count: int = 4) -> None:
        for number in range(count):
            self.hit(first_s + 0.5 * number, OVERHEAD)

    def drum(self, start_s: float, end_s: float) -> None:
        self.sound(OVERHEAD, start_s, end_s, -6.0)
        for at_s in np.arange(start_s, end_s - 0.01, 0.5):
            self.hit(float(at_s), KICK, OVERHEAD)

    def play(self, start_s: float, end_s: float, rings_s: float = 2.0) -> None:
        """The whole band, and the ring after it."""
        self.drum(start_s, end_s)
        for who in (BASS, GUITAR, OTHER_GUITAR):
            self.sound(who, start_s, end_s)
        if rings_s:
            self.sound(GUITAR, end_s, end_s + rings_s, 0.0, -60.0)

    def found(self) -> tuple[FoundSong, ...]:
        return find_songs(
            Activity(
                frame_s=1.0 / FRAMES_PER_SECOND,
                hop_s=1.0 / HOPS_PER_SECOND,
                powers=self.powers,
                over_bleed_db=self.over_bleed_db,
                rises_db=self.rises_db,
            ),
            self.families,
        )


def two_songs(late_s: float = 0.0) -> Score:
    score = Score(200.0 + late_s)
    score.sound(VOICE, 3.0 + late_s, 9.0 + late_s)
    score.clicks(12.0 + late_s)
    score.play(14.0 + late_s, 84.0 + late_s)
    score.sound(VOICE, 89.0 + late_s, 98.0 + late_s)
    score.clicks(102.0 + late_s)
    score.play(104.0 + late_s, 174.0 + late_s)
    return score


def test_two_songs_with_their_count_ins_and_ring_outs() -> None:
    first, second = two_songs().found()
    assert (first.keep, second.keep) == (True, True)
    for song, clicks_s, last_note_s in ((first, 12.0, 84.0), (second, 102.0, 174.0)):
        assert clicks_s - 0.6 <= song.start.at_s <= clicks_s - 0.3
        assert "4 clicks" in song.start.because
        assert last_note_s + 1.0 <= song.end.at_s <= last_note_s + 3.0
        assert song.end.because == "the last note has died away"


@settings(max_examples=15, deadline=None)
@given(late_s=st.integers(0, 300).map(lambda tenths: tenths / 10.0))
def test_nothing_depends_on_when_the_recorder_was_started(late_s: float) -> None:
    for song, later in zip(two_songs().found(), two_songs(late_s).found(), strict=True):
        assert later.start.at_s - song.start.at_s == pytest.approx(late_s, abs=0.05)
        assert later.end.at_s - song.end.at_s == pytest.approx(late_s, abs=0.15)


@pytest.mark.parametrize("held_s", [1.0, 3.0, 5.5])
def test_a_held_breath_is_inside_the_song(held_s: float) -> None:
    score = Score(140.0)
    score.play(5.0, 60.0, rings_s=0.5)
    score.play(60.0 + held_s, 120.0)
    (song,) = score.found()
    assert song.keep
    assert (song.start.at_s, song.end.at_s) == (pytest.approx(4.6, abs=0.2), pytest.approx(122.0, abs=1.0))


def test_talk_in_a_gap_ends_the_song() -> None:
    score = Score(140.0)
    score.play(5.0, 60.0, rings_s=0.5)
    score.sound(VOICE, 61.5, 64.0)
    score.play(66.0, 126.0)
    assert [song.keep for song in score.found()] == [True, True]


def test_the_band_goes_on_after_a_break_that_was_counted_through() -> None:
    score = Score(140.0)
    score.play(5.0, 60.0, rings_s=0.5)
    score.clicks(62.0)
    score.play(64.0, 120.0)
    assert len(score.found()) == 1


def test_one_alone_in_the_middle_is_still_the_song() -> None:
    score = Score(140.0)
    score.play(5.0, 60.0, rings_s=0.0)
    score.sound(GUITAR, 60.0, 75.0)
    score.play(75.0, 120.0)
    assert len(score.found()) == 1


def _talk(score: Score) -> None:
    score.sound(VOICE, 5.0, 50.0)


def _jam(score: Score) -> None:
    score.sound(BASS, 10.0, 32.0)
    score.sound(GUITAR, 8.0, 30.0)


def _fill(score: Score) -> None:
    score.drum(20.0, 24.0)


def _noodling_over_a_fill(score: Score) -> None:
    score.sound(GUITAR, 10.0, 30.0)
    score.drum(20.0, 24.0)


def _nothing(score: Score) -> None:
    pass


@pytest.mark.parametrize("what", [_talk, _jam, _fill, _noodling_over_a_fill, _nothing])
def test_is_no_song(what: Callable[[Score], None]) -> None:
    score = Score(60.0)
    what(score)
    assert score.found() == ()


def test_a_false_start_is_left_out_and_the_song_after_it_is_whole() -> None:
    score = Score(140.0)
    score.play(5.0, 16.0, rings_s=0.5)
    score.sound(VOICE, 17.0, 22.0)
    score.clicks(24.0)
    score.play(26.0, 100.0)
    false_start, song = score.found()
    assert (false_start.keep, false_start.reason) == (False, "false start: the band stops after 11 s")
    assert song.keep
    assert song.start.at_s == pytest.approx(23.6, abs=0.15)
    assert false_start.end.at_s <= song.start.at_s


def test_a_fill_before_the_count_in_is_not_in_the_song() -> None:
    score = Score(100.0)
    score.drum(6.0, 9.0)
    score.clicks(11.5)
    score.play(13.5, 80.0)
    (song,) = score.found()
    assert song.start.at_s == pytest.approx(11.1, abs=0.15)


def test_a_count_in_is_heard_where_the_overhead_is_taken_for_a_voice() -> None:
    score = Score(100.0, ("drums", "vocals", "bass", "guitars", "guitars", "vocals"))
    score.clicks(11.5)
    score.play(13.5, 80.0)
    (song,) = score.found()
    assert song.start.at_s == pytest.approx(11.1, abs=0.15)


def test_a_drum_intro_belongs_to_the_song_and_is_less_sure() -> None:
    score = Score(120.0)
    score.drum(10.0, 18.0)
    score.play(18.0, 90.0)
    (song,) = score.found()
    assert song.start.at_s == pytest.approx(9.6, abs=0.3)
    assert song.start.sure < 0.6
    assert "the drums play for 8 s" in song.start.because


def test_a_song_without_drums() -> None:
    score = Score(120.0)
    score.sound(BASS, 10.0, 90.0)
    score.sound(GUITAR, 8.0, 90.0)
    for start_s in np.arange(10.0, 90.0, 8.0):
        score.sound(VOICE, float(start_s), float(start_s) + 7.2)
    score.sound(GUITAR, 90.0, 92.0, 0.0, -60.0)
    (song,) = score.found()
    assert song.keep
    assert song.start.at_s <= 10.0
    assert song.end.at_s >= 91.0


def test_a_singer_with_a_guitar_is_a_band() -> None:
    score = Score(120.0, ("guitars", "vocals"))
    score.sound(0, 8.0, 90.0)
    score.sound(1, 12.0, 88.0)
    (song,) = score.found()
    assert song.keep


def test_who_talks_into_the_ring_out_ends_the_song() -> None:
    score = Score(120.0)
    score.play(10.0, 80.0, rings_s=0.0)
    score.sound(GUITAR, 80.0, 90.0, 0.0, -60.0)
    score.sound(VOICE, 87.0, 95.0)
    (song,) = score.found()
    assert song.end.at_s == pytest.approx(87.0, abs=0.2)
    assert "talks" in song.end.because


def test_who_plays_into_the_ring_out_ends_the_song() -> None:
    score = Score(120.0)
    score.play(10.0, 80.0, rings_s=0.0)
    score.sound(GUITAR, 80.0, 90.0, 0.0, -60.0)
    score.sound(BASS, 87.0, 100.0)
    (song,) = score.found()
    assert song.end.at_s == pytest.approx(87.0, abs=0.3)
    assert "starts to play" in song.end.because


def in_parts(seconds: float, part_s: float = 36.0) -> Score:
    """A song of parts that come again, every one with the same ups and downs."""
    score = Score(seconds + 30.0)
    score.clicks(4.0)
    score.play(6.0, 6.0 + seconds)
    rng = np.random.default_rng(3)
    part = 10.0 ** rng.uniform(-1.0, 0.0, (VOICE, BANDS, round(part_s * FRAMES_PER_SECOND / 5))).repeat(5, axis=2)
    frames = round(seconds * FRAMES_PER_SECOND)
    whole = np.tile(part, -(-frames // part.shape[2]))[:, :, :frames]
    score.powers[:VOICE, :, 60 : 60 + frames] *= whole.astype(np.float32)
    return score


@pytest.mark.parametrize(("parts", "whole"), [(2.0, True), (3.0, True), (1.5, False), (2.3, False)])
def test_a_song_that_stops_within_a_part_broke_off(parts: float, whole: bool) -> None:
    (song,) = in_parts(36.0 * parts).found()
    assert song.keep is whole
    if not whole:
        assert song.reason is not None
        assert song.reason.startswith("broke off")


def test_a_long_song_is_never_put_aside() -> None:
    (song,) = in_parts(36.0 * 4.5).found()
    assert song.keep
