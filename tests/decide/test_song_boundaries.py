"""Where songs begin and end, told from small invented measurements: who plays when, a click here, a talk there."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decide.made import BASS, GUITAR, OVERHEAD, VOICE, Score
from morningmix.decide.song_boundaries import find_edges, find_songs
from morningmix.model.found import FoundSong


def songs_in(score: Score) -> tuple[FoundSong, ...]:
    return find_songs(score.activity(), score.families)


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
    first, second = songs_in(two_songs())
    assert (first.keep, second.keep) == (True, True)
    for song, clicks_s, last_note_s in ((first, 12.0, 84.0), (second, 102.0, 174.0)):
        assert clicks_s - 0.6 <= song.start.at_s <= clicks_s - 0.3
        assert "4 clicks" in song.start.because
        assert last_note_s + 1.0 <= song.end.at_s <= last_note_s + 3.0
        assert song.end.because == "the last note has died away"


@pytest.mark.slow
@settings(max_examples=15, deadline=None)
@given(late_s=st.integers(0, 300).map(lambda tenths: tenths / 10.0))
def test_nothing_depends_on_when_the_recorder_was_started(late_s: float) -> None:
    for song, later in zip(songs_in(two_songs()), songs_in(two_songs(late_s)), strict=True):
        assert later.start.at_s - song.start.at_s == pytest.approx(late_s, abs=0.05)
        assert later.end.at_s - song.end.at_s == pytest.approx(late_s, abs=0.15)


@pytest.mark.parametrize("held_s", [1.0, 3.0, 5.5])
def test_a_held_breath_is_inside_the_song(held_s: float) -> None:
    score = Score(140.0)
    score.play(5.0, 60.0, rings_s=0.5)
    score.play(60.0 + held_s, 120.0)
    (song,) = songs_in(score)
    assert song.keep
    assert (song.start.at_s, song.end.at_s) == (pytest.approx(4.6, abs=0.2), pytest.approx(122.0, abs=1.0))


def test_talk_in_a_gap_ends_the_song() -> None:
    score = Score(140.0)
    score.play(5.0, 60.0, rings_s=0.5)
    score.sound(VOICE, 61.5, 64.0)
    score.play(66.0, 126.0)
    assert [song.keep for song in songs_in(score)] == [True, True]


def test_the_band_goes_on_after_a_break_that_was_counted_through() -> None:
    score = Score(140.0)
    score.play(5.0, 60.0, rings_s=0.5)
    score.clicks(62.0)
    score.play(64.0, 120.0)
    assert len(songs_in(score)) == 1


def test_one_alone_in_the_middle_is_still_the_song() -> None:
    score = Score(140.0)
    score.play(5.0, 60.0, rings_s=0.0)
    score.sound(GUITAR, 60.0, 75.0)
    score.play(75.0, 120.0)
    assert len(songs_in(score)) == 1


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
def test_stretches_that_are_not_songs(what: Callable[[Score], None]) -> None:
    score = Score(60.0)
    what(score)
    assert songs_in(score) == ()


def test_a_false_start_is_left_out_and_the_song_after_it_is_whole() -> None:
    score = Score(140.0)
    score.play(5.0, 16.0, rings_s=0.5)
    score.sound(VOICE, 17.0, 22.0)
    score.clicks(24.0)
    score.play(26.0, 100.0)
    false_start, song = songs_in(score)
    assert (false_start.keep, false_start.reason) == (False, "false start: the band stops after 11 s")
    assert song.keep
    assert song.start.at_s == pytest.approx(23.6, abs=0.15)
    assert false_start.end.at_s <= song.start.at_s


def test_a_fill_before_the_count_in_is_not_in_the_song() -> None:
    score = Score(100.0)
    score.drum(6.0, 9.0)
    score.clicks(11.5)
    score.play(13.5, 80.0)
    (song,) = songs_in(score)
    assert song.start.at_s == pytest.approx(11.1, abs=0.15)


def test_a_count_in_is_found_when_the_overhead_is_mistaken_for_a_vocal() -> None:
    score = Score(100.0, ("drums", "vocals", "bass", "guitars", "guitars", "vocals"))
    score.clicks(11.5)
    score.play(13.5, 80.0)
    (song,) = songs_in(score)
    assert song.start.at_s == pytest.approx(11.1, abs=0.15)


def test_a_drum_intro_belongs_to_the_song_and_is_less_sure() -> None:
    score = Score(120.0)
    score.drum(10.0, 18.0)
    score.play(18.0, 90.0)
    (song,) = songs_in(score)
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
    (song,) = songs_in(score)
    assert song.keep
    assert song.start.at_s <= 10.0
    assert song.end.at_s >= 91.0


def test_one_singer_with_a_guitar_counts_as_a_band() -> None:
    score = Score(120.0, ("guitars", "vocals"))
    score.sound(0, 8.0, 90.0)
    score.sound(1, 12.0, 88.0)
    (song,) = songs_in(score)
    assert song.keep


def test_talk_during_the_ring_out_ends_the_song() -> None:
    score = Score(120.0)
    score.play(10.0, 80.0, rings_s=0.0)
    score.sound(GUITAR, 80.0, 90.0, 0.0, -60.0)
    score.sound(VOICE, 87.0, 95.0)
    (song,) = songs_in(score)
    assert song.end.at_s == pytest.approx(87.0, abs=0.05)
    assert "talks" in song.end.because


def test_playing_during_the_ring_out_ends_the_song() -> None:
    score = Score(120.0)
    score.play(10.0, 80.0, rings_s=0.0)
    score.sound(GUITAR, 80.0, 90.0, 0.0, -60.0)
    score.sound(BASS, 87.0, 100.0)
    (song,) = songs_in(score)
    assert song.end.at_s == pytest.approx(87.0, abs=0.3)
    assert "starts to play" in song.end.because


# ---------------------------------------------------------------- the limits of a pause, a ring and an entry


def test_one_who_plays_on_and_then_a_rest_are_inside_the_song() -> None:
    score = Score(140.0)
    score.play(5.0, 60.0, rings_s=0.0)
    score.sound(GUITAR, 60.0, 64.0)
    score.play(69.0, 120.0)
    assert len(songs_in(score)) == 1


def test_two_rests_with_one_alone_between_them_part_two_songs() -> None:
    score = Score(140.0)
    score.play(5.0, 60.0, rings_s=0.0)
    score.sound(GUITAR, 62.0, 64.0)
    score.play(66.0, 126.0)
    assert len(songs_in(score)) == 2


@pytest.mark.parametrize(("held_s", "songs"), [(7.0, 1), (8.0, 2)])
def test_silence_of_more_than_seven_and_a_half_seconds_parts_two_songs(held_s: float, songs: int) -> None:
    score = Score(150.0)
    score.play(5.0, 60.0, rings_s=0.0)
    score.play(60.0 + held_s, 125.0)
    assert len(songs_in(score)) == songs


@pytest.mark.parametrize(("held_s", "songs"), [(19.0, 1), (21.5, 2)])
def test_one_alone_for_more_than_twenty_seconds_parts_two_songs(held_s: float, songs: int) -> None:
    score = Score(160.0)
    score.play(5.0, 60.0, rings_s=0.0)
    score.sound(GUITAR, 60.0, 60.0 + held_s)
    score.play(60.0 + held_s, 130.0)
    assert len(songs_in(score)) == songs


def test_two_rests_of_little_more_than_a_second_part_two_songs_too() -> None:
    score = Score(140.0)
    score.play(5.0, 60.0, rings_s=0.0)
    score.sound(GUITAR, 61.1, 63.5)
    score.play(64.6, 126.0)
    assert len(songs_in(score)) == 2


@pytest.mark.parametrize(("talks_s", "songs"), [(0.5, 1), (1.0, 2)])
def test_a_word_in_a_rest_is_no_talk_and_a_sentence_is(talks_s: float, songs: int) -> None:
    score = Score(140.0)
    score.play(5.0, 60.0, rings_s=0.0)
    score.sound(VOICE, 62.0, 62.0 + talks_s)
    score.play(66.0, 126.0)
    assert len(songs_in(score)) == songs


@pytest.mark.parametrize(("seconds", "tries"), [(4.0, 0), (7.0, 1)])
def test_the_band_for_less_than_five_seconds_is_not_even_a_false_start(seconds: float, tries: int) -> None:
    score = Score(60.0)
    score.play(20.0, 20.0 + seconds, rings_s=0.5)
    assert len(songs_in(score)) == tries


def test_a_voice_alone_over_one_who_plays_on_is_inside_the_song() -> None:
    score = Score(140.0)
    score.play(5.0, 60.0, rings_s=0.0)
    score.sound(GUITAR, 60.0, 72.0)
    score.sound(VOICE, 62.0, 71.0)
    score.play(72.0, 120.0)
    assert len(songs_in(score)) == 1


def test_a_count_in_soon_after_the_first_bars_is_a_new_try() -> None:
    """A drummer may count through a break, but nobody takes a break after 20 s."""
    score = Score(140.0)
    score.play(5.0, 25.0, rings_s=0.5)
    score.clicks(27.0)
    score.play(29.0, 100.0)
    left_out, song = songs_in(score)
    assert (left_out.keep, song.keep) == (False, True)


@pytest.mark.parametrize(("swell_db", "ends_s"), [(4.0, 94.0), (10.0, 87.0)])
def test_only_what_clearly_rises_in_the_ring_out_is_new_playing(swell_db: float, ends_s: float) -> None:
    score = Score(120.0)
    score.play(10.0, 80.0, rings_s=0.0)
    score.sound(GUITAR, 80.0, 81.0, 0.0, -26.0)
    score.sound(GUITAR, 81.0, 87.0, -26.0)
    score.sound(GUITAR, 87.0, 90.0, -26.0 + swell_db)
    score.sound(GUITAR, 90.0, 95.0, -26.0 + swell_db, -60.0)
    (song,) = songs_in(score)
    assert song.end.at_s == pytest.approx(ends_s, abs=0.5)


def test_talk_while_the_last_chord_is_still_loud_does_not_end_the_song() -> None:
    score = Score(120.0)
    score.play(10.0, 80.0, rings_s=0.0)
    score.sound(GUITAR, 80.0, 90.0, 0.0, -60.0)
    score.sound(VOICE, 81.0, 82.5)
    (song,) = songs_in(score)
    assert song.end.at_s == pytest.approx(80.0 + 10.0 * 50.0 / 60.0 + 0.5, abs=0.06)
    assert "died" in song.end.because


def test_a_ring_that_others_drown_is_in_the_song_while_it_falls() -> None:
    score = Score(60.0)
    score.play(10.0, 40.0, rings_s=0.0)
    score.sound(OVERHEAD, 40.0, 41.0, -6.0, -66.0)
    score.sound(GUITAR, 40.0, 44.0, 0.0, -60.0)
    score.over_bleed_db[GUITAR, :, 400:] = -3.0
    # Somebody goes to the amplifier.
    score.powers[GUITAR, :, 450:500] = 1e-4
    (song,) = songs_in(score)
    assert song.end.because == "the last note has died away"
    assert 43.2 <= song.end.at_s <= 44.0


def test_one_who_plays_the_last_bars_alone_is_in_the_song() -> None:
    score = Score(120.0)
    score.play(10.0, 80.0, rings_s=0.0)
    score.sound(GUITAR, 80.0, 88.0)
    score.sound(GUITAR, 88.0, 92.0, 0.0, -60.0)
    (song,) = songs_in(score)
    assert song.end.at_s == pytest.approx(88.0 + 4.0 * 50.0 / 60.0 + 0.5, abs=0.06)


def test_the_ring_is_measured_from_the_last_bars_that_one_plays_alone() -> None:
    """They are soft, so the ring after them may be softer still before talk ends the song."""
    score = Score(140.0)
    score.play(10.0, 80.0, rings_s=0.0)
    score.sound(GUITAR, 80.0, 86.0, -15.0)
    score.sound(GUITAR, 86.0, 95.0, -15.0, -60.0)
    score.sound(VOICE, 88.0, 89.0)
    (song,) = songs_in(score)
    assert "died" in song.end.because
    assert song.end.at_s == pytest.approx(86.0 + 7.0 + 0.5, abs=0.15)


def test_a_ring_of_more_than_twelve_seconds_after_ten_is_cut() -> None:
    score = Score(140.0)
    score.play(10.0, 80.0, rings_s=0.0)
    score.sound(GUITAR, 80.0, 90.0)
    score.sound(GUITAR, 90.0, 108.0, 0.0, -60.0)
    (song,) = songs_in(score)
    assert song.end.at_s == pytest.approx(102.0, abs=0.15)
    assert "quietest" in song.end.because


def test_nine_seconds_of_one_alone_and_their_long_ring_are_in_the_song() -> None:
    """A long outro: nothing is cut as long as one plays alone for less than ten seconds."""
    score = Score(140.0)
    score.play(10.0, 80.0, rings_s=0.0)
    score.sound(GUITAR, 80.0, 89.0)
    score.sound(GUITAR, 89.0, 101.0, 0.0, -60.0)
    (song,) = songs_in(score)
    assert song.end.at_s == pytest.approx(89.0 + 12.0 * 50.0 / 60.0 + 0.5, abs=0.1)
    assert "died" in song.end.because


def test_a_song_is_cut_where_it_is_quietest_if_somebody_never_stops() -> None:
    score = Score(140.0)
    score.play(10.0, 80.0, rings_s=0.0)
    score.sound(GUITAR, 80.0, 140.0, -1.0)
    score.sound(GUITAR, 95.0, 96.0, -8.0)
    (song,) = songs_in(score)
    assert 95.0 <= song.end.at_s < 96.0
    assert song.end.sure < 0.5


def test_a_recording_that_stops_while_the_band_plays_ends_the_song() -> None:
    score = Score(80.0)
    score.play(10.0, 80.0, rings_s=0.0)
    (song,) = songs_in(score)
    assert song.end.at_s == pytest.approx(80.0, abs=0.2)


def test_where_the_band_simply_comes_in_the_song_begins_just_before() -> None:
    score = Score(120.0)
    score.play(10.0, 90.0)
    (song,) = songs_in(score)
    assert song.start.at_s == pytest.approx(9.6, abs=0.05)
    assert "no count-in" in song.start.because


def test_an_intro_reaches_back_over_short_rests_to_the_end_of_the_last_song() -> None:
    score = Score(200.0)
    score.play(5.0, 75.0, rings_s=0.0)
    score.sound(GUITAR, 75.0, 85.0, 0.0, -60.0)
    # The bass plays into the ring, goes on alone with a short rest, and the band comes in.
    score.sound(BASS, 82.0, 96.0)
    score.sound(BASS, 97.2, 105.0)
    score.play(105.0, 175.0)
    first, second = songs_in(score)
    assert first.end.at_s <= second.start.at_s
    assert second.start.at_s == pytest.approx(97.2 - 0.4, abs=0.05)
    assert "for 8 s" in second.start.because


def test_an_intro_is_no_longer_than_since_the_end_of_the_last_song() -> None:
    score = Score(200.0)
    score.play(5.0, 75.0, rings_s=0.0)
    score.sound(GUITAR, 75.0, 85.0, 0.0, -60.0)
    score.sound(BASS, 79.5, 105.0)
    score.play(105.0, 175.0)
    first, second = songs_in(score)
    assert 75.0 < first.end.at_s == second.start.at_s < 80.0
    assert f"for {105.0 - first.end.at_s:.0f} s" in second.start.because


def test_every_first_and_last_note_is_an_edge_and_those_of_songs_keep_their_reasons() -> None:
    """A pause of more than a second has a last and a first note, and playing of less than a second has none.

    Where the band comes in after a count-in is an edge too.
    """
    score = Score(120.0)
    score.clicks(8.0)
    score.play(10.0, 80.0)
    score.sound(BASS, 90.0, 93.0)
    score.sound(BASS, 94.0, 97.0)
    score.sound(BASS, 98.2, 101.0)
    score.sound(BASS, 105.0, 105.9)
    songs = songs_in(score)
    edges = find_edges(score.activity(), score.families, songs)
    assert [edge.at_s for edge in edges.starts] == pytest.approx([7.6, 9.6, 89.6, 97.8], abs=0.01)
    assert edges.starts[0] == songs[0].start
    assert [edge.because for edge in edges.starts[2:]] == ["the first note", "the first note"]
    assert edges.starts[2].sure == 0.7
    assert [edge.at_s for edge in edges.ends] == pytest.approx([songs[0].end.at_s, 97.5, 101.5], abs=0.2)


def test_a_count_in_is_an_edge_besides_the_first_note_after_it() -> None:
    """Clicks that the drums do not play; nobody has found a song yet."""
    score = Score(60.0, ("drums", "vocals", "bass", "guitars", "guitars", "vocals"))
    score.clicks(11.5)
    score.play(13.5, 40.0)
    edges = find_edges(score.activity(), score.families, ())
    assert [(edge.at_s, edge.because) for edge in edges.starts] == [
        (pytest.approx(11.1), "counted in: 4 clicks"),
        (pytest.approx(13.1), "the first note"),
    ]
    assert edges.starts[0].sure > edges.starts[1].sure
    early = Score(60.0)
    early.play(0.2, 40.0)
    assert find_edges(early.activity(), early.families, ()).starts[0].at_s == 0.0


def test_what_is_sure_about_a_boundary_depends_on_what_was_heard() -> None:
    def start(clicks: int) -> float:
        score = Score(120.0)
        score.clicks(14.0 - 0.5 * clicks, clicks)
        score.play(14.0, 84.0)
        return songs_in(score)[0].start.sure

    def end(who: int | None) -> float:
        score = Score(120.0)
        score.play(10.0, 80.0, rings_s=0.0)
        score.sound(GUITAR, 80.0, 90.0, 0.0, -60.0)
        if who is not None:
            score.sound(who, 87.0, 100.0)
        # Whether a song is whole shows in its form; here only the boundary matters.
        return min(songs_in(score)[0].end.sure, 1.0)

    assert start(4) > 0.9 > start(3) > 0.7 >= start(0) > 0.6
    assert end(None) >= end(VOICE) >= end(BASS) > 0.5


def test_what_is_asked_about_first_is_the_boundary_that_was_heard_least() -> None:
    """A cut into playing that goes on is less sure than an entry after an intro of one alone, and that than others."""
    score = Score(140.0)
    score.drum(10.0, 18.0)
    score.play(18.0, 80.0, rings_s=0.0)
    score.sound(GUITAR, 80.0, 140.0, -1.0)
    (song,) = songs_in(score)
    plain = Score(120.0)
    plain.play(10.0, 80.0)
    assert song.end.sure < song.start.sure < songs_in(plain)[0].start.sure
    assert song.start.unsure
    assert not songs_in(plain)[0].start.unsure


def test_edges_are_where_songs_and_everybody_elses_playing_start_and_end() -> None:
    score = two_songs()
    score.sound(BASS, 92.0, 97.0)
    score.sound(GUITAR, 180.0, 180.5)
    songs = songs_in(score)
    edges = find_edges(score.activity(), score.families, songs)
    for song in songs:
        assert song.start in edges.starts
        assert song.end in edges.ends
    # The band's entries after the count-ins, and a bass that is tried out; half a second of guitar is nothing.
    alone = [(round(edge.at_s), edge.because) for edge in edges.starts if edge not in [song.start for song in songs]]
    assert alone == [(14, "the band comes in"), (92, "the first note"), (104, "the band comes in")]
    assert [edge.at_s for edge in edges.starts] == sorted(edge.at_s for edge in edges.starts)
    assert any(96.5 < edge.at_s < 98.5 for edge in edges.ends)
