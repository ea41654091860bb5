"""Worked values of handbooks and standards. "Computed" marks values worked out independently from the formula."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from morningmix.laws import filters

RATE_HZ = 48_000


@pytest.mark.parametrize(
    ("order", "expected_db"), [(2, [-24.10, -12.30, -3.01, -0.26]), (4, [-48.16, -24.10, -3.01, -0.02])]
)
def test_butterworth_high_pass_falls_as_the_textbook_says(order: int, expected_db: list[float]) -> None:
    """|H|^2 = 1 / (1 + (fc/f)^2n); the bilinear transform adds under 0.02 dB at a low corner. Computed."""
    sos = filters.butterworth_high_pass(100.0, RATE_HZ, order)
    assert filters.magnitude_db(sos, [25.0, 50.0, 100.0, 200.0], RATE_HZ) == pytest.approx(expected_db, abs=0.02)


def test_low_pass_mirrors_the_high_pass() -> None:
    """Butterworth of second order at fc/2, fc, 2 fc, 4 fc: the same values mirrored. Computed."""
    sos = filters.low_pass(100.0, RATE_HZ)
    found = filters.magnitude_db(sos, [50.0, 100.0, 200.0, 400.0], RATE_HZ)
    assert found == pytest.approx([-0.26, -3.01, -12.30, -24.10], abs=0.02)


def test_peaking_coefficients() -> None:
    """Audio EQ Cookbook (W3C Note 2021): 1 kHz, +6 dB, Q 1 at 48 kHz. Computed from the Cookbook's formula."""
    ((b0, b1, b2, a0, a1, a2),) = filters.peaking(1_000.0, 6.0, 1.0, RATE_HZ)
    assert (b0, b1, b2) == pytest.approx((1.04395309, -1.89532072, 0.86772228), abs=1e-8)
    assert (a0, a1, a2) == pytest.approx((1.0, b1, 0.91167537), abs=1e-8)


@settings(max_examples=40, deadline=None)
@given(hz=st.floats(30.0, 15_000.0), gain_db=st.floats(-12.0, 12.0), q=st.floats(0.3, 8.0))
def test_bell_and_shelves_reach_their_gain(hz: float, gain_db: float, q: float) -> None:
    """Audio EQ Cookbook (W3C Note 2021): gain at the centre; shelves half their dB at the corner, all at the end."""
    ends = [0.0, hz, RATE_HZ / 2]
    bell = filters.magnitude_db(filters.peaking(hz, gain_db, q, RATE_HZ), ends, RATE_HZ)
    low = filters.magnitude_db(filters.low_shelf(hz, gain_db, RATE_HZ), ends, RATE_HZ)
    high = filters.magnitude_db(filters.high_shelf(hz, gain_db, RATE_HZ), ends, RATE_HZ)
    assert bell == pytest.approx([0.0, gain_db, 0.0], abs=1e-4)
    assert low == pytest.approx([gain_db, gain_db / 2.0, 0.0], abs=1e-4)
    assert high == pytest.approx([0.0, gain_db / 2.0, gain_db], abs=1e-4)


def test_a_tilt_lifts_lows_by_as_much_as_it_lowers_highs() -> None:
    """Nothing at 700 Hz, the whole of it far away on both sides."""
    found = filters.magnitude_db(filters.tilt(3.0, RATE_HZ), [1.0, 700.0, 23_900.0], RATE_HZ)
    assert found == pytest.approx([3.0, 0.0, -3.0], abs=0.05)


def test_magnitude_agrees_with_scipy() -> None:
    sos = np.concatenate((filters.peaking(500.0, 4.0, 2.0, RATE_HZ), filters.butterworth_high_pass(80.0, RATE_HZ, 3)))
    hz, response = signal.sosfreqz(sos, worN=[20.0, 100.0, 500.0, 9_000.0], fs=RATE_HZ)
    assert filters.magnitude_db(sos, hz, RATE_HZ) == pytest.approx(20.0 * np.log10(np.abs(response)), abs=1e-9)


@pytest.mark.parametrize("hz", [0.0, -1.0, 24_000.0])
def test_filters_refuse_impossible_frequencies(hz: float) -> None:
    for build in (filters.butterworth_high_pass, filters.low_pass):
        with pytest.raises(ValueError, match="half the sample rate"):
            build(hz, RATE_HZ)
    with pytest.raises(ValueError, match="half the sample rate"):
        filters.peaking(hz, 3.0, 1.0, RATE_HZ)
    with pytest.raises(ValueError, match="Q must be above 0"):
        filters.peaking(1_000.0, 3.0, 0.0, RATE_HZ)
