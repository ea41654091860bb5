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


SUNG = lines((5, 15), (20, 30), (35, 45))


def ride_of(one: Voice, *others: Voice) -> list[NDArray[np.float64]]:
    voices = dict(enumerate([one, *others]))
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


def test_nothing_moves_where_nobody_sings() -> None:
    (ride,) = ride_of(voice(np.where(lines((20, 30)), -6.0, 0.0), SUNG))
    rests = ~lines((4.5, 15.5), (19.5, 30.5), (34.5, 45.5))
    assert np.abs(ride[rests]).max() == 0.0


def test_a_harmony_alone_comes_up_to_the_lead_and_beside_it_stays_under() -> None:
    lead = voice(np.zeros(SLOTS), lines((5, 15), (20, 30)))
    harmony = voice(np.full(SLOTS, -5.0), lines((20, 30), (40, 55)), leads=False)
    rode_lead, rode = ride_of(lead, harmony)
    assert rode[round(47 / SLOT_S)] - rode[round(25 / SLOT_S)] == pytest.approx(5.0, abs=1.0)
    assert rode[round(25 / SLOT_S)] == pytest.approx(rode_lead[round(25 / SLOT_S)], abs=0.01)
    assert rode_lead[round(25 / SLOT_S)] <= rode_lead[round(10 / SLOT_S)] + 0.05


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
