"""Dither: Lipshitz, Wannamaker, Vanderkooy, "Quantization and dither: a theoretical survey", JAES 40(5), 1992."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from morningmix.dsp.dither import Dither, quantise, triangular_lsb
from morningmix.units import Block

FRAMES = 200_000


def tone(amplitude: float) -> Block:
    phase = 2.0 * np.pi * 997.0 / 48_000 * np.arange(FRAMES)
    return (amplitude * np.stack((np.sin(phase), np.cos(phase)))).astype(np.float32)


@pytest.mark.parametrize(("bits", "rms_db"), [(16, -96.33), (24, -144.49)])
def test_error_is_white_noise_of_the_known_level(bits: int, rms_db: float) -> None:
    """Error power of TPDF dither is LSB^2 / 4: the levels are computed from that, re a full scale of 1.0."""
    block = tone(0.1)
    half = 2 ** (bits - 1)
    error = Dither(1, 2, bits).process(block) / half - block.astype(np.float64)
    assert 10.0 * np.log10(np.mean(error**2)) == pytest.approx(rms_db, abs=0.05)
    lsb = 1.0 / half
    assert abs(error.mean()) < 4.0 * 0.5 * lsb / np.sqrt(error.size)
    for other in (block, np.roll(error, 1, axis=1), error[::-1]):
        correlation = np.mean(other * error) / np.sqrt(np.mean(np.square(other, dtype=np.float64)) * np.mean(error**2))
        assert abs(correlation) < 4.0 / np.sqrt(FRAMES)


@pytest.mark.parametrize("offset_lsb", [0.0, 0.25, 0.5])
def test_mean_and_power_of_the_error_do_not_depend_on_the_signal(offset_lsb: float) -> None:
    """A constant far under one LSB survives as a mean, and the noise does not change with it (no modulation)."""
    block = np.full((1, FRAMES), offset_lsb / 32_768, dtype=np.float32)
    out = Dither(2, 1, 16).process(block)
    assert out.mean() == pytest.approx(offset_lsb, abs=4.0 * 0.5 / np.sqrt(FRAMES))
    assert np.mean((out - offset_lsb) ** 2) == pytest.approx(0.25, rel=0.02)


def test_triangular_values() -> None:
    words = np.array([[0, 2**64 - 1, 0xFFFF, 0xFFFF_0000]], dtype=np.uint64)
    low, high = -65_535 / 65_536, 65_535 / 65_536
    assert sorted(triangular_lsb(words)[0, :4]) == [low, low, high, high]
    assert sorted(triangular_lsb(words)[0, 4:]) == [low, low, 0.0, 0.0]


@settings(max_examples=30, deadline=None)
@given(frames=st.integers(1, 20_000), cuts=st.lists(st.integers(0, 20_000), max_size=6), bits=st.sampled_from([16, 24]))
def test_samples_do_not_depend_on_the_cut(frames: int, cuts: list[int], bits: int) -> None:
    block = np.random.default_rng(frames).standard_normal((2, frames)).astype(np.float32) * 0.5
    block.flags.writeable = False
    whole = Dither(7, 2, bits)
    expected = whole.process(block)
    stage = Dither(7, 2, bits)
    edges = sorted({0, frames, *(cut % (frames + 1) for cut in cuts)})
    parts = [stage.process(block[:, start:end]) for start, end in pairwise(edges)]
    assert np.array_equal(np.concatenate(parts, axis=1), expected)
    assert stage.overs == whole.overs
    assert expected.dtype == np.int32


def test_seeds_differ() -> None:
    block = np.zeros((1, 1_000), dtype=np.float32)
    assert not np.array_equal(Dither(1, 1, 16).process(block), Dither(2, 1, 16).process(block))


def test_overs_are_clipped_and_counted() -> None:
    block = np.array([[1.5, -1.5, 0.5, 1.0, -1.0]], dtype=np.float32)
    samples, overs = quantise(block, 16, np.zeros((1, 5)))
    assert samples.tolist() == [[32_767, -32_768, 16_384, 32_767, -32_768]]
    assert overs == 3
    stage = Dither(1, 1, 16)
    stage.process(block * 4.0)
    stage.process(block * 4.0)
    assert stage.overs == 10


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_a_sample_that_is_no_number_is_refused(bad: float) -> None:
    block = np.zeros((1, 10), dtype=np.float32)
    block[0, 3] = bad
    with pytest.raises(ValueError, match="not a finite number"):
        Dither(1, 1, 16).process(block)
