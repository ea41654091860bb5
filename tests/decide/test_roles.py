"""Roles from names and from sound, and who leads."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from decide.made import CENTRES_HZ, HITS, STEADY, an_input, bump, facts_of, measurements, recordings
from morningmix.decide.roles import choose_lead, guess_no_parts, guess_roles, identify, sings_alone_s
from morningmix.files.presets import load_roles, role_from_name
from morningmix.model.input import Input
from morningmix.model.measured import Singing, SumOfOthers, Ticking, TrackFacts
from morningmix.model.recipe import InputWish


@pytest.mark.parametrize(
    ("role", "facts"),
    [
        ("kick", facts_of(bump(60.0, 0.7), HITS, 14.0)),
        ("snare", facts_of(bump(250.0, 1.0), HITS, 14.0)),
        ("bass", facts_of(bump(90.0, 1.0), STEADY)),
        ("electric guitar", facts_of(bump(900.0, 1.5), STEADY)),
        ("playback", facts_of(bump(500.0, 2.0), np.where(np.arange(100) < 30, 1e-2, 1e-9), channels=2)),
        ("keys", facts_of(bump(500.0, 2.0), STEADY, channels=2, side_fraction=0.1)),
        ("other", facts_of(bump(500.0, 2.0), np.full(100, 1e-12), peak_dbfs=-100.0)),
    ],
)
def test_a_role_from_the_sound_alone(role: str, facts: TrackFacts) -> None:
    (guess,) = guess_roles(measurements(facts))
    assert guess.role == role
    assert guess.because


def test_the_brightest_open_microphone_beside_drums_is_the_overhead() -> None:
    voice = facts_of(bump(1_500.0, 2.0) + 0.2 * bump(10_000.0, 1.0), STEADY)
    other = facts_of(bump(1_300.0, 2.0) + 0.2 * bump(10_000.0, 1.0), STEADY)
    cymbals = facts_of(bump(6_000.0, 1.5) + bump(12_000.0, 1.0), STEADY)
    kick = facts_of(bump(60.0, 0.7), HITS, 14.0)
    guesses = guess_roles(measurements(voice, cymbals, other, kick))
    assert [guess.role for guess in guesses] == ["lead vocal", "overhead", "backing vocal", "kick"]
    # Without a drum, no microphone hears cymbals.
    assert [guess.role for guess in guess_roles(measurements(voice, cymbals))] == ["lead vocal", "backing vocal"]


def identified(names: Sequence[str], *wishes: InputWish) -> tuple[Input, ...]:
    roles = load_roles()
    facts = [facts_of(bump(90.0, 1.0), STEADY, files=(f"{name}.wav",)) for name in names]
    return identify(
        recordings(*names),
        measurements(*facts),
        {wish.files: wish for wish in wishes},
        roles,
        lambda name: role_from_name(name, roles),
    )


def test_what_is_written_comes_before_the_name_and_the_name_before_the_sound() -> None:
    written, named, heard = identified(
        ["snare top", "kick in", "TRK03"], InputWish(files=("snare top.wav",), role="keys", name="Piano")
    )
    assert (written.role, written.name, written.role_is_guess) == ("keys", "Piano", False)
    assert (named.role, named.name, named.role_is_guess) == ("kick", "kick in", False)
    assert (heard.role, heard.name, heard.role_is_guess) == ("bass", "bass", True)
    assert all(one.role_because for one in (written, named, heard))


def test_names_that_no_one_could_type_are_written_so_that_one_can() -> None:
    turned, odd = identified(["kick\u202e", "snare\x1b[31m"])
    assert (turned.name, odd.name) == ("kick\\u202e", "snare\\x1b[31m")


def test_names_that_differ_by_what_stands_between_their_words_are_numbered() -> None:
    names = [input_.name for input_ in identified(["gtr_1", "gtr 1", "GTR-1", "kick"])]
    assert names == ["gtr_1 1", "gtr 1 2", "GTR-1 3", "kick"]


def test_a_role_with_a_question_mark_stays_a_guess() -> None:
    (input_,) = identified(["TRK01"], InputWish(files=("TRK01.wav",), role="keys", role_is_guess=True))
    assert (input_.role, input_.role_is_guess) == ("keys", True)


def test_names_are_made_distinct() -> None:
    inputs = identified(["TRK01", "TRK02", "x"], InputWish(files=("x.wav",), name="Bass-1", role="bass"))
    assert [input_.name for input_ in inputs] == ["bass 2", "bass 3", "Bass-1"]


def test_the_vocal_that_sings_alone_most_leads() -> None:
    roles = load_roles()
    facts = [facts_of(bump(1_500.0, 2.0), STEADY) for _ in range(3)]
    voices = [replace(an_input("backing vocal", track, i), role_is_guess=True) for i, track in enumerate(facts)]
    chosen = choose_lead(voices, {0: 3.0, 1: 40.0, 2: 10.0}, roles)
    assert [one.role for one in chosen] == ["backing vocal", "lead vocal", "backing vocal"]
    assert len({one.name for one in chosen}) == 3
    written = [replace(an_input("lead vocal", facts[0], 0), role_is_guess=False), *voices[1:]]
    assert [one.role for one in choose_lead(written, {1: 40.0}, roles)] == [
        "lead vocal",
        "backing vocal",
        "backing vocal",
    ]
    assert choose_lead(written[:1], {}, roles) == (written[0],)


def test_a_voice_sings_alone_where_no_other_voice_does() -> None:
    facts = facts_of(bump(1_000.0, 2.0), STEADY)
    inputs = [an_input(role, facts, index) for index, role in enumerate(("lead vocal", "backing vocal", "brass"))]
    spans = {0: ((1.0, 4.0),), 1: ((3.0, 6.0),), 2: ((0.0, 10.0),)}
    singing = {index: Singing(open_s=(), sings_s=sings_s, because="") for index, sings_s in spans.items()}
    alone = sings_alone_s(inputs, singing, measurements(facts, facts, facts))
    assert alone == {0: pytest.approx(2.0), 1: pytest.approx(2.0)}
    assert sings_alone_s(inputs, {0: singing[0], 1: None}, measurements(facts, facts, facts)) == {0: pytest.approx(3.0)}


@pytest.mark.parametrize(
    ("centre_hz", "hits", "crest_db", "channels", "side", "role"),
    [
        (60.0, True, 12.0, 1, 0.0, "kick"),
        (60.0, True, 10.0, 1, 0.0, "kick"),
        (60.0, True, 8.0, 1, 0.0, "bass"),
        (60.0, False, 12.0, 1, 0.0, "bass"),
        (300.0, True, 12.0, 1, 0.0, "snare"),
        (400.0, True, 10.0, 1, 0.0, "electric guitar"),
        (900.0, True, 12.0, 1, 0.0, "electric guitar"),
        (400.0, False, 12.0, 2, 0.03, "keys"),
        (400.0, False, 12.0, 2, 0.01, "electric guitar"),
        (400.0, True, 9.0, 2, 0.0, "playback"),
        (9_000.0, False, 9.0, 1, 0.0, "lead vocal"),
    ],
)
def test_a_role_is_guessed_from_pitch_hits_crest_and_width(
    centre_hz: float, hits: bool, crest_db: float, channels: int, side: float, role: str
) -> None:
    facts = facts_of(bump(centre_hz, 0.7), 0.01 * (HITS if hits else STEADY), crest_db, channels, side)
    (guess,) = guess_roles(measurements(facts))
    assert guess.role == role


def test_a_voice_sings_alone_only_where_none_of_two_others_does() -> None:
    facts = facts_of(bump(1_000.0, 2.0), STEADY)
    inputs = [an_input("backing vocal", facts, index) for index in range(3)]
    spans = {0: ((1.0, 9.0),), 1: ((1.0, 3.0),), 2: ((6.0, 9.0),)}
    singing = {index: Singing(open_s=(), sings_s=sings_s, because="") for index, sings_s in spans.items()}
    alone = sings_alone_s(inputs, singing, measurements(facts, facts, facts))
    assert alone == {0: pytest.approx(3.0), 1: 0.0, 2: 0.0}


@pytest.mark.parametrize(
    ("shortest_s", "longest_s", "tempo"), [(0.5, 0.5, "120"), (0.5, 0.504, "119"), (0.4, 0.6, "100 to 150")]
)
def test_a_click_is_told_with_its_tempo(shortest_s: float, longest_s: float, tempo: str) -> None:
    """A minute holds 120 clicks that are half a second apart."""
    guess = guess_no_parts({}, {3: Ticking(shortest_s=shortest_s, longest_s=longest_s)})[3]
    assert guess.role == "click"
    assert f" {tempo} times a minute" in guess.because


def test_a_desk_mix_is_told_with_what_explains_it() -> None:
    guess = guess_no_parts({5: SumOfOthers(explained=0.934, of=(0, 1, 4))}, {})[5]
    assert (guess.role, guess.because) == ("desk mix", "93 % of it is the sum of 3 other inputs")
    measured = measurements(facts_of(bump(90.0, 1.0), STEADY), facts_of(bump(90.0, 1.0), STEADY))
    assert [one.role for one in guess_roles(measured, {1: guess})] == ["bass", "desk mix"]


@pytest.mark.parametrize(
    ("centre_hz", "air_db", "role"),
    [(3_000.0, -8.0, "overhead"), (250.0, -15.0, "lead vocal"), (3_000.0, -18.0, "lead vocal")],
)
def test_an_overhead_is_bright_and_full_of_air(centre_hz: float, air_db: float, role: str) -> None:
    """One of the two is a voice: dark with the cymbals in it, or bright without them."""
    spectrum = with_treble(centre_hz, air_db - 3.0, air_db - 2.0, air_db)
    guesses = guess_roles(measurements(facts_of(bump(60.0, 0.7), HITS, 14.0), facts_of(spectrum, STEADY)))
    assert [guess.role for guess in guesses] == ["kick", role]


@pytest.mark.parametrize(("centre_hz", "role"), [(1_750.0, "backing vocal"), (2_700.0, "other")])
def test_a_microphone_nearly_as_bright_as_the_overhead_is_not_taken_for_a_voice(centre_hz: float, role: str) -> None:
    """It may be a second overhead: a voice's is at least a tenth lower."""
    mics = [facts_of(with_treble(hz, -11.0, -10.0, -8.0), STEADY) for hz in (2_800.0, 600.0, centre_hz)]
    guesses = guess_roles(measurements(*mics, facts_of(bump(60.0, 0.7), HITS, 14.0)))
    assert [guess.role for guess in guesses] == ["overhead", "lead vocal", role, "kick"]
    assert ("say which" in guesses[2].because) == (role == "other")


