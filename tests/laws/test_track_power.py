"""Predicted power of a track, where it plays, and stretches as masks and back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from decide.made import CENTRES_HZ, STEADY, bump, facts_of, measurements
from morningmix.laws.loudness import k_weight_db
from morningmix.laws.track_power import (
    filter_gain_db,
    filtered,
    k_powers,
    loud_above,
    loud_mask,
    loudness_of,
    mask_to_spans,
    momentary,
    plays_over,
    spans_to_mask,
    spans_within,
    sung_mask,
)
from morningmix.model.plan import Filter

SLOT_S = 0.1


def slots(*runs: tuple[int, int], of: int = 100) -> NDArray[np.bool_]:
    mask = np.zeros(of, np.bool_)
    for start, stop in runs:
        mask[start:stop] = True
    return mask


def test_filters_add_up_in_decibels() -> None:
    bell = Filter(kind="peak", corner_hz=1_000.0, gain_db=-6.0, q=1.0)
    high_pass = Filter(kind="high_pass", corner_hz=100.0)
    low_pass = Filter(kind="low_pass", corner_hz=5_000.0)
    hz = np.array([100.0, 1_000.0, 5_000.0])
    alone = [filter_gain_db([one], hz, 48_000) for one in (bell, high_pass, low_pass)]
    assert [float(gain[place]) for gain, place in zip(alone, (1, 0, 2), strict=True)] == pytest.approx(
        [-6.0, -3.01, -3.01], abs=0.01
    )
    np.testing.assert_allclose(filter_gain_db([bell, high_pass, low_pass], hz, 48_000), np.sum(alone, axis=0))
    assert filter_gain_db([high_pass, high_pass], np.array([0.0]), 48_000).tolist() == [-200.0]


def test_power_is_k_weighted_filtered_and_added_over_channels() -> None:
    """A track of one band near 1 kHz, alone, as a pair of channels, and through a bell."""
    spectrum = np.where(np.abs(CENTRES_HZ - 1_000.0) == np.abs(CENTRES_HZ - 1_000.0).min(), 1.0, 0.0)
    mono = facts_of(spectrum, STEADY)
    here = measurements(mono)

    def level_db(facts: object, *filters: Filter) -> float:
        return float(10.0 * np.log10(k_powers(facts, here, filters)[0] / STEADY[0]))  # type: ignore[arg-type]

    centre_hz = here.band_centres_hz[np.argmax(spectrum)]
    assert level_db(mono) == pytest.approx(float(k_weight_db(centre_hz)), abs=0.01)
    assert level_db(replace(mono, channels=2)) - level_db(mono) == pytest.approx(3.01, abs=0.01)
    dip = Filter(kind="peak", corner_hz=1_000.0, gain_db=-6.0, q=0.5)
    assert level_db(mono, dip) - level_db(mono) == pytest.approx(-6.0, abs=0.1)


def test_filtered_levels_and_peaks_fall_by_the_gain_on_their_spectrum() -> None:
    """Under a Butterworth high-pass of second order an octave below the corner loses 12.3 dB (10 log10(1 + 2^4))."""
    level = np.full(10, 1e-2)
    low, high = (facts_of(bump(hz, 0.02), level) for hz in (CENTRES_HZ[8], CENTRES_HZ[20]))
    corner = Filter(kind="high_pass", corner_hz=2.0 * float(CENTRES_HZ[8]))
    for facts, less_db in ((low, 12.3), (high, 0.0)):
        slots = filtered(facts, measurements(facts), (corner,))
        assert 10.0 * np.log10(slots.powers / facts.slots.powers) == pytest.approx(-less_db, abs=0.2)
        assert 20.0 * np.log10(slots.peaks / facts.slots.peaks) == pytest.approx(-less_db, abs=0.2)


def test_momentary_power_is_the_mean_over_four_slots() -> None:
    powers = np.zeros(20)
    powers[10] = 4.0
    smooth = momentary(powers, SLOT_S)
    assert np.flatnonzero(smooth).size == 4
    assert smooth.max() == pytest.approx(1.0)


def test_something_plays_down_to_20_db_under_its_loud_level() -> None:
    powers = np.ones(200)
    assert loud_above(powers) == pytest.approx(0.01, rel=0.01)
    assert loud_above(np.concatenate((powers, np.zeros(1_000)))) == pytest.approx(0.01, rel=0.01)
    assert loud_above(np.zeros(10)) == float("inf")
    steps = np.repeat([1.0, 0.012, 0.008], 100)
    assert mask_to_spans(loud_mask(steps, SLOT_S), SLOT_S) == ((0.0, 20.1),)


@pytest.mark.parametrize(("gap", "joined"), [(8, True), (12, True), (16, False), (25, False)])
def test_a_rest_of_a_second_between_two_hits_plays_on(gap: int, joined: bool) -> None:
    powers = np.zeros(100)
    powers[20:30] = 1.0
    powers[30 + gap : 40 + gap] = 1.0
    playing = plays_over(powers, 0.1, SLOT_S)
    assert bool(playing[30 + gap // 2]) is joined
    assert playing[20:30].all()
    assert not playing[:17].any()
    assert not playing[44 + gap :].any()


def test_playing_reaches_both_ends_of_the_take() -> None:
    assert plays_over(np.ones(30), 0.5, SLOT_S).all()


def test_loudness_counts_the_masked_slots_alone() -> None:
    powers = np.where(np.arange(100) < 50, 0.1, 0.001)
    assert loudness_of(powers, slots((0, 50))) == pytest.approx(-10.691)
    assert loudness_of(powers, slots((50, 100))) == pytest.approx(-30.691)
    assert loudness_of(powers, slots()) is None
    assert loudness_of(np.full(100, 1e-13), slots((0, 50))) is None


def test_stretches_become_the_slots_whose_middle_they_hold() -> None:
    assert mask_to_spans(spans_to_mask(((0.04, 0.3), (0.56, 0.96)), 10, SLOT_S), SLOT_S) == ((0.0, 0.3), (0.6, 1.0))
    assert mask_to_spans(spans_to_mask(((0.06, 0.24),), 10, SLOT_S), SLOT_S) == ((0.1, 0.2),)
    assert not spans_to_mask((), 10, SLOT_S).any()
    assert mask_to_spans(slots((0, 3), (99, 100)), SLOT_S) == ((0.0, 0.3), (9.9, 10.0))


def test_what_is_sung_begins_and_ends_a_tenth_of_a_second_wider() -> None:
    assert mask_to_spans(sung_mask(((1.0, 2.0), (2.15, 3.0), (5.0, 6.0)), 100, SLOT_S), SLOT_S) == (
        (0.9, 3.1),
        (4.9, 6.1),
    )


def test_stretches_of_the_take_are_cut_and_shifted_to_the_song() -> None:
    take = ((0.0, 1.0), (2.0, 4.0), (5.0, 6.0), (7.0, 9.0), (10.0, 11.0))
    assert spans_within(take, 3.0, 8.0) == ((0.0, 1.0), (2.0, 3.0), (4.0, 5.0))
    assert spans_within(take, 4.0, 5.0) == ()
