"""Words for two mixes of a song, from two recall sheets' worth of facts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from morningmix.model.plan import Move, SongPlan, TrackPlan
from morningmix.model.tempo import Tempo
from morningmix.report.two_mixes import (
    Played,
    left_out_in_words,
    levels,
    levels_in_words,
    moves_in_words,
    same_beat,
    time_in_words,
)

LAST = "than last time"


def tempo(bpm: float | Sequence[float], other_bpm: float | None = None, beats: int = 160) -> Tempo:
    """One tempo, or one for each beat."""
    each = np.full(beats, bpm) if isinstance(bpm, float) else np.asarray(bpm)
    beats_s = np.concatenate([[0.0], np.cumsum(60.0 / each)])
    return Tempo(tempo_bpm=float(np.median(each)), other_bpm=other_bpm, beats_s=tuple(beats_s.tolist()))


def track(name: str, family: str, player: str | None = None, role: str | None = None, **more: Any) -> TrackPlan:
    role = role or name
    return TrackPlan(
        files=(f"{name}.wav",), name=name, role=role, role_is_guess=False, family=family, player=player, **more
    )


BAND = (
    track("kick", "drums"),
    track("snare", "drums"),
    track("bass", "bass", "Ida"),
    track("gtr 1", "guitars", "Theo", "electric guitar"),
    track("gtr 2", "guitars", role="acoustic guitar"),
    track("Ana", "vocals", "Ana", "lead vocal"),
)
BALANCE = {"drums": -4.0, "bass": -8.0, "guitars": -7.0, "vocals": -5.0}
LEVELS = (-10.0, -11.0, -8.0, -10.0, -11.0, -4.0)


def played(tracks: Sequence[TrackPlan] = BAND, **more: Any) -> Played:
    plan = SongPlan(
        title="Blue",
        start_s=0.0,
        end_s=200.0,
        rate_hz=48_000,
        tracks=tuple(tracks),
        reverb=None,
        target_lufs=-16.0,
        ceiling_dbtp=-1.0,
        max_limiting_db=3.0,
    )
    known: dict[str, Any] = {"tempo": None, "seconds": 200.0, "balance_lu": BALANCE, "levels_lu": LEVELS}
    return Played(plan=plan, **(known | more))


def time(before: Tempo | None, after: Tempo | None, before_s: float = 200.0, after_s: float = 200.0) -> str:
    return time_in_words(played(tempo=before, seconds=before_s), played(tempo=after, seconds=after_s), LAST)


RAMP = np.linspace(122.0, 125.0, 160)
JUMP = np.repeat([122.0, 128.0], 80)


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        (tempo(120.0), tempo(124.0), "4 BPM faster than last time"),
        (tempo(120.0), tempo(116.4), "4 BPM slower than last time"),
        (tempo(120.0), tempo(121.4), ""),
        (tempo(119.5), tempo(np.linspace(121.5, 125.5, 160)), "4 BPM faster than last time, and 3 faster"),
        (tempo(123.5), tempo(np.linspace(121.5, 125.5, 160)), "3 BPM faster at the end than at the start"),
        (tempo(125.0), tempo(JUMP), "6 BPM faster at the end than at the start, most of it around 0:39"),
        (tempo(JUMP), tempo(125.0), "steadier than last time, when the end was 6 BPM faster than the start"),
        # Half, double, threes: they count different beats, which says nothing of how fast anybody played.
        (tempo(62.0), tempo(124.0), ""),
        (tempo(124.0), tempo(62.0), ""),
        (tempo(80.0), tempo(120.0), ""),
        # In doubt: the share is the same whichever of the two it is.
        (tempo(120.0), tempo(124.8, 62.0), "4 % faster than last time"),
        (tempo(76.0, 152.0), tempo(73.5, 147.0), "3 % slower than last time"),
        (tempo(120.0, 240.0), tempo(JUMP), "4 % faster than last time, and 5 % faster at the end than at the start"),
        (tempo(JUMP, 62.0), tempo(125.0), "steadier than last time, when the end was 5 % faster than the start"),
        (tempo(62.0, 124.0), tempo(124.0, 62.0), ""),
        # Not known.
        (None, tempo(124.0), ""),
        (tempo(124.0), None, ""),
        (None, None, ""),
        # What is sure of one of them is said of that one.
        (None, tempo(JUMP), "6 BPM faster at the end than at the start"),
        (tempo(62.0), tempo(JUMP), "6 BPM faster at the end than at the start"),
        (None, tempo(JUMP, 62.0), "5 % faster at the end than at the start"),
    ],
)
def test_tempo_is_compared_as_far_as_it_is_sure(before: Tempo | None, after: Tempo | None, says: str) -> None:
    got = time(before, after)
    assert got.startswith(says) if says else got == ""
    assert ("last time" in got) == ("last time" in says)


def test_a_slow_drift_has_no_place() -> None:
    assert "around" not in time(tempo(120.0), tempo(np.linspace(115.0, 125.0, 160)))


def test_a_song_of_a_few_beats_or_none_has_no_drift() -> None:
    for beats_s in ((), (0.5,), (0.5, 1.0, 1.4)):
        few = Tempo(tempo_bpm=124.0, other_bpm=None, beats_s=beats_s)
        assert time(few, few) == ""
        assert time(tempo(120.0), few) == "4 BPM faster than last time"


@pytest.mark.parametrize(
    ("after_s", "says"),
    [
        (182.0, "18 s shorter than last time"),
        (230.4, "30 s longer than last time"),
        (272.0, "1:12 longer than last time"),
        (201.5, ""),
    ],
)
def test_length_is_compared(after_s: float, says: str) -> None:
    assert time(None, None, 200.0, after_s) == says


def test_tempo_comes_before_length_and_last_time_is_said_once() -> None:
    assert time(tempo(120.0), tempo(124.0), 200.0, 182.0) == "4 BPM faster than last time; 18 s shorter"
    drifts = time(None, tempo(JUMP), 200.0, 182.0)
    assert drifts.endswith("; 18 s shorter than last time")


def test_half_and_double_are_no_same_beat() -> None:
    assert same_beat(tempo(120.0), tempo(130.0))
    assert not same_beat(tempo(62.0), tempo(124.0))
    assert not same_beat(tempo(120.0, 60.0), tempo(120.0))
    assert not same_beat(None, tempo(120.0))


def said(before: Played, after: Played) -> str:
    return levels_in_words(levels(before, after), LAST)


def test_players_are_named_the_largest_difference_first() -> None:
    after = played(
        balance_lu=BALANCE | {"drums": -2.4, "vocals": -6.4}, levels_lu=(-10.0, -11.0, -8.0, -13.2, -10.5, -5.5)
    )
    assert (
        said(played(), after)
        == "Theo's electric guitar is 3 dB softer than last time, the drums 2 dB louder, Ana's lead vocal 1 dB softer"
    )


def test_a_decibel_is_no_difference() -> None:
    assert said(played(), played(balance_lu=BALANCE | {"drums": -5.0})) == ""
    assert said(played(), played(balance_lu=BALANCE | {"drums": -5.1})) == "the drums are 1 dB softer than last time"


def test_who_is_a_family_alone_is_measured_whatever_the_sheets_say() -> None:
    after = played(balance_lu=BALANCE | {"bass": -5.0}, levels_lu=None)
    assert said(played(levels_lu=None), after) == "Ida's bass is 3 dB louder than last time"


def test_without_levels_in_both_sheets_nothing_is_said_of_one_of_several() -> None:
    louder = played(balance_lu=BALANCE | {"guitars": -1.0})
    assert said(played(levels_lu=None), louder) == ""
    assert [level.who for level in levels(played(levels_lu=None), louder)] == [
        "the drums",
        "Ida's bass",
        "Ana's lead vocal",
    ]


def test_an_input_that_rests_is_not_compared() -> None:
    rests = (*LEVELS[:3], None, *LEVELS[4:])
    assert said(played(), played(levels_lu=rests)) == ""


def test_a_player_who_came_later_is_not_compared_with_another() -> None:
    """Another guitarist: the guitar is compared, and named for neither."""
    lone = [one for one in BAND if one.name != "gtr 2"]
    others = [replace(one, player="Mia") if one.player == "Theo" else one for one in lone]
    mixes = [
        played(tracks, levels_lu=LEVELS[:5], balance_lu=BALANCE | {"guitars": level})
        for tracks, level in ((lone, -7.0), (others, -10.0))
    ]
    assert said(*mixes) == "the electric guitar is 3 dB softer than last time"


def test_an_input_with_another_name_is_its_players_still() -> None:
    renamed = [replace(one, name="amp left") if one.player == "Theo" else one for one in BAND]
    after = played(renamed, levels_lu=(*LEVELS[:3], -6.0, *LEVELS[4:]))
    assert said(played(), after) == "Theo's electric guitar is 4 dB louder than last time"


def test_what_is_left_out_of_a_mix_is_not_compared() -> None:
    without = [replace(one, family="") if one.player == "Ana" else one for one in BAND]
    assert said(played(), played(without, balance_lu={"drums": -1.0})) == "the drums are 3 dB louder than last time"


def test_moves_within_the_song_are_named() -> None:
    up = Move(from_s=20.0, to_s=40.0, level_db=2.0, ramp_s=0.3)
    before, after = (
        played([replace(one, moves=moves) if one.name == "Ana" else one for one in BAND]).plan
        for moves in ((), (up, replace(up, from_s=60.0, to_s=75.0, level_db=-1.5)))
    )
    assert moves_in_words(before, after) == ("Ana: none, then +2.0 dB from 0:20 to 0:40 and −1.5 dB from 1:00 to 1:15",)
    assert moves_in_words(after, before)[0].endswith("1:15, then none")
    assert moves_in_words(after, after) == ()


def test_what_is_left_out_is_said_with_its_time() -> None:
    beats_s = [0.5 * beat for beat in range(241)]
    assert left_out_in_words([], beats_s, 240) == ""
    assert left_out_in_words([(96, 160)], beats_s, 240) == "without the part from 0:48 to 1:20 of the time before"
    assert left_out_in_words([(0, 40), (200, 240)], beats_s, 240) == (
        "without its beginning, up to 0:20 of the time before and without its end, from 1:40 of the time before"
    )
