"""Worked values of handbooks and standards. "Computed" marks values worked out independently from the formula."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from morningmix.laws import curves, filters, loudness, pan

RATE_HZ = 48_000


# ---------------------------------------------------------------- filters


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


# ---------------------------------------------------------------- loudness


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


def test_silence_has_no_loudness() -> None:
    with pytest.raises(ValueError, match="silence"):
        loudness.loudness_lufs(0.0)


# ---------------------------------------------------------------- curves


@pytest.mark.parametrize(
    ("ratio", "knee_db", "points"),
    [
        (4.0, 12.0, {-26: -26.0, -23: -23.2812, -20: -21.125, -17: -19.5312, -14: -18.5, 0: -15.0}),
        (3.0, 6.0, {-20: -20.5, -17: -19.0, 0: -13.3333}),
        (4.0, 0.0, {-30: -30.0, -20: -20.0, -16: -19.0, 0: -15.0}),
    ],
)
def test_static_curve(ratio: float, knee_db: float, points: dict[int, float]) -> None:
    """Giannoulis, Massberg, Reiss, JAES 60(6), 2012, eq. 4, threshold -20 dB. Computed."""
    levels_db = np.array(list(points), dtype=float)
    levels_db.flags.writeable = False
    out_db = levels_db + curves.gain_db(levels_db, -20.0, ratio, knee_db)
    assert out_db == pytest.approx(list(points.values()), abs=1e-4)


@given(level_db=st.floats(-80.0, 20.0), ratio=st.floats(1.0, 20.0), knee_db=st.floats(0.0, 20.0))
@settings(max_examples=50, deadline=None)
def test_static_curve_never_raises_and_never_turns_back(level_db: float, ratio: float, knee_db: float) -> None:
    low, high = curves.gain_db([level_db, level_db + 0.5], -20.0, ratio, knee_db)
    assert high <= low <= 0.0
    assert high - low >= -0.5 - 1e-9


def test_static_curve_refuses_expansion() -> None:
    with pytest.raises(ValueError, match="ratio >= 1"):
        curves.gain_db(0.0, -20.0, 0.5, 0.0)


def test_one_pole_time_constant() -> None:
    """Textbook: 63.2 % of a step at tau, 10 to 90 % in 2.197 tau."""
    alpha = curves.one_pole(0.1, 1_000.0)
    step = 1.0 - alpha ** np.arange(1, 1_001)
    assert step[99] == pytest.approx(1.0 - math.exp(-1.0), abs=1e-9)
    assert np.searchsorted(step, 0.9) - np.searchsorted(step, 0.1) == pytest.approx(219.7, abs=1.0)
    assert curves.one_pole(0.0, 1_000.0) == 0.0


@pytest.mark.parametrize(
    ("wp", "wf", "rms_db", "ratio", "threshold_db", "knee_db"),
    [
        (0.36, 1.37, -15.0, 2.241, -19.42, 9.71),
        (0.67, 0.72, -19.8, 1.912, -23.08, 11.54),
        (0.86, 1.38, -17.5, 2.519, -23.02, 11.51),
    ],
    ids=["bass", "vocal", "drums"],
)
def test_compressor_from_features(
    wp: float, wf: float, rms_db: float, ratio: float, threshold_db: float, knee_db: float
) -> None:
    """Ma et al., JAES 63(6), 2015, eqs. 15 to 22; computed from their formulas."""
    threshold = curves.compressor_threshold_db(rms_db, wp)
    assert curves.compressor_ratio(wp, wf) == pytest.approx(ratio, abs=0.001)
    assert threshold == pytest.approx(threshold_db, abs=0.01)
    assert curves.compressor_knee_db(threshold) == pytest.approx(knee_db, abs=0.01)


def test_compressor_times_and_percussivity() -> None:
    """Ma et al. 2015: a sine (crest squared 2) gets 80 ms and 1 s; wp is 1 at the mean crest factor."""
    assert curves.compressor_attack_s(math.sqrt(2.0)) == pytest.approx(0.080)
    assert curves.compressor_release_s(math.sqrt(2.0)) == pytest.approx(1.0)
    assert curves.percussivity_weight(5.0, 5.0) == 1.0
    assert curves.percussivity_weight(3.0, 5.0) == pytest.approx(math.exp(-0.5))
    assert curves.percussivity_weight(7.0, 5.0) == pytest.approx(2.0 - math.exp(-0.5))


@pytest.mark.parametrize(("share", "rrl_lu"), [(0.25, -16.2), (0.5, -13.9), (0.75, -11.7)])
def test_too_wet(share: float, rrl_lu: float) -> None:
    """De Man, McNally, Reiss, JAES 65(1/2), 2017, at 1 s early decay time. Computed from their formula."""
    assert curves.reverb_loudness_lu(share, 1.0) == pytest.approx(rrl_lu, abs=0.05)
    assert curves.too_wet_probability(curves.reverb_loudness_lu(share, 0.6), 0.6) == pytest.approx(share, abs=1e-9)
    assert curves.too_wet_probability(rrl_lu, 2.0) > curves.too_wet_probability(rrl_lu, 1.0)


# ---------------------------------------------------------------- pan


@given(position=st.floats(-1.0, 1.0))
@settings(max_examples=50, deadline=None)
def test_pan_keeps_the_power(position: float) -> None:
    left, right = pan.constant_power(position)
    assert left**2 + right**2 == pytest.approx(1.0, abs=1e-12)
    left, right = pan.balance(position)
    assert left**2 + right**2 == pytest.approx(2.0, abs=1e-12)


def test_pan_positions() -> None:
    """Sine-cosine law: -3.010 dB at the centre; -8.343 and -0.688 dB half way to the right. Computed."""
    assert [20.0 * math.log10(gain) for gain in pan.constant_power(0.0)] == pytest.approx([-3.010] * 2, abs=0.001)
    assert [20.0 * math.log10(gain) for gain in pan.constant_power(0.5)] == pytest.approx([-8.343, -0.688], abs=0.001)
    assert pan.constant_power(1.0) == (0.0, 1.0)
    assert pan.constant_power(-1.0) == (1.0, 0.0)
    assert pan.balance(0.0) == (1.0, 1.0)
    with pytest.raises(ValueError, match=r"within -1\.\.1"):
        pan.constant_power(1.1)
