"""Band powers of a signal."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from morningmix.dsp.bands import BandMeter, band_edges_bins, band_edges_hz, band_hop_frames, window_frames
from morningmix.model.slots import Bands
from morningmix.units import Block

RATES_HZ = (44_100, 48_000, 96_000)


def metered(block: Block, rate_hz: int) -> Bands:
    meter = BandMeter(rate_hz, block.shape[0])
    return np.concatenate([meter.update(block), meter.finish()], axis=1)


def sine(hz: float, seconds: float, rate_hz: int, amplitude: float = 1.0) -> Block:
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    return (amplitude * np.sin(2.0 * np.pi * hz * t)).astype(np.float32)[None]


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("hz", [997.0, 5000.0])
def test_a_sine_of_amplitude_one_has_half_in_its_band(rate_hz: int, hz: float) -> None:
    # Mean square of a sine is half the square of its amplitude.
    edges = band_edges_hz(rate_hz)
    band = int(np.searchsorted(edges, hz)) - 1
    # In the middle of the band, since a Hann window spreads a tone over four bins.
    middle = float(np.sqrt(edges[band] * edges[band + 1]))
    assert metered(sine(middle, 1.0, rate_hz), rate_hz)[band, 5:-5] == pytest.approx(0.5, rel=2e-2)
    assert metered(sine(hz, 1.0, rate_hz), rate_hz)[:, 5:-5].sum(axis=0) == pytest.approx(0.5, rel=1e-3)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_white_noise_spreads_over_the_bands_by_their_width(rate_hz: int) -> None:
    rng = np.random.default_rng(3)
    noise = (0.1 * rng.standard_normal((2, 8 * rate_hz))).astype(np.float32)
    mean = metered(noise, rate_hz)[:, 5:-5].mean(axis=1, dtype=np.float64)
    width = np.diff(band_edges_hz(rate_hz)) / (rate_hz / 2.0)
    wide = np.diff(band_edges_bins(rate_hz)) > 20
    assert mean[wide] == pytest.approx(0.01 * width[wide], rel=0.06)


def test_channels_are_averaged_as_powers() -> None:
    left = sine(1000.0, 0.5, 48_000)
    pair = np.concatenate([left, -left])
    one_sided = np.concatenate([left, np.zeros_like(left)])
    # Opposite phases do not cancel, and half the channels give half the power.
    np.testing.assert_allclose(metered(pair, 48_000), metered(left, 48_000), rtol=1e-5, atol=1e-12)
    np.testing.assert_allclose(metered(one_sided, 48_000), metered(left, 48_000) / 2.0, rtol=1e-5, atol=1e-12)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_a_click_sounds_in_its_own_hop(rate_hz: int) -> None:
    hop = band_hop_frames(rate_hz)
    click = np.zeros((1, 20 * hop), np.float32)
    click[0, 7 * hop + hop // 2] = 1.0
    assert int(metered(click, rate_hz).sum(axis=0).argmax()) == 7


@pytest.mark.parametrize("rate_hz", [8_000, 16_000, 22_050, 32_000, *RATES_HZ, 88_200, 192_000])
def test_bands_are_distinct_and_under_half_the_rate(rate_hz: int) -> None:
    edges = band_edges_hz(rate_hz)
    assert np.all(np.diff(band_edges_bins(rate_hz)) >= 1)
    assert edges[0] > 0.0
    assert edges[-1] < rate_hz / 2.0
    assert window_frames(rate_hz) >= 2 * band_hop_frames(rate_hz)


@settings(max_examples=40, deadline=None)
@given(
    rate_hz=st.sampled_from([8_000, 44_100, 48_000]),
    channels=st.integers(1, 2),
    frames=st.integers(1, 120_000),
    cuts=st.lists(st.integers(0, 200_000), max_size=6),
    seed=st.integers(0, 2**32 - 1),
)
def test_any_cut_gives_the_same_bands(rate_hz: int, channels: int, frames: int, cuts: list[int], seed: int) -> None:
    block = np.random.default_rng(seed).standard_normal((channels, frames)).astype(np.float32)
    block.flags.writeable = False
    whole = metered(block, rate_hz)
    edges = sorted({0, frames, *(cut % (frames + 1) for cut in cuts)})
    meter = BandMeter(rate_hz, channels)
    parts = [meter.update(np.ascontiguousarray(block[:, start:stop])) for start, stop in pairwise(edges)]
    np.testing.assert_array_equal(np.concatenate([*parts, meter.finish()], axis=1), whole)
    assert whole.shape == (len(band_edges_hz(rate_hz)) - 1, math.ceil(frames / band_hop_frames(rate_hz)))


def test_no_sound_no_hops() -> None:
    assert BandMeter(48_000, 1).finish().shape[1] == 0
