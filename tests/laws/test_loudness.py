"""K-weighting, gating and range against BS.1770 and EBU Tech 3342."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from morningmix.laws import filters, loudness


def test_k_weighting_is_the_table_at_48_khz_and_the_formula_meets_it() -> None:
    """ITU-R BS.1770-5, Annex 1, tables 1 and 2."""
    shelf, high_pass = loudness.k_weighting(48_000)
    assert shelf.tolist() == [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241,
                              0.73248077421585]  # fmt: skip
    assert high_pass.tolist() == [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621]
    assert loudness.k_weighting_from_prototype(48_000) == pytest.approx(loudness.k_weighting(48_000), abs=1e-6)


def test_k_weighting_gain() -> None:
    """Computed from the table of BS.1770-5."""
    hz = [25.0, 50.0, 100.0, 500.0, 997.0, 1_000.0, 2_000.0, 4_000.0, 10_000.0]
    expected_db = [-10.393, -3.934, -1.133, 0.042, 0.691, 0.698, 3.071, 3.968, 4.042]
    assert loudness.k_weight_db(hz) == pytest.approx(expected_db, abs=0.001)


@pytest.mark.parametrize("rate_hz", [16_000, 22_050, 44_100, 88_200, 96_000, 192_000])
def test_k_weighting_hardly_depends_on_the_rate(rate_hz: int) -> None:
    """The bilinear transform bends the frequency axis; under 3 kHz it costs less than 0.2 dB at 16 kHz."""
    hz = np.geomspace(25.0, 3_000.0, 30)
    found = filters.magnitude_db(loudness.k_weighting(rate_hz), hz, rate_hz)
    assert found == pytest.approx(loudness.k_weight_db(hz), abs=0.2 if rate_hz < 40_000 else 0.03)


def test_k_weighting_refuses_a_rate_that_has_no_room_for_it() -> None:
    with pytest.raises(ValueError, match="sample rate above 3364 Hz"):
        loudness.k_weighting(3_000)


@given(lufs=st.floats(-100.0, 20.0))
@settings(max_examples=50, deadline=None)
def test_power_and_loudness_are_inverse(lufs: float) -> None:
    assert loudness.loudness_lufs(loudness.power_of(lufs)) == pytest.approx(lufs, abs=1e-9)


def test_full_scale_sine_reads_minus_3_01() -> None:
    """BS.1770-5, Annex 1: 0 dBFS 997 Hz sine in one channel. Mean square 0.5, weighted by +0.691 dB."""
    power = 0.5 * 10.0 ** (float(loudness.k_weight_db(997.0)) / 10.0)
    assert loudness.loudness_lufs(power) == pytest.approx(-3.01, abs=0.005)


def test_gates() -> None:
    """BS.1770-5, Annex 1: blocks under -70 do not count, nor do blocks over 10 LU under the rest."""
    powers = [loudness.power_of(lufs) for lufs in (-23.0, -23.0, -75.0, -40.0)]
    assert loudness.gated_loudness(powers) == pytest.approx(-23.0, abs=1e-9)
    assert loudness.gated_loudness(powers[2:3]) is None
    assert loudness.gated_loudness([0.0, 0.0]) is None
    assert loudness.gated_loudness([]) is None
    assert loudness.loudness_range([]) is None
    assert loudness.loudness_range([0.0]) is None


def test_loudness_range_of_a_uniform_spread() -> None:
    """EBU Tech 3342: P95 - P10 of 0, 0.1, ..., 10 LU above -30 LUFS, all within the gates."""
    powers = [loudness.power_of(-30.0 + 0.1 * k) for k in range(101)]
    assert loudness.loudness_range(powers[::-1]) == pytest.approx(8.5, abs=1e-9)


def test_loudness_range_picks_the_nearest_of_few_values() -> None:
    """EBU Tech 3342: of ten windows P10 is the second and P95 the last. Computed."""
    powers = [loudness.power_of(-30.0 + k**2 / 10.0) for k in range(10)]
    assert loudness.loudness_range(powers) == pytest.approx(8.1 - 0.1, abs=1e-9)


def test_the_gate_of_the_range_lies_20_lu_under_the_mean() -> None:
    """EBU Tech 3342: windows 18 LU under the others count, those 22 LU under them do not."""
    for under_lu, range_lu in ((18.0, 18.0), (22.0, 0.0)):
        powers = [loudness.power_of(-20.0)] * 5 + [loudness.power_of(-20.0 - under_lu)] * 2
        assert loudness.loudness_range(powers) == pytest.approx(range_lu, abs=1e-9)


def test_silence_has_no_loudness() -> None:
    with pytest.raises(ValueError, match="silence"):
        loudness.loudness_lufs(0.0)
