"""Measurements of a take in one pass, and their cache."""

from __future__ import annotations

import hashlib
import math
import os
import sys
import time
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of the files under test
from numpy.typing import NDArray

from lanes import lane_here, lane_of
from morningmix.audio.takes import find_take
from morningmix.errors import ChangedError, OutputError, RecordingsError
from morningmix.measure import take as room
from morningmix.measure.band_store import BandStore
from morningmix.measure.take import hash_take, measure_take, measuring_cost, slots_per_spectrum
from morningmix.model.measured import Measurements, TrackFacts
from morningmix.model.recording import Recording, Take


def take_of(folder: Path, sounds: Mapping[str, NDArray[Any]], rate_hz: int = 8_000) -> Take:
    """A take of float files: name -> ``(frames,)`` or ``(frames, 2)``."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, sound in sounds.items():
        soundfile.write(folder / f"{name}.wav", sound, rate_hz, subtype="FLOAT")
    return find_take(folder)


def measured(take: Take, cache: Path, workers: int = 1) -> Measurements:
    with lane_of(workers) as lane:
        return measure_take(take, cache, lane)[0]


def by_name(facts: Measurements) -> dict[str, TrackFacts]:
    return {track.files[0].removesuffix(".wav"): track for track in facts.tracks}


def assert_same(measured: Measurements, other: Measurements) -> None:
    assert (measured.rate_hz, measured.frames, measured.slot_s) == (other.rate_hz, other.frames, other.slot_s)
    np.testing.assert_array_equal(measured.band_hz, other.band_hz)
    for left, right in zip(measured.tracks, other.tracks, strict=True):
        for name in ("powers", "peaks", "spectra", "spectrum_of"):
            mine, theirs = getattr(left.slots, name), getattr(right.slots, name)
            np.testing.assert_array_equal(mine, theirs)
            assert mine.dtype == theirs.dtype == (np.uint16 if name == "spectrum_of" else np.float32)
        for name in ("files", "channels", "peak_dbfs", "clipped_runs", "dc", "side_fraction"):
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


def test_peak_dc_and_stereo_width_of_a_track(tmp_path: Path) -> None:
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
    assert facts["silent"].side_fraction == facts["lifted"].side_fraction == 0.0
    assert facts["lifted"].dc == pytest.approx(0.05, rel=1e-5)
    assert facts["opposite"].side_fraction == pytest.approx(1.0)
    assert facts["same"].side_fraction == pytest.approx(0.0)
    assert facts["one sided"].side_fraction == pytest.approx(0.5)
    assert facts["loud"].peak_dbfs == pytest.approx(20.0 * math.log10(0.5))
    # Slots of 0.1 s are 800 frames here.
    assert int(facts["loud"].slots.peaks.argmax()) == 12_345 // 800
    assert facts["same"].channels == 2


def test_a_second_run_takes_everything_from_the_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(2)
    take = take_of(tmp_path / "take", {"a": 0.1 * rng.standard_normal(9_000), "b": rng.random((9_000, 2))})
    whole = sum(measuring_cost(take, recording) for recording in take.recordings)

    def measured_whole() -> tuple[Measurements, BandStore]:
        done: list[float] = []
        lane = lane_here(lambda _, fraction: done.append(fraction))
        lane.run.meter.expect(whole)
        found = measure_take(take, tmp_path / "cache", lane)
        assert (done[0], done[-1]) == (0.0, pytest.approx(1.0))
        return found

    first, store = measured_whole()

    def refuse(*_: object) -> None:
        raise AssertionError("the sound was read again")

    monkeypatch.setattr(room, "open_recording", refuse)
    second, store_again = measured_whole()
    assert_same(first, second)
    np.testing.assert_array_equal(store.read(1, 0, store.hops), store_again.read(1, 0, store_again.hops))


@pytest.mark.parametrize(("change", "later_ns"), [("content", 1), ("time", 1), ("content", 0)])
def test_a_file_that_changed_is_measured_again(tmp_path: Path, change: str, later_ns: int) -> None:
    """Also with the same size and time as before."""
    take = take_of(tmp_path / "take", {"a": np.full(4_000, 0.1), "b": np.full(4_000, 0.1)})
    first = measured(take, tmp_path / "cache")
    path = tmp_path / "take" / "a.wav"
    before = path.stat()
    soundfile.write(path, np.full(4_000, 0.4 if change == "content" else 0.1), 8_000, subtype="FLOAT")
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns + later_ns))
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


@pytest.mark.skipif(sys.platform == "win32", reason="the system does not say when a file was last touched")
def test_changed_samples_under_an_old_time_are_noticed(tmp_path: Path) -> None:
    sound = np.full(100_000, 0.1)
    first = measured(take_of(tmp_path / "take", {"a": sound}), tmp_path / "cache")
    path = tmp_path / "take" / "a.wav"
    before = path.stat()
    time.sleep(0.02)  # the clock of a file system may tick only every few milliseconds
    with path.open("r+b") as file:
        file.seek(before.st_size - sound[50_000:].size * 4)
        file.write(np.ones(10, np.float32).tobytes())
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    second = measured(find_take(tmp_path / "take"), tmp_path / "cache")
    assert [one.tracks[0].clipped_runs for one in (first, second)] == [0, 1]


def test_a_file_that_is_only_touched_in_mid_run_has_not_changed(tmp_path: Path) -> None:
    take = take_of(tmp_path / "take", {"a": np.full(4_000, 0.1)})
    store = measure_take(take, tmp_path / "cache", lane_here())[1]
    path = tmp_path / "take" / "a.wav"
    time.sleep(0.02)
    path.chmod(0o600)
    assert hash_take(take, store, lane_here()) == ((hashlib.sha256(path.read_bytes()).hexdigest(),),)


def test_a_pair_and_a_continued_file_have_different_keys(tmp_path: Path) -> None:
    """The same files as a pair or joined, in a take of the same length."""
    take = take_of(tmp_path / "take", {"a": np.full(800, 0.1), "b": np.full(800, 0.1), "long": np.zeros(4_000)})
    a, b = (take.recordings[index].parts[0] for index in (0, 1))
    for lanes in (((a,), (b,)), ((a, b),)):
        recording = Recording(lanes=lanes)
        facts = measured(replace(take, recordings=(recording,)), tmp_path / "cache").tracks[0]
        assert facts.channels == len(lanes)
        assert int(np.count_nonzero(facts.slots.peaks)) == (1 if len(lanes) == 2 else 2)


def test_hashes_are_cached_until_a_file_changes(tmp_path: Path) -> None:
    take = take_of(tmp_path / "take", {"a": np.full(4_000, 0.1), "b": np.full(4_000, 0.1)})
    path, cache = tmp_path / "take" / "a.wav", tmp_path / "cache"
    store = measure_take(take, cache, lane_here())[1]
    with lane_of(2) as lane:
        first = hash_take(take, store, lane)
    assert first == hash_take(take, store, lane_here())
    assert first[0] == (hashlib.sha256(path.read_bytes()).hexdigest(),)
    soundfile.write(path, np.full(4_000, 0.4), 8_000, subtype="FLOAT")
    with pytest.raises(ChangedError, match=r"a\.wav changed during this run"):
        hash_take(take, store, lane_here())
    again = find_take(tmp_path / "take")
    second = hash_take(again, measure_take(again, cache, lane_here())[1], lane_here())
    assert second[0] != first[0]
    assert second[1] == first[1]
    path.unlink()
    with pytest.raises(RecordingsError, match=r"a\.wav: the file cannot be read"):
        hash_take(again, store, lane_here())


def test_an_interrupted_run_leaves_no_valid_entries(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    take = take_of(tmp_path / "take", {"a": np.full(40_000, 0.1)})

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    # When the last hops are written, all others are.
    with monkeypatch.context() as patch:
        patch.setattr(room.PopMeter, "result", interrupt)
        with pytest.raises(KeyboardInterrupt):
            measured(take, tmp_path / "cache")
    assert_same(measured(take, tmp_path / "cache"), measured(take, tmp_path / "fresh"))


def test_the_result_does_not_depend_on_the_number_of_workers(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    take = take_of(tmp_path / "take", {f"t{n}": 0.2 * rng.standard_normal(30_011) for n in range(5)})
    assert_same(measured(take, tmp_path / "one", workers=1), measured(take, tmp_path / "four", workers=4))


@pytest.mark.parametrize("most", [7, 10, 6000])
def test_the_number_of_spectra_is_limited_and_levels_stay_fine(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, most: int
) -> None:
    monkeypatch.setattr(room, "_MOST_SPECTRA", most)
    rng = np.random.default_rng(6)
    sound = 0.2 * rng.standard_normal(8_000 * 3 + 333)
    take = take_of(tmp_path / "take", {"a": sound})
    facts, store = measure_take(take, tmp_path / "cache", lane_here())
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


def test_a_cache_that_cannot_be_written_is_an_output_error(tmp_path: Path) -> None:
    take = take_of(tmp_path / "take", {"a": np.zeros(800)})
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(OutputError, match="Cannot make the folder"):
        measured(take, tmp_path / "file" / "cache")


def test_a_file_removed_meanwhile(tmp_path: Path) -> None:
    take = take_of(tmp_path / "take", {"a": np.zeros(8_000)})
    path = tmp_path / "take" / "a.wav"
    path.write_bytes(path.read_bytes()[:2000])
    with pytest.raises(RecordingsError, match=r"a\.wav"):
        measured(take, tmp_path / "cache")
