"""Cleaned microphones in the cache: found again, and only while they are whole and for the same settings."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of the files under test

from lanes import lane_here
from morningmix.audio.read import read_stretch
from morningmix.audio.takes import find_take
from morningmix.bleed.cleaned import fractions_of_total, over_take
from morningmix.bleed.song import clean_song, cleaning_cost, read_song
from morningmix.bleed.stretch import stretches_of
from morningmix.errors import OutputError
from morningmix.measure.band_store import BandStore
from morningmix.measure.take import measure_take
from morningmix.model.measured import CleanedStretch
from morningmix.model.plan import Cleaning
from morningmix.model.recording import Recording, Take
from morningmix.model.slots import Slots
from synthetic import slots_of

RATE_HZ, SECONDS = 8_000, 3
CLEANING = Cleaning(targets=((1, True),), references=(0, 1))


def test_sources_are_told_as_fractions_of_all_the_largest_first() -> None:
    assert fractions_of_total({3: 1.0, 5: 2.0, 7: 0.0, 9: 1.0}) == ((5, 0.5), (9, 0.25), (3, 0.25))
    assert fractions_of_total({3: 1.0, 5: 2.0}) == ((5, 0.6667), (3, 0.3333))
    assert fractions_of_total({3: 0.0}) == ()
    assert fractions_of_total({}) == ()


@pytest.fixture
def take(tmp_path: Path) -> Take:
    folder = tmp_path / "take"
    folder.mkdir()
    rng = np.random.default_rng(1)
    drum = 0.1 * rng.standard_normal(RATE_HZ * SECONDS) * (np.arange(RATE_HZ * SECONDS) % 2_000 < 800)
    for name, sound in (("a drum", drum), ("b voice", 0.3 * drum + 1e-3 * rng.standard_normal(len(drum)))):
        soundfile.write(folder / f"{name}.wav", sound, RATE_HZ, subtype="FLOAT")
    return find_take(folder)


@pytest.fixture
def store(take: Take, tmp_path: Path) -> BandStore:
    return measure_take(take, tmp_path / "cache", lane_here())[1]


def cleaned(
    take: Take, store: BandStore, cleaning: Cleaning = CLEANING, *, only_cached: bool = False
) -> tuple[dict[int, CleanedStretch], float]:
    """Cleaned microphones, and how much of the work was counted as done, 0..1."""
    stretches = stretches_of(take, store, cleaning, store.paths[0].parent)
    if only_cached:
        return read_song(stretches) or {}, 1.0
    done = [0.0]
    lane = lane_here(lambda _, fraction: done.append(fraction))
    lane.run.meter.expect(cleaning_cost(cleaning) * SECONDS)
    return clean_song(stretches, lane), done[-1]


def test_what_was_cleaned_once_is_found_again(take: Take, store: BandStore) -> None:
    assert cleaned(take, store, only_cached=True)[0] == {}
    first, done = cleaned(take, store)
    assert list(first) == [1]
    assert done == pytest.approx(1.0)
    written = first[1].sound.parts[0].path
    before = written.stat().st_mtime_ns
    for only_cached in (False, True):
        again, done_again = cleaned(take, store, only_cached=only_cached)
        assert done_again == pytest.approx(1.0)
        assert again[1].bleed_sources == first[1].bleed_sources == ((0, 1.0),)
        assert again[1].subtracted
        np.testing.assert_array_equal(again[1].clear_db, first[1].clear_db)
        assert again[1].hop_s == 0.02
    assert written.stat().st_mtime_ns == before
    sound = read_stretch(first[1].sound, RATE_HZ, 0, RATE_HZ * SECONDS)
    assert sound.shape == (1, RATE_HZ * SECONDS)
    # Its levels are those of the sound that was written.
    assert first[1].slots.peaks.max() == pytest.approx(float(np.abs(sound).max()))


def test_sound_that_is_damaged_is_cleaned_again(take: Take, store: BandStore) -> None:
    first, _ = cleaned(take, store)
    path = first[1].sound.parts[0].path
    content = path.read_bytes()
    path.write_bytes(content[:100] + bytes([content[100] ^ 1]) + content[101:])
    # Who only wants to know what is there does not read all of the sound.
    assert list(cleaned(take, store, only_cached=True)[0]) == [1]
    cleaned(take, store)
    assert path.read_bytes() == content


def test_other_settings_are_cleaned_anew_and_no_temporary_sound_is_left(take: Take, store: BandStore) -> None:
    first, _ = cleaned(take, store)
    masked, _ = cleaned(take, store, replace(CLEANING, targets=((1, False),)))
    assert not masked[1].subtracted
    assert masked[1].bleed_sources == ()
    paths = [each[1].sound.parts[0].path for each in (first, masked)]
    assert paths[0] != paths[1]
    kept = {path.name.rsplit(".", 1)[1] for path in paths[1].parent.iterdir()}
    assert "scratch" not in kept
    assert {"bands", "clean", "cleaned"} <= kept


def test_a_microphone_over_its_take_is_cleaned_in_its_stretches_and_as_recorded_between_them() -> None:
    """Where nothing was cleaned its level over bleed is unknown, -1; long stretches count more for where it came from.

    Half a minute, of which the seconds from 5 to 10 and from 20 to 30 were cleaned.
    """

    def slots(power: float, count: int) -> Slots:
        return slots_of(np.full((4, count), power / 4.0, np.float32), np.full(count, power**0.5, np.float32))

    def stretch(
        power: float, seconds: float, sources: tuple[tuple[int, float], ...], clear_db: float
    ) -> CleanedStretch:
        return CleanedStretch(
            sound=Recording(lanes=()),
            subtracted=bool(sources),
            bleed_sources=sources,
            slots=slots(power, round(10 * seconds)),
            hop_s=0.02,
            clear_db=np.full(round(50 * seconds), clear_db, np.float32),
        )

    first, second = stretch(0.1, 5.0, ((1, 0.7), (2, 0.3)), 2.0), stretch(0.2, 10.0, ((2, 0.6), (3, 0.4)), 4.0)
    whole = over_take([((5.0, 10.0), first), ((20.0, 30.0), second)], slots(1.0, 300), 0.1, 1_500)
    expected = np.full(1_500, -1.0, np.float32)
    expected[250:500], expected[1_000:1_500] = 2.0, 4.0
    np.testing.assert_array_equal(whole.clear_db, expected)
    powers = np.ones(300)
    powers[50:100], powers[200:300] = 0.1, 0.2
    np.testing.assert_allclose(whole.slots.powers, powers, rtol=1e-6)
    # 3.5 s, 1.5 + 6 s and 4 s of fifteen.
    assert whole.bleed_sources == ((2, 0.5), (3, 0.2667), (1, 0.2333))
    assert whole.subtracted
    assert [stretch_s for stretch_s, _ in whole.sounds] == [(5.0, 10.0), (20.0, 30.0)]
    masked = over_take([((5.0, 10.0), stretch(0.1, 5.0, (), 2.0))], slots(1.0, 300), 0.1, 1_500)
    assert not masked.subtracted


def test_a_stretch_of_half_a_second_is_not_cleaned_wherever_it_lies(take: Take, store: BandStore) -> None:
    for stretch_s, there in (((2.4, 3.0), False), ((1.9, 3.0), True)):
        settings = replace(CLEANING, stretch_s=stretch_s)
        assert bool(stretches_of(take, store, settings, store.paths[0].parent)) == there


def test_hardly_a_second_is_too_short_to_clean(tmp_path: Path) -> None:
    for frames, there in ((7_800, False), (8_000, True)):
        folder = tmp_path / str(frames)
        folder.mkdir()
        for name in ("a", "b"):
            soundfile.write(folder / f"{name}.wav", np.full(frames, 0.1), RATE_HZ, subtype="FLOAT")
        take = find_take(folder)
        store = measure_take(take, tmp_path / "cache", lane_here())[1]
        assert (list(cleaned(take, store)[0]) == [1]) == there


class _Disk(NamedTuple):
    total: int
    used: int
    free: int


def test_cleaning_does_not_begin_on_a_disk_that_is_too_small(
    take: Take, store: BandStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three copies of the microphone as 32-bit floats, and some room for what is measured of them."""
    copy_bytes = 4 * RATE_HZ * SECONDS
    monkeypatch.setattr(shutil, "disk_usage", lambda _: _Disk(10**12, 10**12 - 3 * copy_bytes, 3 * copy_bytes))
    with pytest.raises(OutputError, match="Cleaning"):
        cleaned(take, store)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: _Disk(10**12, 0, 10**12))
    assert list(cleaned(take, store)[0]) == [1]
