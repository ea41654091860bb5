"""Filters that predict bleed from other inputs."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from morningmix.bleed.filters import (
    FAR_HZ,
    FAR_TAPS,
    FOLLOW_HZ,
    NEAR_TAPS,
    WINDOW_S,
    Follower,
    NormalEquations,
    history,
    predict,
    slabs,
    smooth_power,
    total_bleed,
)
from morningmix.dsp.stft import size_for


def test_slabs_cover_every_bin_once() -> None:
    size = size_for(0.085, 48_000)
    assert size == 4096
    parts = slabs(size, 48_000)
    assert [part.first for part in parts[1:]] == [part.last for part in parts[:-1]]
    assert (parts[0].first, parts[-1].last) == (0, size // 2 + 1)


def test_filters_match_an_independent_solver() -> None:
    """Weighted normal equations against `numpy.linalg.lstsq` on the weighted rows."""
    rng = np.random.default_rng(3)
    shape = (4, 3, 400)
    references = (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)).astype(np.complex64)
    own = (rng.standard_normal((4, 400)) + 1j * rng.standard_normal((4, 400))).astype(np.complex64)
    weights = rng.uniform(0.1, 2.0, (4, 398)).astype(np.float32)
    past = history(references, 3, 2)
    equations = NormalEquations(4, 9)
    equations.add(own[:, 2:], past, weights)
    filters = equations.solve()
    for row in range(4):
        root = np.sqrt(weights[row])
        wanted, *_ = np.linalg.lstsq((past[row] * root).T, own[row, 2:] * root, rcond=None)
        assert filters[row, :, 0].conj() == pytest.approx(wanted, abs=2e-3)
    assert predict(filters, references, 3, 2).sum(axis=1) == pytest.approx(
        total_bleed(filters, references, 3, 2), abs=1e-4
    )


def test_filters_do_not_depend_on_the_order_of_summation() -> None:
    """Two nearly equal references, like two microphones on one drum, in both orders."""
    rng = np.random.default_rng(5)
    common = rng.standard_normal((8, 1, 600)) + 1j * rng.standard_normal((8, 1, 600))
    each = rng.standard_normal((8, 12, 600)) + 1j * rng.standard_normal((8, 12, 600))
    past = (common + 0.03 * each).astype(np.complex64)
    own = past.sum(axis=1)

    def filters(order: NDArray[np.intp]) -> NDArray[np.complex64]:
        equations = NormalEquations(8, 12)
        for stretch in (slice(0, 300), slice(300, 600)):
            equations.add(own[:, stretch], past[:, order, stretch], np.ones((8, 300), np.float32))
        return equations.solve()[:, np.argsort(order)]

    forwards = np.arange(12)
    assert np.abs(filters(forwards) - filters(forwards[::-1])).max() < 2e-6


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_filters_are_long_where_rooms_ring_and_follow_where_movement_is_heard(rate_hz: int) -> None:
    size = size_for(WINDOW_S, rate_hz)
    for part in slabs(size, rate_hz):
        low_hz, high_hz = (edge * rate_hz / size for edge in (part.first, part.last - 1))
        slack_hz = 32.0 * rate_hz / size
        assert part.taps == (NEAR_TAPS if (low_hz + high_hz) / 2.0 < FAR_HZ + slack_hz / 2.0 else FAR_TAPS) or (
            abs(low_hz - FAR_HZ) < slack_hz
        )
        assert part.follows == (high_hz < FOLLOW_HZ + slack_hz and low_hz < FOLLOW_HZ - slack_hz / 2.0) or (
            abs(low_hz - FOLLOW_HZ) < slack_hz
        )
        assert 0 < part.last - part.first <= 32


def test_history_holds_the_last_frames_the_newest_first() -> None:
    references = np.arange(12, dtype=np.complex64).reshape(1, 2, 6)
    # Two references with the values 0..5 and 6..11; from frame 2 on, with the frame before.
    expected = [[2, 3, 4, 5], [8, 9, 10, 11], [1, 2, 3, 4], [7, 8, 9, 10]]
    np.testing.assert_array_equal(history(references, 2, 2)[0].real, expected)
    np.testing.assert_array_equal(history(references, 2, 2, every=2)[0].real, [row[::2] for row in expected])


def test_power_is_smoothed_over_three_frames_and_three_bins() -> None:
    """A single frame of power 9 becomes 1 in the nine around it; edges are repeated."""
    spectrum = np.zeros((7, 7), np.complex64)
    spectrum[3, 3] = 3.0j
    expected = np.zeros((7, 7))
    expected[2:5, 2:5] = 1.0
    np.testing.assert_allclose(smooth_power(spectrum), expected, atol=1e-6)
    np.testing.assert_allclose(smooth_power(np.full((4, 5), 1.0 + 1.0j, np.complex64)), 2.0, rtol=1e-6)
    corner = np.zeros((5, 5), np.complex64)
    corner[0, 0] = 3.0
    assert smooth_power(corner)[0, 0] == pytest.approx(4.0)
    assert smooth_power(corner)[1, 0] == pytest.approx(2.0)


def followed(
    parts: NDArray[np.complex64], target: NDArray[np.complex64], block: int, blocks: int = 1
) -> NDArray[np.complex64]:
    """The followed bleed, put back in time with its parts, blocks handed over so many at a time."""
    bins, unknowns, frames = parts.shape
    follower = Follower(bins, unknowns, block)
    level = np.mean(np.abs(target) ** 2, axis=1, keepdims=True).astype(np.float32)
    step = block * blocks
    out = [
        follower.process(target[:, at : at + step], parts[:, :, at : at + step], level) for at in range(0, frames, step)
    ]
    return np.concatenate(out, axis=1)[:, block:]


def noise_of(shape: tuple[int, ...], seed: int) -> NDArray[np.complex64]:
    rng = np.random.default_rng(seed)
    return (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)).astype(np.complex64)


@pytest.mark.parametrize("blocks", [1, 4])
def test_a_follower_follows_each_part_of_the_bleed(blocks: int) -> None:
    parts = noise_of((8, 2, 640), 1)
    gains = np.ones((2, 640))
    gains[0, 320:] = 0.6
    target = (parts * gains).sum(axis=1).astype(np.complex64)
    # Hiss far below the bleed.
    target += 1e-3 * noise_of(target.shape, 2)
    bleed = followed(parts, target, 32, blocks)
    for there in (slice(64, 256), slice(384, 600)):
        left = target[:, there] - bleed[:, there]
        assert np.sum(np.abs(left) ** 2) < 0.01 * np.sum(np.abs(target[:, there]) ** 2)


def test_a_follower_holds_still_while_somebody_sings() -> None:
    """20 dB louder than the bleed: there is no evidence, so the prediction stays as it is."""
    parts = noise_of((8, 1, 640), 1)
    voice = 10.0 * noise_of((8, 640), 2)
    bleed = followed(parts, parts[:, 0] + voice, 32)
    off = np.sum(np.abs(bleed - parts[:, 0, : bleed.shape[1]]) ** 2) / np.sum(np.abs(parts[:, 0]) ** 2)
    assert off < 0.1


def test_early_and_late_parts_of_a_prediction_are_told_apart() -> None:
    """The first two frames of a filter are early, the others late; with two frames there is no late part."""
    references = noise_of((3, 2, 20), 3)
    filters = noise_of((3, 12, 1), 4)
    parts = predict(filters, references, 6, 5)
    assert parts.shape == (3, 4, 15)
    taps = filters[:, :, 0].conj().reshape(3, 6, 2)
    for reference in range(2):
        delayed = [references[:, reference, 5 - tap : 20 - tap] * taps[:, tap, reference, None] for tap in range(6)]
        np.testing.assert_allclose(parts[:, reference], sum(delayed[:2]), atol=1e-5)
        np.testing.assert_allclose(parts[:, 2 + reference], sum(delayed[2:]), atol=1e-5)
    assert predict(filters[:, :4], references, 2, 5).shape == (3, 2, 15)
