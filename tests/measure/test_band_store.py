"""Band powers on disk."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from morningmix.errors import OutputError
from morningmix.measure.band_store import BandStore, BandWriter
from morningmix.model.measured import GainStep


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


@pytest.mark.parametrize("exact", [False, True])
def test_a_gain_step_is_undone_from_its_place_on_wherever_reading_begins(tmp_path: Path, exact: bool) -> None:
    """What was recorded 6 dB louder from the fourth hop on: 10^(6/10) = 3.98 times the power."""
    with BandWriter(tmp_path / "one", exact=exact) as writer:
        writer.write(np.where(np.arange(8) < 4, 1.0, 3.981).astype(np.float32) * np.ones((2, 1), np.float32))
    store = BandStore(
        paths=(tmp_path / "one", tmp_path / "one"),
        bands=2,
        hops=8,
        hop_s=0.02,
        band_hz=np.array([100.0, 200.0, 400.0]),
        gain_steps=((0, GainStep(at_s=0.08, step_db=6.0)),),
        exact=exact,
    )
    for start, stop in ((0, 8), (2, 6), (3, 4), (5, 8)):
        np.testing.assert_allclose(store.read(0, start, stop), 1.0, rtol=2e-3)
    # The other input has none.
    np.testing.assert_allclose(store.read(1, 5, 8), 3.981, rtol=2e-3)


def test_silence_in_exact_powers_is_the_floor(tmp_path: Path) -> None:
    with BandWriter(tmp_path / "one", exact=True) as writer:
        writer.write(np.zeros((1, 2), np.float32))
    store = BandStore(
        paths=(tmp_path / "one",), bands=1, hops=2, hop_s=0.02, band_hz=np.array([100.0, 200.0]), exact=True
    )
    # -130 dB: under the hiss of any input.
    np.testing.assert_allclose(store.read(0, 0, 2), 1e-13)


def test_powers_are_whole_as_long_as_no_byte_of_them_changes(tmp_path: Path) -> None:
    path = tmp_path / "one"
    with BandWriter(path) as writer:
        writer.write(np.ones((2, 6), np.float32))
    store = BandStore(paths=(path,), bands=2, hops=6, hop_s=0.02, band_hz=np.array([100.0, 200.0, 400.0]))
    assert store.is_whole(0)
    content = path.read_bytes()
    path.write_bytes(bytes([content[0] ^ 1]) + content[1:])
    assert not store.is_whole(0)
    path.write_bytes(content)
    assert store.is_whole(0)
    longer = BandStore(paths=(path,), bands=2, hops=7, hop_s=0.02, band_hz=store.band_hz)
    assert not longer.is_whole(0)
