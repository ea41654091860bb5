"""Band powers on disk."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from morningmix.errors import OutputError
from morningmix.measure.band_store import BandStore, BandWriter


@settings(max_examples=25, deadline=None)
@given(
    level_db=st.lists(st.floats(-125.0, 5.0), min_size=12, max_size=12),
    start=st.integers(0, 3),
    length=st.integers(0, 3),
)
def test_stored_powers_are_read_back_within_rounding(
    tmp_path_factory: pytest.TempPathFactory, level_db: list[float], start: int, length: int
) -> None:
    path = tmp_path_factory.mktemp("bands") / "one.bands"
    bands = (10.0 ** (np.array(level_db, np.float64).reshape(2, 6) / 10.0)).astype(np.float32)
    with BandWriter(path) as writer:
        writer.write(bands[:, :2])
        writer.write(bands[:, 2:])
    store = BandStore(paths=(path,), bands=2, hops=6, hop_s=0.02, band_hz=np.array([100.0, 200.0, 400.0]))
    back_db = 10.0 * np.log10(store.read(0, start, start + length))
    # Half a step of a 16-bit float (IEEE 754: ten bits behind the point) is 1/32 dB between 64 and 128 dB.
    np.testing.assert_allclose(back_db, 10.0 * np.log10(bands[:, start : start + length]), atol=1 / 32 + 1e-3)


def test_exact_powers_are_read_back_unchanged(tmp_path: Path) -> None:
    bands = np.random.default_rng(1).exponential(1.0, (2, 6)).astype(np.float32)
    with BandWriter(tmp_path / "one.left", exact=True) as writer:
        writer.write(bands)
    store = BandStore(
        paths=(tmp_path / "one.left",), bands=2, hops=6, hop_s=0.02, band_hz=np.geomspace(100.0, 400.0, 3), exact=True
    )
    np.testing.assert_array_equal(store.read(0, 2, 5), bands[:, 2:5])


def test_silence_is_stored_as_the_floor(tmp_path: Path) -> None:
    with BandWriter(tmp_path / "silence.bands") as writer:
        writer.write(np.zeros((3, 4), np.float32))
    store = BandStore(
        paths=(tmp_path / "silence.bands",), bands=3, hops=4, hop_s=0.02, band_hz=np.geomspace(100.0, 800.0, 4)
    )
    back = store.read(0, 0, 4)
    assert back.shape == (3, 4)
    assert np.all((back > 0.0) & (back < 2e-13))


def test_a_missing_folder_is_an_output_error(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"one\.bands could not be written"):
        BandWriter(tmp_path / "missing" / "one.bands")
