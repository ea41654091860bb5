"""Filters that predict bleed from other inputs."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from morningmix.bleed import subtract
from morningmix.bleed.filters import WINDOW_S, NormalEquations, history, predict, slabs, total_bleed
from morningmix.dsp.stft import size_for


def test_slabs_cover_every_bin_once() -> None:
    size = size_for(0.085, 48_000)
    assert size == 4096
    parts = slabs(size, 48_000)
    assert [part.first for part in parts[1:]] == [part.last for part in parts[:-1]]
    assert (parts[0].first, parts[-1].last) == (0, size // 2 + 1)


@pytest.mark.parametrize("workers", [1, 2, 3, 8, 64])
def test_slabs_are_distributed_completely_and_in_order(workers: int) -> None:
    cut = slabs(size_for(WINDOW_S, 48_000), 48_000)
    groups = subtract._balanced(cut, workers)
    assert tuple(slab for group in groups for slab in group) == cut
    assert len(groups) <= workers
    assert len(groups) >= min(workers, 8)


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
