"""The filter stage."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from scipy import signal

from dsp.made import CUTS, pieces, sounds
from morningmix.dsp.filter import FilterStage, LowsInTheMiddle
from morningmix.laws.filters import butterworth_high_pass, peaking
from morningmix.units import Block


@settings(max_examples=30, deadline=None)
@given(block=sounds(), cuts=CUTS)
def test_filter_stage_does_not_depend_on_the_cut(block: Block, cuts: list[int]) -> None:
    block.flags.writeable = False
    sos = np.concatenate((butterworth_high_pass(100.0, 48_000), peaking(1_000.0, 3.0, 1.0, 48_000)))
    whole = FilterStage(sos, len(block)).process(block)
    stage = FilterStage(sos, len(block))
    assert np.array_equal(np.concatenate([stage.process(piece) for piece in pieces(block, cuts)], axis=1), whole)
    expected = signal.sosfilt(sos, block.astype(np.float64), axis=1)
    assert whole.dtype == np.float32
    assert whole == pytest.approx(expected, abs=1e-5 * max(1.0, float(np.abs(expected).max())))
    assert stage.latency_frames == 0


def test_the_state_reaches_zero_in_silence() -> None:
    """A state that went on decaying would reach denormal numbers, which are many times slower."""
    stage = FilterStage(butterworth_high_pass(100.0, 48_000), 1)
    stage.process(np.ones((1, 100), dtype=np.float32))
    stage.process(np.zeros((1, 48_000), dtype=np.float32))
    assert not stage._state.any()


def test_clearing_the_state_does_not_change_the_sound() -> None:
    """When the state is set to zero depends on the cut; the output does not."""
    noise = np.random.default_rng(6).standard_normal((1, 3_000)).astype(np.float32)
    block = np.concatenate((noise, np.zeros((1, 60_000), dtype=np.float32), noise), axis=1)
    sos = np.concatenate((butterworth_high_pass(100.0, 48_000), peaking(1_000.0, 3.0, 1.0, 48_000)))
    expected = signal.sosfilt(sos, block.astype(np.float64), axis=1).astype(np.float32)
    # After so much silence the rest rounds to zero in float32.
    for size in (997, 20_000, 70_000):
        stage = FilterStage(sos, 1)
        parts = [stage.process(block[:, start : start + size]) for start in range(0, block.shape[1], size)]
        assert np.array_equal(np.concatenate(parts, axis=1), expected)


def test_what_is_in_the_middle_stays_sample_for_sample() -> None:
    noise = np.random.default_rng(9).standard_normal((1, 4_800)).astype(np.float32)
    both = np.concatenate((noise, noise))
    assert np.array_equal(LowsInTheMiddle(120.0, 48_000).process(both), both)


@pytest.mark.parametrize(
    ("hz", "side_db"), [(40.0, -48.2), (60.0, -34.1), (120.0, -10.4), (300.0, 0.0), (2_000.0, 0.0)]
)
def test_sides_fall_away_below_the_corner_and_the_middle_does_not(hz: float, side_db: float) -> None:
    tone = np.sin(2.0 * np.pi * hz * np.arange(48_000) / 48_000.0)
    left, right = LowsInTheMiddle(120.0, 48_000).process(np.stack((0.8 * tone, 0.2 * tone)).astype(np.float32))[
        :, 24_000:
    ]
    assert left + right == pytest.approx(tone[24_000:], abs=1e-6)
    power = np.mean(np.square(left - right, dtype=np.float64)) / np.mean(np.square(0.6 * tone[24_000:]))
    assert 10.0 * np.log10(power) == pytest.approx(side_db, abs=0.2)
