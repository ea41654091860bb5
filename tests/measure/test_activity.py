"""Coarse activity of inputs, from band powers made by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from morningmix.dsp.bands import band_edges_hz
from morningmix.measure.activity import EDGES_HZ, measure_activity
from morningmix.measure.band_store import BandStore, BandWriter
from morningmix.model.measured import Activity

BAND_HZ = band_edges_hz(48_000)
BANDS = len(BAND_HZ) - 1
CENTRES_HZ = np.sqrt(BAND_HZ[:-1] * BAND_HZ[1:])
QUIET = 1e-9


def activity(folder: Path, inputs: list[NDArray[np.float64]], families: list[str]) -> Activity:
    """Activity of inputs whose powers ``(bands, hops)`` are given, 20 ms a hop."""
    paths = []
    for number, powers in enumerate(inputs):
        paths.append(folder / f"{number}.bands")
        with BandWriter(paths[-1], exact=True) as writer:
            writer.write(powers.astype(np.float32))
    store = BandStore(paths=tuple(paths), bands=BANDS, hops=inputs[0].shape[1], hop_s=0.02, band_hz=BAND_HZ, exact=True)
    return measure_activity(store, families)


def level(power_by_hop: NDArray[np.float64]) -> NDArray[np.float64]:
    """The same power in every band."""
    return np.tile(power_by_hop, (BANDS, 1))


def test_frames_of_a_tenth_of_a_second_hold_the_mean_power_of_five_hops(tmp_path: Path) -> None:
    powers = np.full((BANDS, 23), QUIET)
    band = int(np.argmin(np.abs(CENTRES_HZ - 1_000.0)))
    powers[band, 5:10] = (1.0, 2.0, 3.0, 4.0, 5.0)
    powers[band, 20:23] = (2.0, 4.0, 6.0)
    found = activity(tmp_path, [powers], ["keys"])
    assert (found.frame_s, found.hop_s) == (pytest.approx(0.1), 0.02)
    assert found.powers.shape == (1, len(EDGES_HZ) - 1, 5)
    broad = int(np.searchsorted(EDGES_HZ, 1_000.0)) - 1
    # The last frame is the mean of the three hops that are left.
    np.testing.assert_allclose(found.powers[0, broad], [0.0, 3.0, 0.0, 0.0, 4.0], atol=1e-6)
    np.testing.assert_allclose(found.powers[0].sum(axis=0), found.powers[0, broad], atol=1e-6)


def test_every_band_counts_in_the_broad_band_of_its_centre(tmp_path: Path) -> None:
    for band, centre_hz in enumerate(CENTRES_HZ.tolist()):
        powers = np.full((BANDS, 10), QUIET)
        powers[band] = 1.0
        found = activity(tmp_path, [powers], ["keys"]).powers[0, :, 0]
        low = max(edge for edge in EDGES_HZ[:-1] if edge <= max(centre_hz, EDGES_HZ[0]))
        assert int(found.argmax()) == EDGES_HZ.index(low)
        assert found.sum() == pytest.approx(1.0, abs=1e-4)


@pytest.mark.parametrize(("step_db", "rise_db"), [(12.0, 12.0), (45.0, 30.0), (-12.0, 0.0)])
def test_a_rise_is_over_the_louder_of_the_two_hops_before(tmp_path: Path, step_db: float, rise_db: float) -> None:
    power = np.full(40, 1e-4)
    power[20:] *= 10.0 ** (step_db / 10.0)
    rises = activity(tmp_path, [level(power)], ["drums"]).rises_db[0]
    assert rises[20] == pytest.approx(rise_db, abs=0.01)
    np.testing.assert_allclose(np.delete(rises, 20), 0.0, atol=1e-4)


def test_a_dip_of_one_hop_is_no_rise_and_half_of_the_bands_make_half_of_one(tmp_path: Path) -> None:
    power = np.full(40, 1e-2)
    power[20] = 1e-5
    assert activity(tmp_path, [level(power)], ["drums"]).rises_db.max() == pytest.approx(0.0, abs=1e-4)
    half = np.full((BANDS, 40), 1e-4)
    half[: BANDS // 2, 30:] = 1e-2
    rises = activity(tmp_path, [half], ["drums"]).rises_db[0]
    assert rises[30] == pytest.approx(20.0 * (BANDS // 2) / BANDS, abs=0.01)


def test_rises_and_levels_go_on_from_minute_to_minute(tmp_path: Path) -> None:
    """Powers are read a minute at a time (3000 hops); that must not show."""
    power = np.full(3_100, 1e-4)
    power[2_999:] = 1e-3
    power[3_001:] = 1e-2
    found = activity(tmp_path, [level(power)], ["drums"])
    expected = np.zeros(3_100)
    expected[[2_999, 3_001]] = 10.0
    np.testing.assert_allclose(found.rises_db[0], expected, atol=1e-3)
    by_frame = level(power).sum(axis=0).reshape(-1, 5).mean(axis=1)
    np.testing.assert_allclose(found.powers[0].sum(axis=0), by_frame, rtol=1e-4)


def drums_and_guitar(plays_db: float, leak_db: float = -20.0) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Drums that change every two seconds, and a guitar microphone that picks them up; it plays from 20 to 30 s."""
    rng = np.random.default_rng(1)
    drums = np.repeat(10.0 ** rng.uniform(-3.0, -1.0, 20), 100)
    # Nobody plays for four seconds, which shows the hiss.
    drums[:200] = 1e-9
    guitar = drums * 10.0 ** (leak_db / 10.0) + 1e-10
    guitar[1_000:1_500] += drums[1_000:1_500] * 10.0 ** ((leak_db + plays_db) / 10.0)
    return level(drums), level(guitar)


