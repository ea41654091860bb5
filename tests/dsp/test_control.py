"""Gain curves at control rate: gates, moves, compressors, and interpolation to samples."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from morningmix.dsp.control import (
    CompressorCurve,
    GainRamp,
    gate_line,
    loudness_hop_frames,
    move_line,
    peaks_db,
    step_frames,
    step_peaks,
)
from morningmix.model.plan import Compressor, Gate, Move

USUAL_RATES_HZ = (8_000, 16_000, 22_050, 24_000, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000)


@pytest.mark.parametrize("rate_hz", USUAL_RATES_HZ)
def test_steps_are_about_a_millisecond_and_divide_the_hop(rate_hz: int) -> None:
    assert loudness_hop_frames(rate_hz) == rate_hz // 10
    assert loudness_hop_frames(rate_hz) % step_frames(rate_hz) == 0
    assert 0.0006 < step_frames(rate_hz) / rate_hz < 0.0015
    assert (step_frames(48_000), step_frames(44_100)) == (48, 45)


def test_peaks_of_steps() -> None:
    block = np.array([[0.1, -0.5, 0.2, 0.0, 0.3], [0.0, 0.2, -0.7, 0.1, 0.0]], np.float32)
    np.testing.assert_array_equal(step_peaks(block, 2), np.array([0.5, 0.7, 0.3], np.float32))
    np.testing.assert_array_equal(step_peaks(block[:, :4], 2), np.array([0.5, 0.7], np.float32))


def test_levels_of_peaks() -> None:
    levels = peaks_db(np.array([1.0, 0.5, 1e-7, 0.0], np.float32))
    np.testing.assert_allclose(levels, [0.0, -6.0206, -120.0, -120.0], atol=1e-3)


# ---------------------------------------------------------------- gate and moves


def test_a_gate_at_its_edges() -> None:
    gate = Gate(open_s=((1.0, 2.0), (2.1, 3.0), (5.0, 6.0)), floor_db=-20.0, ramp_s=0.1)
    points = {
        0.0: -20.0,
        0.9: -20.0,
        0.95: -10.0,
        1.0: 0.0,
        1.5: 0.0,
        2.0: 0.0,
        2.05: -10.0,  # a gap shorter than two ramps is only half closed
        2.1: 0.0,
        3.0: 0.0,
        3.025: -5.0,
        3.1: -20.0,
        4.0: -20.0,
        6.0: 0.0,
        6.1: -20.0,
        100.0: -20.0,
    }
    curve = gate_line(gate).at(np.array(list(points)))
    np.testing.assert_allclose(curve, list(points.values()), atol=1e-9)


def test_a_gate_that_is_always_closed_or_always_open() -> None:
    times_s = np.arange(0.0, 2.0, 0.001)
    assert np.all(gate_line(Gate(open_s=(), floor_db=-20.0, ramp_s=0.06)).at(times_s) == -20.0)
    assert np.all(gate_line(Gate(open_s=((0.0, 2.0),), floor_db=-20.0, ramp_s=0.06)).at(times_s) == 0.0)
    assert gate_line(Gate(open_s=((0.0, 2.0),), floor_db=-20.0, ramp_s=0.06)).at(times_s[:0]).shape == (0,)


def test_moves_add_up_with_ramps_outside() -> None:
    moves = (
        Move(from_s=1.0, to_s=2.0, level_db=3.0, ramp_s=0.3),
        Move(from_s=1.5, to_s=4.0, level_db=-2.0, ramp_s=0.3),
    )
    points = {0.5: 0.0, 0.7: 0.0, 0.85: 1.5, 1.0: 3.0, 1.35: 3.0 - 1.0, 1.75: 1.0, 2.0: 1.0, 2.15: 1.5 - 2.0, 4.3: 0.0}
    times_s = np.array(list(points))
    np.testing.assert_allclose(sum(move_line(move).at(times_s) for move in moves), list(points.values()), atol=1e-9)


@settings(max_examples=50, deadline=None)
@given(
    edges=st.lists(st.integers(0, 2000), min_size=2, max_size=12, unique=True).filter(lambda e: len(e) % 2 == 0),
    floor_db=st.floats(-60.0, -1.0),
    ramp_s=st.floats(0.01, 0.3),
)
def test_a_gate_is_open_in_its_stretches_and_never_jumps(edges: list[int], floor_db: float, ramp_s: float) -> None:
    ordered = [edge / 100.0 for edge in sorted(edges)]
    spans = tuple(zip(ordered[::2], ordered[1::2], strict=True))
    times_s = np.arange(0.0, 21.0, 0.001)
    curve = gate_line(Gate(open_s=spans, floor_db=floor_db, ramp_s=ramp_s)).at(times_s)
    inside = np.any([(times_s >= start) & (times_s <= end) for start, end in spans], axis=0)
    assert np.all(curve[inside] == 0.0)
    assert np.all((curve <= 0.0) & (curve >= floor_db - 1e-9))
    assert np.abs(np.diff(curve)).max() <= -floor_db / ramp_s * 0.001 * (1.0 + 1e-6)


# ---------------------------------------------------------------- compressor

STEPS_PER_S = 1000.0


def compressor(**changes: float) -> Compressor:
    usual = {
        "threshold_db": -30.0,
        "ratio": 4.0,
        "knee_db": 6.0,
        "attack_s": 0.02,
        "release_s": 0.15,
        "max_reduction_db": 60.0,
    }
    return Compressor(**{**usual, **changes})


def constant(level_db: float, seconds: float) -> NDArray[np.float32]:
    return np.full(round(seconds * STEPS_PER_S), 10.0 ** (level_db / 20.0), np.float32)


@settings(max_examples=50, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    steps=st.integers(1, 3000),
    cuts=st.lists(st.integers(0, 3000), max_size=8),
    attack_s=st.sampled_from([0.0, 0.006, 0.02]),
)
def test_any_cut_gives_the_same_curve(seed: int, steps: int, cuts: list[int], attack_s: float) -> None:
    rng = np.random.default_rng(seed)
    peaks = (10.0 ** (rng.uniform(-60.0, 0.0, steps) / 20.0)).astype(np.float32)
    peaks.flags.writeable = False
    plan = compressor(attack_s=attack_s)
    whole = CompressorCurve(plan, STEPS_PER_S).process(peaks)
    curve = CompressorCurve(plan, STEPS_PER_S)
    edges = sorted({0, steps, *(cut % (steps + 1) for cut in cuts)})
    parts = [curve.process(peaks[start:stop]) for start, stop in pairwise(edges)]
    np.testing.assert_array_equal(np.concatenate(parts), whole)


@pytest.mark.parametrize(
    ("level_db", "reduction_db"),
    # Giannoulis, Massberg, Reiss 2012, eq. 4, by hand: (1 - 1/R) x over the threshold above the knee; inside it
    # (1 - 1/R) (x + W/2)^2 / 2W, 0.5625 dB at the threshold; nothing below.
    [(-10.0, 15.0), (-18.0, 9.0), (-30.0, 0.5625), (-34.0, 0.0)],
)
def test_a_steady_level_reaches_the_static_curve(level_db: float, reduction_db: float) -> None:
    curve = CompressorCurve(compressor(), STEPS_PER_S).process(constant(level_db, 1.0))
    assert curve[-1] == pytest.approx(-reduction_db, abs=2e-3)


@pytest.mark.parametrize("attack_s", [0.006, 0.019, 0.05])
def test_attack_takes_its_time_to_63_percent(attack_s: float) -> None:
    # The definition of a time constant: 1 - 1/e of a step.
    curve = CompressorCurve(compressor(attack_s=attack_s), STEPS_PER_S).process(constant(-10.0, 1.0))
    reached_s = float(np.argmax(curve <= -15.0 * (1.0 - np.exp(-1.0))) + 1) / STEPS_PER_S
    assert reached_s == pytest.approx(attack_s, abs=1.5 / STEPS_PER_S)


@pytest.mark.parametrize("release_s", [0.1, 0.15, 0.4])
def test_release_takes_its_time_to_63_percent(release_s: float) -> None:
    peaks = np.concatenate([constant(-10.0, 1.0), constant(-100.0, 10.0 * release_s)])
    curve = CompressorCurve(compressor(attack_s=0.0, release_s=release_s), STEPS_PER_S).process(peaks)
    after = curve[999:]
    fallen_s = float(np.argmax(after >= -15.0 * np.exp(-1.0))) / STEPS_PER_S
    assert fallen_s == pytest.approx(release_s, abs=1.5 / STEPS_PER_S)
    assert after[-1] == pytest.approx(0.0, abs=2e-3)


@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), most_db=st.floats(0.5, 12.0))
def test_reduction_stays_between_zero_and_its_maximum(seed: int, most_db: float) -> None:
    peaks = (10.0 ** (np.random.default_rng(seed).uniform(-70.0, 20.0, 2000) / 20.0)).astype(np.float32)
    curve = CompressorCurve(compressor(max_reduction_db=most_db, ratio=20.0), STEPS_PER_S).process(peaks)
    assert np.all((curve <= 0.0) & (curve >= -most_db - 1e-9))


def test_silence_and_empty_input() -> None:
    curve = CompressorCurve(compressor(), STEPS_PER_S)
    assert np.abs(curve.process(np.zeros(100, np.float32))).max() <= 1e-3
    assert curve.process(np.zeros(0, np.float32)).shape == (0,)


def test_the_curve_stays_exact_after_two_hours() -> None:
    # The running maximum grows with time; the reduction of a hit must not.
    hit = np.concatenate([constant(-10.0, 0.05), constant(-100.0, 0.5)])
    early = CompressorCurve(compressor(), STEPS_PER_S)
    early.process(constant(-100.0, 1.0))
    late = CompressorCurve(compressor(), STEPS_PER_S)
    for _ in range(72):
        late.process(constant(-100.0, 100.0))
    np.testing.assert_allclose(late.process(hit), early.process(hit), atol=1e-6)


# ---------------------------------------------------------------- samples


@settings(max_examples=40, deadline=None)
@given(
    curve_db=st.lists(st.floats(-40.0, 12.0), min_size=1, max_size=40),
    cuts=st.lists(st.integers(0, 40), max_size=5),
    step=st.sampled_from([1, 7, 45, 48]),
)
def test_a_ramp_is_continuous_and_any_cut_gives_the_same(curve_db: list[float], cuts: list[int], step: int) -> None:
    curve = np.array(curve_db)
    whole = GainRamp(step, curve_db[0]).process(curve, len(curve) * step)
    ramp = GainRamp(step, curve_db[0])
    edges = sorted({0, len(curve), *(cut % (len(curve) + 1) for cut in cuts)})
    parts = [ramp.process(curve[a:b], (b - a) * step) for a, b in pairwise(edges)]
    np.testing.assert_array_equal(np.concatenate(parts), whole)
    gains = 10.0 ** (curve / 20.0)
    np.testing.assert_allclose(whole[step - 1 :: step], gains, rtol=1e-5)
    steepest = np.abs(np.diff(gains, prepend=gains[0])).max() / step
    assert np.abs(np.diff(whole, prepend=whole[0])).max() <= steepest + 1e-5


def test_a_last_step_may_be_short() -> None:
    ramp = GainRamp(4, 0.0)
    whole = GainRamp(4, 0.0).process(np.array([0.0, -6.0, -12.0]), 12)
    np.testing.assert_array_equal(ramp.process(np.array([0.0, -6.0, -12.0]), 10), whole[:10])
    assert whole.dtype == np.float32