def test_a_bright_microphone_whose_lows_follow_the_kick_is_the_singing_drummers() -> None:
    """It is nearer to the kick than the overhead, which is as bright here."""
    kick = facts_of(bump(60.0, 0.7), HITS, 14.0)
    drummer, overhead = (
        facts_of(with_treble(2_000.0, -11.0, -10.0, -8.0), level) for level in (np.sqrt(HITS * STEADY), STEADY)
    )
    assert [guess.role for guess in guess_roles(measurements(kick, drummer, overhead))] == [
        "kick", "lead vocal", "overhead",
    ]  # fmt: skip


@pytest.mark.parametrize(("below_db", "role"), [(18.0, "keys"), (23.0, "playback")])
def test_a_stereo_input_that_rests_most_of_the_time_is_a_playback(below_db: float, role: str) -> None:
    """It rests where it is more than 20 dB under its loud level."""
    level = np.where(np.arange(100) < 40, 1e-2, 1e-2 * 10.0 ** (-below_db / 10.0))
    (guess,) = guess_roles(measurements(facts_of(bump(500.0, 2.0), level, channels=2, side_fraction=0.1)))
    assert guess.role == role


@pytest.mark.parametrize(
    ("centre_hz", "hits", "role"),
    [
        (100.0, True, "kick"),
        (122.0, True, "snare"),
        (560.0, True, "snare"),
        (640.0, True, "electric guitar"),
        (280.0, False, "bass"),
        (325.0, False, "electric guitar"),
    ],
)
def test_pitch_parts_drums_from_each_other_and_a_bass_from_a_guitar(centre_hz: float, hits: bool, role: str) -> None:
    """A kick is under 110 Hz, a snare under 600, a bass under 300."""
    facts = facts_of(bump(centre_hz, 0.7), 0.01 * (HITS if hits else STEADY), 14.0 if hits else 9.0)
    (guess,) = guess_roles(measurements(facts))
    assert guess.role == role


