"""The loudness meter, the true-peak meters and the filter stage as streams."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from dsp.made import CUTS, pieces, sounds
from morningmix.dsp.meter import Loudness, LoudnessMeter
from morningmix.laws.loudness import k_weighting
from morningmix.units import Block

RATES_HZ = st.sampled_from([8_000, 11_025, 22_050, 44_100, 44_101, 48_000])


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


def test_readings_without_enough_sound_are_none() -> None:
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
