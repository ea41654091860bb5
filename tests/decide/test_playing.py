"""Who plays in each frame of a take, told from a few sounds in an otherwise silent one."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from decide.made import BASS, GUITAR, KICK, OTHER_GUITAR, OVERHEAD, VOICE, Score
from morningmix.decide.playing import Band, closed, opened, runs_of, who_plays


def band(score: Score) -> Band:
    return who_plays(score.activity(), score.families)


def spans(mask: NDArray[np.bool_]) -> list[tuple[float, float]]:
    """Runs of a mask in seconds."""
    return [(start / 10.0, stop / 10.0) for start, stop in runs_of(mask)]


def mask_of(text: str) -> NDArray[np.bool_]:
    return np.array([sign == "#" for sign in text])


def text_of(mask: NDArray[np.bool_]) -> str:
    return "".join("#" if one else "." for one in mask)


def test_runs_reach_from_the_first_frame_to_the_one_after_the_last() -> None:
    assert runs_of(mask_of("##..#.###")) == [(0, 2), (4, 5), (6, 9)]
    assert runs_of(mask_of("....")) == []


def test_gaps_between_runs_are_filled_up_to_a_length_and_no_others() -> None:
    assert text_of(closed(mask_of("..#.#..#...#.."), 0.5, 1.0)) == "..######...#.."


def test_runs_of_less_than_a_length_are_taken_out() -> None:
    assert text_of(opened(mask_of("#.##.###..####"), 0.5, 1.5)) == ".....###..####"


def test_an_instrument_plays_while_its_own_sound_is_near_its_loud_level() -> None:
    score = Score(37.0)
    score.sound(GUITAR, 2.0, 6.0)
    score.sound(GUITAR, 8.0, 10.0, -25.0)
    # Rings far below, and loud but no louder than the bleed that is expected there.
    score.sound(GUITAR, 12.0, 16.0, -35.0)
    score.sound(GUITAR, 18.0, 22.0, -8.0)
    score.over_bleed_db[GUITAR, :, 180:220] = 2.0
    # Five decibels over the bleed are enough.
    score.sound(GUITAR, 24.0, 28.0)
    score.over_bleed_db[GUITAR, :, 240:280] = 5.0
    # So is its loud level, where the bleed is overrated.
    score.sound(GUITAR, 31.0, 35.0, -4.0)
    score.over_bleed_db[GUITAR, :, 310:350] = 2.0
    found = band(score)
    assert spans(found.players > 0) == [(2.0, 6.0), (8.0, 10.0), (24.0, 28.0), (31.0, 35.0)]
    assert found.players.max() == 1
    assert not found.drums.any()
    assert not found.voices.any()


def test_a_rest_of_a_second_is_played_through_and_a_blip_is_nobody() -> None:
    score = Score(20.0)
    score.sound(BASS, 2.0, 4.0)
    score.sound(BASS, 5.0, 6.0)
    score.sound(BASS, 7.2, 9.0)
    score.sound(BASS, 12.0, 12.2)
    assert spans(band(score).players > 0) == [(2.0, 6.0), (7.2, 9.0)]


def test_a_voice_talks_where_it_stands_six_decibels_above_the_bleed() -> None:
    score = Score(20.0)
    score.sound(VOICE, 2.0, 5.0)
    score.sound(VOICE, 8.0, 11.0)
    score.over_bleed_db[VOICE, :, 80:110] = 5.0
    score.sound(VOICE, 14.0, 17.0, -35.0)
    found = band(score)
    assert spans(found.voices) == [(2.0, 5.0)]
    assert not found.players.any()


def test_drums_go_on_while_hits_follow_within_two_seconds() -> None:
    score = Score(20.0)
    for at_s in (2.0, 4.0, 6.0, 8.4, 8.9):
        score.hit(at_s, KICK, OVERHEAD)
    assert spans(band(score).drums) == [(2.0, 6.1), (8.4, 9.0)]


def test_a_kit_that_sounds_without_a_break_plays_without_hits() -> None:
    score = Score(30.0)
    score.sound(OVERHEAD, 2.0, 6.0)
    score.sound(OVERHEAD, 6.4, 8.0, -12.0)
    score.sound(OVERHEAD, 12.0, 13.5)
    score.sound(OVERHEAD, 16.0, 20.0, -18.0)
    # A gap of 0.7 s parts two sounds of 1.5 s; one of 2.2 s is long enough.
    score.sound(OVERHEAD, 21.0, 22.5)
    score.sound(OVERHEAD, 23.2, 24.7)
    score.sound(OVERHEAD, 26.0, 28.2)
    assert spans(band(score).drums) == [(2.0, 8.0), (26.0, 28.2)]


def test_a_hit_is_the_highest_of_the_rises_near_it_in_the_drums_own_sound() -> None:
    score = Score(20.0)
    for at_s in np.arange(2.0, 4.0, 0.5):
        score.hit(float(at_s), KICK)
    # At the end of a frame: it sounds in the next one.
    score.rises_db[KICK, 308] = 10.0
    score.sound(KICK, 6.2, 6.3)
    # Two hops before and after it rises less; another drum's microphone rises there too; and a rise without a sound.
    score.rises_db[KICK, [306, 310]] = 8.0
    score.rises_db[OVERHEAD, 309] = 9.0
    score.rises_db[KICK, 500] = 20.0
    # Under 6 dB it is no hit.
    score.rises_db[KICK, 400] = 5.9
    score.sound(KICK, 8.0, 8.1)
    assert band(score).hits_s.tolist() == pytest.approx([2.0, 2.5, 3.0, 3.5, 6.16])


def test_clicks_are_hits_that_no_close_drum_microphone_picks_up() -> None:
    score = Score(30.0)
    score.clicks(4.0)
    score.drum(6.0, 16.0)
    found = band(score)
    assert found.clicks_s.tolist() == pytest.approx([4.0, 4.5, 5.0, 5.5])
    assert found.beats_s.tolist() == pytest.approx(np.arange(6.0, 16.0, 0.5).tolist())
    assert sorted([*found.clicks_s, *found.beats_s]) == found.hits_s.tolist()


def test_ticks_are_sharp_sounds_in_any_input_while_no_instrument_plays() -> None:
    score = Score(30.0)
    score.drum(10.0, 16.0)
    score.sound(GUITAR, 20.0, 24.0)
    for who, hop in ((VOICE, 100), (GUITAR, 200), (VOICE, 1100), (VOICE, 502)):
        score.rises_db[who, hop] = 12.0
        score.rises_db[who, [hop - 2, hop + 2]] = 11.0
    score.rises_db[VOICE, 300] = 9.0
    # At 2 and 4 s; not while the guitar plays, not beside a beat of the drums, and not under 10 dB.
    assert band(score).ticks_s.tolist() == pytest.approx([2.0, 4.0])


@pytest.mark.parametrize(
    ("who", "drums", "together"),
    [
        ((GUITAR,), True, True),
        ((), True, False),
        ((VOICE,), True, False),
        ((GUITAR, VOICE), False, False),
        ((GUITAR, BASS, VOICE), False, True),
        ((GUITAR, BASS), False, False),
        ((GUITAR, BASS, OTHER_GUITAR), False, True),
    ],
)
def test_who_makes_a_band(who: tuple[int, ...], drums: bool, together: bool) -> None:
    score = Score(20.0)
    if drums:
        score.drum(4.0, 12.0)
    for one in who:
        score.sound(one, 5.0, 10.0)
    assert spans(band(score).together) == ([(5.0, 10.0)] if together else [])


@pytest.mark.parametrize(
    ("families", "together"),
    [(("guitars", "vocals"), True), (("guitars", "vocals", "drums"), False), (("guitars", "vocals", "bass"), False)],
)
def test_one_who_plays_and_sings_is_the_band_where_there_is_nobody_else(
    families: tuple[str, ...], together: bool
) -> None:
    score = Score(20.0, families)
    score.sound(0, 5.0, 10.0)
    score.sound(1, 5.0, 10.0)
    assert band(score).together.any() == together


def test_what_rings_is_the_loudest_of_the_own_sounds_re_its_loud_level() -> None:
    score = Score(30.0)
    score.sound(GUITAR, 2.0, 12.0)
    score.sound(BASS, 2.0, 12.0, -3.0)
    score.sound(GUITAR, 12.0, 16.0, -20.0)
    score.sound(BASS, 12.0, 14.0, -13.0)
    score.sound(VOICE, 17.0, 20.0)
    # Too little over the bleed to be played, enough to be what rings.
    score.over_bleed_db[GUITAR, :, 140:160] = 2.0
    # Hardly over the bleed it is not even that.
    score.sound(GUITAR, 22.0, 26.0, -20.0)
    score.over_bleed_db[GUITAR, :, 220:260] = 0.7
    found = band(score)
    assert found.rings_db[50] == pytest.approx(0.0, abs=0.1)
    # The bass is 10 dB under its own loud level.
    assert found.rings_db[130] == pytest.approx(-10.0, abs=0.1)
    assert found.rings_db[150] == pytest.approx(-20.0, abs=0.1)
    assert found.plays_db[130] == pytest.approx(-10.0, abs=0.1)
    assert found.plays_db[150] <= -100.0
    assert found.rings_db[240] <= -100.0
    # A voice does not ring.
    assert found.rings_db[185] <= -100.0


def test_an_input_with_hardly_any_own_sound_plays_nothing() -> None:
    score = Score(20.0)
    score.sound(GUITAR, 2.0, 2.9)
    assert not band(score).players.any()
    score.sound(GUITAR, 2.0, 3.0)
    assert spans(band(score).players > 0) == [(2.0, 3.0)]
