"""The loudness meter, the true-peak meters and the filter stage as streams."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from morningmix.dsp.filter import FilterStage
from morningmix.dsp.meter import Loudness, LoudnessMeter
from morningmix.dsp.truepeak import PHASES, TruePeak, TruePeakEnvelope
from morningmix.laws.filters import butterworth_high_pass, peaking
from morningmix.laws.loudness import k_weighting
from morningmix.units import Block

RATES_HZ = st.sampled_from([8_000, 11_025, 22_050, 44_100, 44_101, 48_000])


@st.composite
def sounds(draw: st.DrawFn, max_frames: int = 40_000) -> Block:
    """Noise whose level changes suddenly, with digital silence in between: one or two channels."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    frames = draw(st.integers(1, max_frames))
    gains = draw(st.lists(st.sampled_from([0.0, 0.01, 0.3, 1.0]), min_size=1, max_size=6))
    noise = rng.standard_normal((draw(st.integers(1, 2)), frames)) * np.resize(np.repeat(gains, 700), frames)
    if draw(st.booleans()):
        noise = np.cumsum(noise, axis=1) / 20.0
    return noise.astype(np.float32)


def pieces(block: Block, cuts: list[int]) -> Iterator[Block]:
    edges = sorted({0, block.shape[1], *(cut % (block.shape[1] + 1) for cut in cuts)})
    for start, end in pairwise(edges):
        yield np.ascontiguousarray(block[:, start:end])


CUTS = st.lists(st.integers(0, 100_000), max_size=8)


def every_point(block: Block) -> NDArray[np.float64]:
    """All four phases in full, silence before and after: ``(channels, 4, frames + 11)``."""
    return np.array([[np.convolve(channel.astype(np.float64), phase) for phase in PHASES] for channel in block])


# ---------------------------------------------------------------- loudness


@settings(max_examples=30, deadline=None)
@given(block=sounds(), cuts=CUTS, rate_hz=RATES_HZ)
def test_loudness_does_not_depend_on_the_cut(block: Block, cuts: list[int], rate_hz: int) -> None:
    block.flags.writeable = False
    whole = LoudnessMeter(rate_hz, len(block))
    whole.update(block)
    cut = LoudnessMeter(rate_hz, len(block))
    for piece in pieces(block, cuts):
        cut.update(piece)
        cut.result()
    assert cut.result() == whole.result()
    assert np.array_equal(cut.momentary_powers(), whole.momentary_powers())
    assert np.array_equal(cut.short_term_powers(), whole.short_term_powers())


@pytest.mark.parametrize("rate_hz", [11_025, 44_100, 48_000, 192_000])
def test_powers_are_those_of_the_plain_definition(rate_hz: int) -> None:
    """BS.1770-5, Annex 1, eqs. 1 to 3, written down directly, with the two sections one after the other."""
    block = np.random.default_rng(3).standard_normal((2, int(4.05 * rate_hz))).astype(np.float32) * 0.1
    meter = LoudnessMeter(rate_hz, 2)
    meter.update(block)
    weighted = signal.sosfilt(k_weighting(rate_hz), block.astype(np.float64), axis=1)
    edges = [k * rate_hz // 10 for k in range(41)]
    expected = [sum(np.mean(np.square(channel[edges[k] : edges[k + 4]])) for channel in weighted) for k in range(37)]
    assert meter.momentary_powers() == pytest.approx(np.array(expected), rel=1e-9)
    assert meter.short_term_powers().size == 11


def test_channels_add_up_as_powers() -> None:
    block = np.random.default_rng(4).standard_normal((2, 48_000)).astype(np.float32)
    powers = []
    for channels in (block, block[:1], block[1:]):
        meter = LoudnessMeter(48_000, len(channels))
        meter.update(channels)
        powers.append(meter.momentary_powers())
    assert powers[0] == pytest.approx(powers[1] + powers[2], rel=1e-12)


def test_what_cannot_be_known_is_none() -> None:
    nothing = Loudness(
        integrated_lufs=None,
        max_momentary_lufs=None,
        max_short_term_lufs=None,
        range_lu=None,
        true_peak_dbtp=None,
        sample_peak_dbfs=None,
    )
    meter = LoudnessMeter(48_000, 1)
    assert meter.result() == nothing
    meter.update(np.zeros((1, 480_000), dtype=np.float32))
    assert meter.result() == nothing
    short = LoudnessMeter(48_000, 1)
    short.update(np.full((1, 19_199), 0.5, dtype=np.float32))
    assert short.result().max_momentary_lufs is None
    assert short.result().sample_peak_dbfs == pytest.approx(-6.02, abs=0.01)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_a_sample_that_is_no_number_is_refused(bad: float) -> None:
    block = np.zeros((2, 1_000), dtype=np.float32)
    block[1, 500] = bad
    with pytest.raises(ValueError, match="not a finite number"):
        LoudnessMeter(48_000, 2).update(block)


# ---------------------------------------------------------------- true peak


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


# ---------------------------------------------------------------- filter stage


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


def test_filter_stage_comes_to_rest_in_silence() -> None:
    """A state that went on decaying would reach denormal numbers, which are many times slower."""
    stage = FilterStage(butterworth_high_pass(100.0, 48_000), 1)
    stage.process(np.ones((1, 100), dtype=np.float32))
    stage.process(np.zeros((1, 48_000), dtype=np.float32))
    assert not stage._state.any()


def test_resting_does_not_show_in_the_sound() -> None:
    """Where the state is set to zero depends on the cut; what comes out does not."""
    noise = np.random.default_rng(6).standard_normal((1, 3_000)).astype(np.float32)
    block = np.concatenate((noise, np.zeros((1, 60_000), dtype=np.float32), noise), axis=1)
    sos = np.concatenate((butterworth_high_pass(100.0, 48_000), peaking(1_000.0, 3.0, 1.0, 48_000)))
    expected = signal.sosfilt(sos, block.astype(np.float64), axis=1).astype(np.float32)
    # float32 cannot hold what is left after so much silence, and rounds it to zero.
    for size in (997, 20_000, 70_000):
        stage = FilterStage(sos, 1)
        parts = [stage.process(block[:, start : start + size]) for start in range(0, block.shape[1], size)]
        assert np.array_equal(np.concatenate(parts, axis=1), expected)