@pytest.mark.parametrize("leak_db", [-6.0, -20.0])
def test_bleed_alone_is_at_nothing_over_bleed_and_playing_as_far_above_as_it_is(tmp_path: Path, leak_db: float) -> None:
    drums, guitar = drums_and_guitar(15.0, leak_db)
    found = activity(tmp_path, [drums, guitar], ["drums", "guitars"]).over_bleed_db[1]
    rests, plays = np.r_[45:195, 305:400], np.arange(205, 295)
    assert float(np.median(found[:, rests])) == pytest.approx(0.0, abs=0.7)
    assert float(np.percentile(found[:, rests], 95)) < 1.5
    # With the bleed itself on top of it: 10 lg(1 + 31.6) = 15.1.
    assert float(np.median(found[:, plays])) == pytest.approx(15.1, abs=0.7)


def test_inputs_of_one_family_are_no_bleed_to_each_other(tmp_path: Path) -> None:
    drums, snare = drums_and_guitar(15.0)
    found = activity(tmp_path, [drums, snare], ["drums", "drums"]).over_bleed_db[1]
    assert float(np.median(found[:, 45:195])) > 8.0


def test_the_ring_of_another_input_in_the_next_frame_is_bleed_too(tmp_path: Path) -> None:
    """A hit every second; the microphone that picks it up still does 5 dB softer a tenth of a second later."""
    hits = np.full(2_000, 1e-8)
    for start in range(0, 2_000, 20):
        hits[start : start + 5] = 1e-2
    heard = 1e-2 * hits
    for start in range(5, 2_000, 20):
        heard[start : start + 5] = 1e-2 * 0.3 * 1e-2
    found = activity(tmp_path, [level(hits), level(heard)], ["drums", "guitars"]).over_bleed_db[1]
    np.testing.assert_allclose(found[:, 1::4], 0.0, atol=0.5)


def test_inputs_that_are_no_part_of_the_music_are_left_out(tmp_path: Path) -> None:
    drums, guitar = drums_and_guitar(15.0)
    alone = activity(tmp_path, [drums, guitar], ["drums", "guitars"])
    beside = activity(tmp_path, [drums, guitar, drums], ["drums", "guitars", ""])
    assert not beside.powers[2].any()
    assert not beside.rises_db[2].any()
    assert not beside.over_bleed_db[2].any()
    np.testing.assert_array_equal(beside.over_bleed_db[:2], alone.over_bleed_db)


def test_what_sounds_for_less_than_five_seconds_is_nobodys_bleed(tmp_path: Path) -> None:
    """Too little to learn from."""
    drums, guitar = drums_and_guitar(15.0)
    for seconds, learnt in ((4.0, False), (8.0, True)):
        short = drums.copy()
        short[:, 200 + round(50 * seconds) :] = 1e-12
        found = activity(tmp_path, [short, guitar], ["drums", "guitars"]).over_bleed_db[1]
        assert (float(np.median(found[:, 42:78])) < 2.0) == learnt


def test_silence_is_nobody(tmp_path: Path) -> None:
    found = activity(tmp_path, [np.zeros((BANDS, 500)), np.zeros((BANDS, 500))], ["drums", "guitars"])
    assert np.isfinite(found.over_bleed_db).all()
    assert found.over_bleed_db.max() < 0.1
    assert not found.rises_db.any()