def with_treble(centre_hz: float, presence_db: float, sibilance_db: float, air_db: float) -> NDArray[np.float64]:
    """A body of two octaves, and so much re the whole from 4 to 6, 6 to 9, and above 9 kHz."""
    treble = [(4_000.0, 6_000.0, presence_db), (6_000.0, 9_000.0, sibilance_db), (9_000.0, 30_000.0, air_db)]
    spectrum = np.where(CENTRES_HZ <= 4_000.0, bump(centre_hz, 2.0), 0.0)
    shares = 10.0 ** (np.array([level_db for *_, level_db in treble]) / 10.0)
    spectrum *= (1.0 - shares.sum()) / spectrum.sum()
    for (low_hz, high_hz, _), share in zip(treble, shares, strict=True):
        there = (low_hz < CENTRES_HZ) & (high_hz >= CENTRES_HZ)
        spectrum[there] = share / np.count_nonzero(there)
    return spectrum


@pytest.mark.parametrize(
    ("centre_hz", "presence_db", "sibilance_db", "air_db", "role"),
    [
        (800.0, -20.0, -28.0, -24.0, "electric guitar"),
        (800.0, -24.0, -27.0, -26.0, "electric guitar"),
        (800.0, -22.0, -22.0, -24.0, "lead vocal"),
        (800.0, -18.0, -20.0, -17.0, "lead vocal"),
        (800.0, -20.0, -22.0, -23.6, "other"),
        (100.0, -30.0, -32.0, -35.0, "bass"),
        (100.0, -25.0, -32.0, -31.0, "electric guitar"),
    ],
)
def test_a_cabinet_falls_steeply_above_5_khz_and_a_bass_has_no_treble(
    centre_hz: float, presence_db: float, sibilance_db: float, air_db: float, role: str
) -> None:
    """A guitar falls by 4 dB and more, counting half of what it lacks above 9 kHz; just under it may be a voice."""
    (guess,) = guess_roles(measurements(facts_of(with_treble(centre_hz, presence_db, sibilance_db, air_db), STEADY)))
    assert guess.role == role


