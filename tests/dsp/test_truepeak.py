"""True peaks against the full evaluation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from dsp.made import CUTS, pieces, sounds
from morningmix.dsp.truepeak import PHASES, TruePeak, TruePeakEnvelope
from morningmix.units import Block


def every_point(block: Block) -> NDArray[np.float64]:
    """All four phases in full, silence before and after: ``(channels, 4, frames + 11)``."""
    return np.array([[np.convolve(channel.astype(np.float64), phase) for phase in PHASES] for channel in block])


def test_phases_mirror_each_other_and_pass_slow_sound() -> None:
    """BS.1770-5, Annex 2: the table is symmetric; a constant keeps its level within the table's rounding."""
    assert np.array_equal(PHASES[3], PHASES[0][::-1])
    assert np.array_equal(PHASES[2], PHASES[1][::-1])
    assert PHASES.sum(axis=1) == pytest.approx(np.ones(4), abs=0.03)


@settings(max_examples=40, deadline=None)
@given(block=sounds(), cuts=CUTS)
def test_true_peak_is_that_of_the_full_evaluation(block: Block, cuts: list[int]) -> None:
    expected = max(float(np.abs(every_point(block)).max()), float(np.abs(block).max()))
    whole = TruePeak(len(block))
    whole.update(block)
    cut = TruePeak(len(block))
    for piece in pieces(block, cuts):
        cut.update(piece)
        cut.result()
    assert whole.result() == pytest.approx(expected, rel=1e-6)
    assert cut.result() == whole.result()
    assert cut.sample_peak == float(np.abs(block).max())


@settings(max_examples=40, deadline=None)
@given(block=sounds(6_000), cuts=CUTS, step_frames=st.sampled_from([8, 44, 48, 96]), threshold=st.floats(0.05, 3.0))
def test_envelope_is_exact_above_its_threshold(
    block: Block, cuts: list[int], step_frames: int, threshold: float
) -> None:
    points = np.abs(every_point(block)).max(axis=(0, 1))
    magnitudes = np.abs(block).max(axis=0)
    # Point i of the convolution lies in the interval that ends at sample i - 5.
    between = points[5 : 5 + block.shape[1] + 1]
    expected = []
    for start in range(0, block.shape[1], step_frames):
        sample = magnitudes[start : start + step_frames].max()
        point = between[start : start + step_frames + 1].max()
        expected.append(max(sample, point) if point > threshold else sample)
    whole = TruePeakEnvelope(len(block), step_frames, threshold, block.shape[1])
    whole.update(block)
    cut = TruePeakEnvelope(len(block), step_frames, threshold, block.shape[1])
    for piece in pieces(block, cuts):
        cut.update(piece)
        cut.result()
    assert whole.result() == pytest.approx(np.array(expected), rel=1e-5)
    assert np.array_equal(cut.result(), whole.result())


@pytest.mark.parametrize("at", range(100, 132))
def test_worst_case_between_quiet_samples_is_found(at: int) -> None:
    """Samples of 0.5 whose signs are those of the taps make a point of 0.5 x 2.02, over a sample of 1.0 elsewhere."""
    block = np.zeros((1, 400), dtype=np.float32)
    block[0, 20] = 1.0
    block[0, at : at + 12] = 0.5 * np.sign(PHASES[1][::-1])
    worst = 0.5 * float(np.abs(PHASES[1]).sum())
    assert worst > 1.01
    meter = TruePeak(1)
    meter.update(block)
    assert meter.result() == pytest.approx(worst, rel=1e-6)
    envelope = TruePeakEnvelope(1, 48, 1.0, 400)
    envelope.update(block)
    assert envelope.result().max() == pytest.approx(worst, rel=1e-6)


def test_envelope_of_nothing_and_of_samples_alone() -> None:
    assert TruePeakEnvelope(2, 48, 0.5, 0).result().size == 0
    block = np.random.default_rng(5).standard_normal((2, 480)).astype(np.float32)
    envelope = TruePeakEnvelope(2, 48, np.inf, 480)
    envelope.update(block)
    assert np.array_equal(envelope.result(), np.abs(block).reshape(2, 10, 48).max(axis=(0, 2)))
