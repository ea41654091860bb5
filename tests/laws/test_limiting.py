"""The limiter's curve keeps the ceiling, looks ahead, and lets go again."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray
from scipy import signal

from morningmix.dsp.truepeak import TruePeak, TruePeakEnvelope
from morningmix.laws import limiting
from morningmix.laws.limiting import expand, limiter_gain_db
from morningmix.units import Block

STEP_S = 0.001
PEAKS = arrays(np.float64, st.integers(1, 300), elements=st.floats(-120.0, 20.0))


@settings(max_examples=60, deadline=None)
@given(peak_db=PEAKS, ceiling_db=st.floats(-6.0, 0.0), lookahead_s=st.sampled_from([0.001, 0.003, 0.005]))
def test_no_step_exceeds_the_ceiling(peak_db: NDArray[np.float64], ceiling_db: float, lookahead_s: float) -> None:
    peak_db.flags.writeable = False
    gain_db = limiter_gain_db(peak_db, ceiling_db, lookahead_s, 0.1, STEP_S)
    assert gain_db.shape == peak_db.shape
    assert (gain_db <= 0.0).all()
    assert (peak_db + gain_db <= ceiling_db + 1e-5).all()


@settings(max_examples=30, deadline=None)
@given(peak_db=PEAKS, chunk=st.integers(1, 50))
def test_the_curve_does_not_depend_on_how_many_steps_are_worked_on_at_a_time(
    peak_db: NDArray[np.float64], chunk: int
) -> None:
    whole = limiter_gain_db(peak_db, -1.0, 0.003, 0.1, STEP_S)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(limiting, "_CHUNK_STEPS", chunk)
        assert np.array_equal(limiter_gain_db(peak_db, -1.0, 0.003, 0.1, STEP_S), whole)


def test_sound_under_the_ceiling_is_not_limited() -> None:
    assert not limiter_gain_db(np.full(100, -1.5), -1.0, 0.005, 0.1, STEP_S).any()
    assert limiter_gain_db(np.empty(0), -1.0, 0.005, 0.1, STEP_S).size == 0


@pytest.mark.parametrize("ahead", [1, 2, 5, 12])
def test_the_gain_falls_along_half_a_cosine_to_the_peak(ahead: int) -> None:
    """A raised cosine over the look-ahead, summed up to each step. Computed."""
    peak_db = np.full(100, -60.0)
    peak_db[50] = 5.0
    gain_db = limiter_gain_db(peak_db, -1.0, ahead * STEP_S, 0.1, STEP_S)
    window = 1.0 - np.cos(2.0 * np.pi * np.arange(1, ahead + 2) / (ahead + 2))
    np.testing.assert_allclose(gain_db[50 - ahead : 51], -6.0 * np.cumsum(window) / window.sum(), rtol=1e-5)
    assert not gain_db[: 50 - ahead].any()


def test_a_peak_is_attacked_in_time_and_released_exponentially() -> None:
    """Peak 6 dB over: nothing earlier than the look-ahead, 6 dB at the peak, a fall by 1/e in each release time."""
    peak_db = np.full(1_000, -60.0)
    peak_db[300] = 5.0
    gain_db = limiter_gain_db(peak_db, -1.0, 0.005, 0.1, STEP_S)
    assert not gain_db[:295].any()
    assert (np.diff(gain_db[294:301]) < 0.0).all()
    assert gain_db[300] == gain_db.min() == pytest.approx(-6.0, abs=0.2)
    assert gain_db[300] <= -6.0
    assert gain_db[500] / gain_db[400] == pytest.approx(math.exp(-1.0), rel=1e-6)
    assert (np.diff(gain_db[305:]) >= 0.0).all()


def test_a_long_loud_stretch_is_turned_down_evenly() -> None:
    """Smoothing must not overshoot or ripple where the peaks are steady."""
    gain_db = limiter_gain_db(np.full(400, 2.0), -1.0, 0.004, 0.05, STEP_S)
    assert gain_db == pytest.approx(np.full(400, -3.0), abs=1e-12)


@settings(max_examples=60, deadline=None)
@given(
    gain_db=arrays(np.float64, st.integers(1, 60), elements=st.floats(-30.0, 0.0)),
    step_frames=st.sampled_from([8, 44, 48, 192]),
    cuts=st.lists(st.integers(0, 4_000), max_size=6),
)
def test_no_sample_exceeds_its_step(gain_db: NDArray[np.float64], step_frames: int, cuts: list[int]) -> None:
    frames = gain_db.size * step_frames - step_frames // 3
    gains = expand(gain_db, step_frames, 0, frames)
    assert gains.shape == (frames,)
    assert gains.dtype == np.float32
    allowed = np.repeat(10.0 ** (gain_db / 20.0), step_frames)[:frames]
    assert (gains <= allowed * (1.0 + 2e-7)).all()
    assert gains.min() == pytest.approx(10.0 ** (gain_db.min() / 20.0), rel=1e-6)
    edges = sorted({0, frames, *(cut % (frames + 1) for cut in cuts)})
    parts = [expand(gain_db, step_frames, a, b - a) for a, b in pairwise(edges)]
    assert np.array_equal(np.concatenate(parts), gains)


def test_gain_stays_after_the_last_step() -> None:
    assert expand(np.array([-6.0]), 10, 0, 25) == pytest.approx(np.full(25, 10.0 ** (-6.0 / 20.0)))


def loud_song(rate_hz: int) -> Block:
    """Ten seconds of band-limited noise, tones and clicks, peaks up to 9 dB over full scale, from a fixed seed."""
    rng = np.random.default_rng(11)
    frames = 10 * rate_hz
    noise = rng.standard_normal((2, frames)) * 0.25
    time_s = np.arange(frames) / rate_hz
    noise += 0.7 * np.sin(2.0 * np.pi * 110.0 * time_s) * (np.sin(2.0 * np.pi * 2.0 * time_s) > 0.0)
    noise[:, rng.integers(0, frames, 40)] += 2.0
    low_pass = signal.butter(6, 0.9, output="sos")
    return signal.sosfilt(low_pass, noise, axis=1).astype(np.float32)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_limited_sound_keeps_the_ceiling(rate_hz: int) -> None:
    """Aimed 0.2 dB under -1 dBTP: by BS.1770-5's filter, and by 16 times oversampling with a much longer filter."""
    block = loud_song(rate_hz)
    step_frames = rate_hz // 1000
    aim_db = -1.2
    envelope = TruePeakEnvelope(2, step_frames, 10.0 ** (aim_db / 20.0), block.shape[1])
    envelope.update(block)
    peak_db = 20.0 * np.log10(np.maximum(envelope.result(), 1e-6))
    gain_db = limiter_gain_db(peak_db, aim_db, 0.005, 0.1, step_frames / rate_hz)
    assert gain_db.min() < -5.0
    limited = block * expand(gain_db, step_frames, 0, block.shape[1])
    meter = TruePeak(2)
    meter.update(limited)
    assert 20.0 * math.log10(meter.result()) <= -1.0
    oversampled = signal.resample_poly(limited.astype(np.float64), 16, 1, axis=1, window=("kaiser", 12.0))
    assert 20.0 * math.log10(np.abs(oversampled).max()) <= -0.8
