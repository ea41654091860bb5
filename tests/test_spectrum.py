"""Band powers of a stream, their file, and everything else that is measured while a take is read once."""

from __future__ import annotations

import hashlib
import math
import os
from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of the files under test
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from morningmix.dsp.spectrum import BandMeter, band_edges_bins, band_edges_hz, hop_frames, window_frames
from morningmix.errors import ChangedError, OutputError, RecordingsError
from morningmix.facts import Measurements, Take, TrackFacts
from morningmix.measure import take as room
from morningmix.measure.spectrum import BandStore, BandWriter
from morningmix.measure.take import hash_take, measure_take, slots_per_spectrum
from morningmix.recordings import find_take
from morningmix.slots import Bands
from morningmix.units import Block

RATES_HZ = (44_100, 48_000, 96_000)


def metered(block: Block, rate_hz: int) -> Bands:
    meter = BandMeter(rate_hz, block.shape[0])
    return np.concatenate([meter.update(block), meter.finish()], axis=1)


def sine(hz: float, seconds: float, rate_hz: int, amplitude: float = 1.0) -> Block:
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    return (amplitude * np.sin(2.0 * np.pi * hz * t)).astype(np.float32)[None]


# ---------------------------------------------------------------- powers


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
    hop = hop_frames(rate_hz)
    click = np.zeros((1, 20 * hop), np.float32)
    click[0, 7 * hop + hop // 2] = 1.0
    assert int(metered(click, rate_hz).sum(axis=0).argmax()) == 7


@pytest.mark.parametrize("rate_hz", [8_000, 16_000, 22_050, 32_000, *RATES_HZ, 88_200, 192_000])
def test_bands_are_distinct_and_under_half_the_rate(rate_hz: int) -> None:
    edges = band_edges_hz(rate_hz)
    assert np.all(np.diff(band_edges_bins(rate_hz)) >= 1)
    assert edges[0] > 0.0
    assert edges[-1] < rate_hz / 2.0
    assert window_frames(rate_hz) >= 2 * hop_frames(rate_hz)


# ---------------------------------------------------------------- streaming


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
    assert whole.shape == (len(band_edges_hz(rate_hz)) - 1, math.ceil(frames / hop_frames(rate_hz)))


def test_no_sound_no_hops() -> None:
    assert BandMeter(48_000, 1).finish().shape[1] == 0


# ---------------------------------------------------------------- the file


@settings(max_examples=25, deadline=None)
@given(
    level_db=st.lists(st.floats(-125.0, 5.0), min_size=12, max_size=12),
    start=st.integers(0, 3),
    length=st.integers(0, 3),
)
def test_what_is_stored_comes_back_within_the_rounding(
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


def test_what_is_exact_comes_back_as_it_was(tmp_path: Path) -> None:
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


def test_nowhere_to_write(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="Cannot write"):
        BandWriter(tmp_path / "missing" / "one.bands")


# ---------------------------------------------------------------- a take


def take_of(folder: Path, sounds: Mapping[str, NDArray[Any]], rate_hz: int = 8_000) -> Take:
    """A take of float files: name -> ``(frames,)`` or ``(frames, 2)``."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, sound in sounds.items():
        soundfile.write(folder / f"{name}.wav", sound, rate_hz, subtype="FLOAT")
    return find_take(folder)


def measured(take: Take, cache: Path, workers: int = 2) -> Measurements:
    return measure_take(take, cache, workers, lambda _: None)[0]


def by_name(facts: Measurements) -> dict[str, TrackFacts]:
    return {track.files[0].removesuffix(".wav"): track for track in facts.tracks}


def assert_same(one: Measurements, other: Measurements) -> None:
    assert (one.rate_hz, one.frames, one.slot_s) == (other.rate_hz, other.frames, other.slot_s)
    np.testing.assert_array_equal(one.band_hz, other.band_hz)
    for left, right in zip(one.tracks, other.tracks, strict=True):
        for name in ("powers", "peaks", "spectra", "spectrum_of"):
            mine, theirs = getattr(left.slots, name), getattr(right.slots, name)
            np.testing.assert_array_equal(mine, theirs)
            assert mine.dtype == theirs.dtype == (np.uint16 if name == "spectrum_of" else np.float32)
        for name in ("files", "channels", "peak_dbfs", "clipped_runs", "dc", "side_share"):
            assert getattr(left, name) == getattr(right, name), name


def clipped_runs(samples: NDArray[Any]) -> int:
    """Runs of three or more at full scale (within 0.01 dB), counted one sample at a time."""
    runs = 0
    for channel in np.atleast_2d(samples.T):
        length = 0
        for value in [*channel, 0.0]:
            if abs(value) >= 10.0 ** (-0.01 / 20.0):
                length += 1
            else:
                runs += length >= 3
                length = 0
    return runs


def test_runs_at_full_scale_are_counted_across_blocks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room, "_BLOCK_HOPS", 1)
    rng = np.random.default_rng(5)
    sounds: dict[str, NDArray[Any]] = {}
    for number in range(12):
        # Blocks are 160 frames; half of the samples clip, so that runs of every length lie across every border.
        shape = (1000,) if number % 2 else (1000, 2)
        sounds[f"t{number}"] = np.where(rng.random(shape) < (0.5, 0.9)[number % 4 // 2], -1.0, 0.5)
    border = np.zeros(1000)
    border[158:161] = 1.0
    sounds["across"] = border
    short = np.zeros(1000)
    short[159:161] = 1.0
    sounds["two are none"] = short
    end = np.zeros(1000)
    end[-3:] = 1.0
    sounds["at the end"] = end
    long = np.zeros(1000)
    long[100:700] = 1.0
    sounds["over four blocks"] = long
    facts = by_name(measured(take_of(tmp_path / "take", sounds), tmp_path / "cache"))
    assert {name: facts[name].clipped_runs for name in sounds} == {
        name: clipped_runs(sound) for name, sound in sounds.items()
    }
    assert [facts[name].clipped_runs for name in ("across", "two are none", "at the end", "over four blocks")] == [
        1,
        0,
        1,
        1,
    ]


def test_plain_numbers_of_a_track(tmp_path: Path) -> None:
    noise = 0.1 * np.random.default_rng(1).standard_normal(20_000)
    sounds = {
        "silent": np.zeros(20_000),
        "lifted": noise - noise.mean() + 0.05,
        "opposite": np.stack([noise, -noise], axis=1),
        "same": np.stack([noise, noise], axis=1),
        "one sided": np.stack([noise, np.zeros(20_000)], axis=1),
        "loud": np.where(np.arange(20_000) == 12_345, -0.5, 0.01),
    }
    facts = by_name(measured(take_of(tmp_path / "take", sounds), tmp_path / "cache"))
    assert facts["silent"].silent
    assert facts["silent"].peak_dbfs == -120.0
    assert not facts["silent"].slots.powers.any()
    assert facts["silent"].side_share == facts["lifted"].side_share == 0.0
    assert facts["lifted"].dc == pytest.approx(0.05, rel=1e-5)
    assert facts["opposite"].side_share == pytest.approx(1.0)
    assert facts["same"].side_share == pytest.approx(0.0)
    assert facts["one sided"].side_share == pytest.approx(0.5)
    assert facts["loud"].peak_dbfs == pytest.approx(20.0 * math.log10(0.5))
    # Slots of 0.1 s are 800 frames here.
    assert int(facts["loud"].slots.peaks.argmax()) == 12_345 // 800
    assert facts["same"].channels == 2


def test_a_second_run_reads_no_sound_and_says_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(2)
    take = take_of(tmp_path / "take", {"a": 0.1 * rng.standard_normal(9_000), "b": rng.random((9_000, 2))})
    told: list[float] = []
    first, store = measure_take(take, tmp_path / "cache", 2, told.append)
    assert sum(told) == pytest.approx(2 * take.duration_s)

    def refuse(*_: object) -> None:
        raise AssertionError("the sound was read again")

    monkeypatch.setattr(room, "open_recording", refuse)
    told_again: list[float] = []
    second, store_again = measure_take(take, tmp_path / "cache", 2, told_again.append)
    assert_same(first, second)
    assert sum(told_again) == pytest.approx(2 * take.duration_s)
    np.testing.assert_array_equal(store.read(1, 0, store.hops), store_again.read(1, 0, store_again.hops))


@pytest.mark.parametrize("change", ["content", "time"])
def test_a_file_that_changed_is_measured_again(tmp_path: Path, change: str) -> None:
    take = take_of(tmp_path / "take", {"a": np.full(4_000, 0.1), "b": np.full(4_000, 0.1)})
    first = measured(take, tmp_path / "cache")
    path = tmp_path / "take" / "a.wav"
    before = path.stat()
    soundfile.write(path, np.full(4_000, 0.4 if change == "content" else 0.1), 8_000, subtype="FLOAT")
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns + 1))
    reads: list[str] = []
    original = room.open_recording
    with pytest.MonkeyPatch.context() as patch:

        def counted(recording: Any, rate_hz: int) -> Any:
            reads.append(recording.files[0])
            return original(recording, rate_hz)

        patch.setattr(room, "open_recording", counted)
        second = measured(find_take(tmp_path / "take"), tmp_path / "cache")
    assert reads == ["a.wav"]
    louder = by_name(second)["a"].peak_dbfs - by_name(first)["a"].peak_dbfs
    assert louder == pytest.approx(20.0 * math.log10(4.0) if change == "content" else 0.0, abs=1e-4)


def test_hashes_are_kept_until_a_file_changes(tmp_path: Path) -> None:
    take = take_of(tmp_path / "take", {"a": np.full(4_000, 0.1), "b": np.full(4_000, 0.1)})
    path, cache = tmp_path / "take" / "a.wav", tmp_path / "cache"
    store = measure_take(take, cache, 1, lambda _: None)[1]
    first = hash_take(take, store, 2)
    assert first == hash_take(take, store, 1)
    assert first[0] == (hashlib.sha256(path.read_bytes()).hexdigest(),)
    soundfile.write(path, np.full(4_000, 0.4), 8_000, subtype="FLOAT")
    with pytest.raises(ChangedError, match=r"a\.wav was changed since it was listened to"):
        hash_take(take, store, 2)
    again = find_take(tmp_path / "take")
    second = hash_take(again, measure_take(again, cache, 1, lambda _: None)[1], 2)
    assert second[0] != first[0]
    assert second[1] == first[1]
    path.unlink()
    with pytest.raises(RecordingsError, match=r"a\.wav: the file cannot be read"):
        hash_take(again, store, 1)


def test_a_run_that_broke_off_leaves_nothing_that_counts(tmp_path: Path) -> None:
    take = take_of(tmp_path / "take", {"a": np.full(40_000, 0.1)})

    def told(_: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        measure_take(take, tmp_path / "cache", 1, told)
    assert_same(measured(take, tmp_path / "cache"), measured(take, tmp_path / "fresh"))


def test_the_number_of_workers_does_not_show(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(4)
    take = take_of(tmp_path / "take", {f"t{n}": 0.2 * rng.standard_normal(30_011) for n in range(5)})
    monkeypatch.setattr(room, "_WORTH_S", 0.0)
    assert_same(measured(take, tmp_path / "one", workers=1), measured(take, tmp_path / "four", workers=4))


@pytest.mark.parametrize("most", [7, 10, 6000])
def test_spectra_never_pass_their_number_and_levels_stay_fine(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, most: int
) -> None:
    monkeypatch.setattr(room, "_MOST_SPECTRA", most)
    rng = np.random.default_rng(6)
    sound = 0.2 * rng.standard_normal(8_000 * 3 + 333)
    take = take_of(tmp_path / "take", {"a": sound})
    facts, store = measure_take(take, tmp_path / "cache", 1, lambda _: None)
    slots = facts.tracks[0].slots
    hops = store.read(0, 0, store.hops).astype(np.float64)
    assert facts.slot_s == pytest.approx(0.1)
    assert len(slots) == facts.slots == math.ceil(store.hops / 5)
    assert slots.spectra.shape[1] <= most
    shared = 5 * slots_per_spectrum(take)
    for place in range(slots.spectra.shape[1]):
        mean = hops[:, place * shared : (place + 1) * shared].mean(axis=1)
        np.testing.assert_allclose(slots.spectra[:, place], mean, rtol=0.01)
    powers = [hops[:, slot * 5 : (slot + 1) * 5].sum(axis=0).mean() for slot in range(len(slots))]
    np.testing.assert_allclose(slots.powers, powers, rtol=0.01)
    expected = [np.abs(sound[n * 800 : (n + 1) * 800]).max() for n in range(len(slots))]
    np.testing.assert_allclose(slots.peaks, expected, rtol=1e-6)
    np.testing.assert_array_equal(slots.spectrum_of, np.arange(len(slots)) // slots_per_spectrum(take))


def test_a_two_hour_take_has_at_most_six_thousand_spectra(tmp_path: Path) -> None:
    take = take_of(tmp_path / "take", {"a": np.zeros(800)})
    for seconds in (1, 599, 600, 601, 1201, 7200, 20_000):
        long = Take(folder=take.folder, recordings=take.recordings, rate_hz=48_000, frames=seconds * 48_000)
        spectra = math.ceil(seconds * 10 / slots_per_spectrum(long))
        assert spectra <= 6000
        assert spectra > 2990 or seconds < 600


def test_where_nothing_can_be_kept(tmp_path: Path) -> None:
    take = take_of(tmp_path / "take", {"a": np.zeros(800)})
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(OutputError, match="Cannot make the folder"):
        measured(take, tmp_path / "file" / "cache")


def test_a_file_that_went_away_meanwhile(tmp_path: Path) -> None:
    take = take_of(tmp_path / "take", {"a": np.zeros(8_000)})
    path = tmp_path / "take" / "a.wav"
    path.write_bytes(path.read_bytes()[:2000])
    with pytest.raises(RecordingsError, match=r"a\.wav"):
        measured(take, tmp_path / "cache")
