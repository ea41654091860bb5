"""Slots: individual levels, shared spectra."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from synthetic import slots_of

BANDS = 5


def powers(seed: int, slots: int) -> NDArray[np.float32]:
    """Band powers with a silent slot in front."""
    bands = np.random.default_rng(seed).exponential(1.0, (BANDS, slots)).astype(np.float32)
    bands[:, 0] = 0.0
    return bands


@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 99), slots=st.integers(1, 40), shared=st.integers(1, 50))
def test_every_slot_keeps_its_level_however_many_share_a_spectrum(seed: int, slots: int, shared: int) -> None:
    bands = powers(seed, slots)
    found = slots_of(bands, bands.max(axis=0), shared)
    np.testing.assert_allclose(found.weighted(np.ones(BANDS)), bands.sum(axis=0), rtol=1e-5)
    assert found.spectrum().sum() == pytest.approx(bands.sum(dtype=np.float64), rel=1e-5)
    np.testing.assert_allclose(found.spectrum(), bands.sum(axis=1, dtype=np.float64), rtol=1e-4)


@given(seed=st.integers(0, 99), slots=st.integers(2, 40))
def test_a_slot_with_its_own_spectrum_is_exact(seed: int, slots: int) -> None:
    bands, rng = powers(seed, slots), np.random.default_rng(seed + 1)
    found = slots_of(bands, bands.max(axis=0))
    per_band, per_slot, some = rng.random(BANDS), rng.random(slots), rng.random(slots) < 0.5
    np.testing.assert_allclose(found.weighted(per_band), per_band @ bands, rtol=1e-5)
    np.testing.assert_allclose(found.spectrum(per_slot), bands @ per_slot, rtol=1e-5)
    np.testing.assert_allclose(found.only(some).weighted(per_band), (per_band @ bands)[some], rtol=1e-5)
    gain = rng.random(slots).astype(np.float32)
    np.testing.assert_allclose(found.scaled(gain).weighted(per_band), (per_band @ bands) * gain**2, rtol=1e-5)
    np.testing.assert_array_equal(found.scaled(gain).peaks, found.peaks * gain)


def test_bad_slots_are_replaced_by_their_neighbours() -> None:
    slots = slots_of(np.arange(12, dtype=np.float32).reshape(2, 6), np.arange(6, dtype=np.float32))
    rest = slots.without({0, 3, 4, 6, 9})
    np.testing.assert_array_equal(rest.peaks, [1, 1, 2, 2, 2, 5])
    np.testing.assert_array_equal(rest.powers, [8, 8, 10, 10, 10, 16])
    np.testing.assert_allclose(rest.weighted(np.array([1.0, 0.0])), [1, 1, 2, 2, 2, 5])
    np.testing.assert_array_equal(slots.without(set(range(6))).peaks, slots.peaks)


def test_a_spectrum_shared_with_a_bad_slot_is_replaced() -> None:
    """Feedback in the upper band, in the last of three slots that share a spectrum."""
    bands = np.tile(np.array([[1.0], [0.01]], np.float32), 9)
    bands[1, 5] = 50.0
    rest = slots_of(bands, bands.max(axis=0), 3).without({5})
    np.testing.assert_allclose(rest.weighted(np.array([0.0, 1.0])), 0.01, rtol=1e-5)
    np.testing.assert_allclose(rest.weighted(np.array([1.0, 0.0])), 1.0, rtol=1e-5)
    np.testing.assert_array_equal(rest.peaks, 1.0)


@given(seed=st.integers(0, 99), slots=st.integers(3, 40), shared=st.integers(1, 5), data=st.data())
def test_slots_that_are_replaced_keep_their_spectra_and_leave_the_others_alone(
    seed: int, slots: int, shared: int, data: st.DataObject
) -> None:
    first = data.draw(st.integers(0, slots - 1))
    count = data.draw(st.integers(1, slots - first))
    old, new = powers(seed, slots), powers(seed + 1, count)
    whole, part = slots_of(old, old.max(axis=0), shared), slots_of(new, new.max(axis=0))
    found = whole.replaced(first, part)
    there = np.zeros(slots, bool)
    there[first : first + count] = True
    assert len(found) == slots
    per_band = np.random.default_rng(seed).random(BANDS)
    np.testing.assert_allclose(found.weighted(per_band)[there], part.weighted(per_band), rtol=1e-5)
    np.testing.assert_allclose(found.weighted(per_band)[~there], whole.weighted(per_band)[~there], rtol=1e-5)
    np.testing.assert_array_equal(
        found.peaks, np.where(there, np.resize(np.pad(part.peaks, (first, 0)), slots), whole.peaks)
    )
