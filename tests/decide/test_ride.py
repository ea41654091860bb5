"""A hand on the faders of the voices."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from morningmix.decide.ride import MOST_DB, Points, Voice, decide_rides
from morningmix.dsp.control import GainLine

SLOT_S = 0.1
SLOTS = 600
BAND = np.full(SLOTS, 1.0)


def voice(level_db: NDArray[np.float64], sings: NDArray[np.bool_], *, leads: bool = True) -> Voice:
    powers = np.where(sings, 0.4 * 10.0 ** (level_db / 10.0), 1e-4)
    return Voice(powers=powers, sings=sings, leads=leads, level_lu=-4.0 if leads else -9.0)


def lines(*stretches_s: tuple[float, float]) -> NDArray[np.bool_]:
    sings = np.zeros(SLOTS, np.bool_)
    for start_s, end_s in stretches_s:
        sings[round(start_s / SLOT_S) : round(end_s / SLOT_S)] = True
    return sings


def curve(points: Points) -> NDArray[np.float64]:
    return GainLine(points).at(np.arange(SLOTS) * SLOT_S)


ALWAYS = np.ones(SLOTS, np.bool_)
SUNG = lines((5, 15), (20, 30), (35, 45))


def ride_of(voice: Voice, *others: Voice) -> list[NDArray[np.float64]]:
    voices = dict(enumerate([voice, *others]))
    whole = BAND + np.sum([each.powers for each in voices.values()], axis=0)
    rides = decide_rides(voices, whole, SLOT_S)
    return [curve(rides[index][0]) if index in rides else np.zeros(SLOTS) for index in voices]


def test_an_even_voice_is_left_alone() -> None:
    (ride,) = ride_of(voice(np.zeros(SLOTS), SUNG))
    assert np.abs(ride).max() < 0.05


@pytest.mark.parametrize(("softer_db", "share"), [(1.0, 0.6), (2.0, 0.6), (8.0, 1.0)])
def test_a_soft_line_comes_up_and_at_most_by_three(softer_db: float, share: float) -> None:
    """A louder voice makes the whole louder too, so that a decibel at the fader is less than one against the mix."""
    (ride,) = ride_of(voice(np.where(lines((20, 30)), -softer_db, 0.0), SUNG))
    middle = ride[round(25 / SLOT_S)]
    assert share * min(softer_db, MOST_DB) <= middle <= min(softer_db, MOST_DB) + 1e-6
    assert abs(ride[round(10 / SLOT_S)]) < 0.05


def test_a_lead_that_sings_a_third_of_the_time_still_leads() -> None:
    """A backing vocal comes up to its level only where the lead sings for less than a quarter of the time around."""
    often = lines(*((at_s, at_s + 1.1) for at_s in range(0, 60, 3)))
    rarely = lines(*((at_s, at_s + 0.5) for at_s in range(0, 60, 3)))
    backing = voice(np.full(SLOTS, -5.0), ALWAYS, leads=False)
    middle = slice(100, 500)
    lifts = [ride_of(voice(np.zeros(SLOTS), lead), backing)[1][middle] for lead in (often, rarely)]
    assert np.abs(lifts[0]).max() < 1.0
    assert lifts[1].min() > 5.0 - MOST_DB - 1e-6


def test_nothing_moves_where_nobody_sings() -> None:
    (ride,) = ride_of(voice(np.where(lines((20, 30)), -6.0, 0.0), SUNG))
    rests = ~lines((4.5, 15.5), (19.5, 30.5), (34.5, 45.5))
    assert np.abs(ride[rests]).max() == 0.0


def test_a_harmony_comes_up_to_the_lead_alone_and_stays_below_beside_it() -> None:
    lead = voice(np.zeros(SLOTS), lines((5, 15), (20, 30)))
    harmony = voice(np.full(SLOTS, -5.0), lines((20, 30), (40, 55)), leads=False)
    rode_lead, rode = ride_of(lead, harmony)
    assert rode[round(47 / SLOT_S)] - rode[round(25 / SLOT_S)] == pytest.approx(5.0, abs=1.0)
    assert rode[round(25 / SLOT_S)] == pytest.approx(rode_lead[round(25 / SLOT_S)], abs=0.01)
    assert rode_lead[round(25 / SLOT_S)] <= rode_lead[round(10 / SLOT_S)] + 0.05


def test_a_ride_starts_before_a_line_and_rests_after_it() -> None:
    """Two lines a second apart are one gesture, the third has a run-up of its own; the second was 2 dB softer."""
    sings = lines((5, 15), (16, 18), (25, 35))
    one = voice(np.where(lines((16, 18)), -2.0, 0.0), sings)
    points = decide_rides({0: one}, BAND, SLOT_S)[0][0]
    assert points[:3] == ((4.7, 0.0), (5.0, 0.0), (5.5, 0.0))
    at_rest = [at_s for at_s, _ in points if not sings[min(round(at_s / SLOT_S), SLOTS - 1)]]
    assert at_rest == [4.7, 18.2, 24.7, 35.2]
    long = decide_rides({0: voice(np.where(lines((20, 30)), -2.0, 0.0), SUNG)}, BAND, SLOT_S)[0][0]
    assert dict(long)[25.0] == pytest.approx(2.0, abs=0.01)
    assert dict(long)[10.0] == 0.0


@pytest.mark.parametrize(("softer_db", "ride_db"), [(0.0, 5.0), (1.0, 6.0), (9.0, 8.0)])
def test_a_backing_vocal_alone_comes_up_to_the_lead(softer_db: float, ride_db: float) -> None:
    lead = voice(np.zeros(SLOTS), lines((5, 15), (20, 30)))
    backing = voice(np.full(SLOTS, -5.0 - softer_db), lines((40, 55)), leads=False)
    rides = decide_rides({0: lead, 1: backing}, BAND, SLOT_S)
    assert dict(rides[1][0])[47.0] == pytest.approx(ride_db, abs=0.01)
    assert dict(rides[0][0])[25.0] == pytest.approx(0.0, abs=0.01)


def test_too_little_singing_is_not_ridden() -> None:
    assert decide_rides({0: voice(np.zeros(SLOTS), lines((5, 10.9)))}, BAND, SLOT_S) == {}
    assert decide_rides({0: voice(np.zeros(SLOTS), lines((5, 11)))}, BAND, SLOT_S) != {}


@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_any_voice_stays_within_bounds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    sings = np.repeat(rng.random(SLOTS // 20) < 0.5, 20)
    one = voice(np.repeat(rng.normal(0.0, 6.0, SLOTS // 10), 10), sings)
    whole = one.powers + np.repeat(rng.uniform(0.01, 4.0, SLOTS // 10), 10)
    for points, _ in decide_rides({0: one}, whole, SLOT_S).values():
        times = [at_s for at_s, _ in points]
        assert times == sorted(times)
        assert all(abs(db) <= MOST_DB for _, db in points)