@pytest.mark.parametrize(("crest_db", "role"), [(10.8, "kick"), (10.0, "bass")])
def test_a_kick_in_a_live_room_is_still_a_kick(crest_db: float, role: str) -> None:
    """A long reverberation fills the silence: peaks stand 11 dB over the level instead of 12, for 70 % of the time."""
    level = np.where(np.arange(100) % 10 < 7, 1e-2, 1e-2 * 10.0 ** (-2.1))
    (guess,) = guess_roles(measurements(facts_of(bump(70.0, 0.7), level, crest_db)))
    assert guess.role == role


def test_what_plays_for_a_hundredth_of_the_take_is_not_judged_by_its_hiss() -> None:
    level = np.where(np.arange(1_000) < 12, 1e-2, 1e-8)
    (guess,) = guess_roles(measurements(facts_of(bump(400.0, 2.0), level, channels=2, side_fraction=0.3)))
    assert guess.role == "playback"


@pytest.mark.parametrize(("rest_db", "sounds", "role"), [(20.0, 20, "kick"), (12.0, 20, "bass"), (20.0, 80, "bass")])
def test_a_drum_is_hits_with_silence_between(rest_db: float, sounds: int, role: str) -> None:
    """Soft moments more than 16 dB under the loud ones, and under 70 % of the time within 20 dB of these."""
    slots = np.arange(100)
    level = np.where(slots * sounds // 100 > (slots - 1) * sounds // 100, 1e-2, 1e-2 * 10.0 ** (-rest_db / 10.0) * 0.99)
    (guess,) = guess_roles(measurements(facts_of(bump(60.0, 0.7), level, 14.0)))
    assert guess.role == role


def test_numbers_of_names_that_come_twice_leave_out_what_is_taken() -> None:
    inputs = identified(
        ["a", "b", "c"], *(InputWish(files=(f"{name}.wav",), name="Bass", role="bass") for name in "abc")
    )
    assert [each.name for each in inputs] == ["Bass 1", "Bass 2", "Bass 3"]
    named = [
        InputWish(files=("a.wav",), name="Bass", role="bass"),
        InputWish(files=("b.wav",), name="Bass", role="bass"),
    ]
    taken = InputWish(files=("c.wav",), name="bass 2", role="bass")
    assert [each.name for each in identified(["a", "b", "c"], *named, taken)] == ["Bass 1", "Bass 3", "bass 2"]
