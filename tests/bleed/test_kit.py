"""Drum microphones: the rest of the band goes, and the drums stay as they are."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from bleed.made import RATE_HZ, SECONDS, Sound, band, hits, room, write_inputs
from lanes import lane_of
from morningmix.audio.read import read_stretch
from morningmix.bleed import kit
from morningmix.bleed.song import clean_song
from morningmix.bleed.stretch import stretches_of
from morningmix.measure.take import measure_take
from morningmix.model.plan import Cleaning

NAMES = ("amp", "kick", "over", "voice 1", "voice 2")
AMP, KICK, OVER, VOICE, OTHER_VOICE = range(len(NAMES))
TARGETS = ((VOICE, True), (OTHER_VOICE, True))
FROM_120_HZ = ((AMP, 120.0), (VOICE, 120.0), (OTHER_VOICE, 120.0))
CLEANING = Cleaning(targets=TARGETS, references=tuple(range(5)), kit=(KICK, OVER), kit_references=FROM_120_HZ)


@pytest.fixture(scope="module")
def sounds() -> dict[str, Sound]:
    """A kick of 60 Hz and an overhead, with the amplifier and two voices in them, and all of them in the voices."""
    rng, toy = np.random.default_rng(11), band()
    body = (
        np.sin(2.0 * np.pi * 60.0 * np.arange(int(0.3 * RATE_HZ)) / RATE_HZ)
        * np.hanning(int(0.6 * RATE_HZ))[-int(0.3 * RATE_HZ) :]
    )
    kick = np.zeros(SECONDS * RATE_HZ)
    for start_s in np.arange(0.2, SECONDS - 0.5, 0.5):
        kick[int(start_s * RATE_HZ) :][: len(body)] += 2.0 * body
    over = toy["own drum"] + signal.oaconvolve(kick, 0.4 * room(rng, 0.004))[: len(kick)]
    # A guitar has no notes under 120 Hz.
    toy["own amp"] = signal.sosfilt(signal.butter(6, 150.0, "high", fs=RATE_HZ, output="sos"), toy["own amp"])
    found = {**toy, "own kick": kick, "own over": over}
    # Voices are far from the kit, and turn away from it.
    for name, amp_gain, voice_gain in (("kick", 0.1, 0.01), ("over", 0.6, 0.1)):
        others = [amp_gain * toy["own amp"], voice_gain * toy["own voice 1"], voice_gain * toy["own voice 2"]]
        found[name] = found[f"own {name}"] + sum(
            signal.oaconvolve(each, room(rng, 0.005))[: len(kick)] for each in others
        )
    found["amp"] = toy["own amp"] + signal.oaconvolve(kick, 0.05 * room(rng, 0.006))[: len(kick)]
    return found


def cleaned(
    folder: Path, sounds: dict[str, Sound], cleaning: Cleaning = CLEANING, workers: int = 1
) -> dict[str, Sound]:
    take = write_inputs(folder / "take", {name: sounds[name] for name in NAMES})
    with lane_of(workers) as lane:
        _, store = measure_take(take, folder / "cache", lane)
        found = clean_song(stretches_of(take, store, cleaning, folder / "cache"), lane)
    return {
        NAMES[index]: read_stretch(one.sound, RATE_HZ, 0, SECONDS * RATE_HZ)[0].astype(np.float64) / 0.1
        for index, one in found.items()
    }


@pytest.fixture(scope="module")
def plain(sounds: dict[str, Sound], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Sound]:
    return cleaned(tmp_path_factory.mktemp("plain"), sounds)


def sdr_db(own: Sound, sound: Sound) -> float:
    return float(10.0 * np.log10(np.sum(own**2) / np.sum((sound - own) ** 2)))


def test_the_band_goes_and_the_drums_stay(sounds: dict[str, Sound], plain: dict[str, Sound]) -> None:
    """At least the 5 dB of Kokkinis, Reiss, Mourjopoulos, IEEE TASL 20(3) 2012, here on a toy band."""
    for name in ("kick", "over"):
        own = sounds[f"own {name}"]
        assert sdr_db(own, plain[name]) > sdr_db(own, sounds[name]) + 8.0
        assert 10.0 * np.log10(np.sum(plain[name] * own) / np.sum(own**2)) == pytest.approx(0.0, abs=0.1)


@pytest.mark.slow
def test_voices_are_cleaned_as_they_are_without_a_kit(
    sounds: dict[str, Sound], plain: dict[str, Sound], tmp_path: Path
) -> None:
    alone = cleaned(tmp_path, sounds, Cleaning(targets=TARGETS, references=tuple(range(5))))
    assert sorted(alone) == ["voice 1", "voice 2"]
    for name, sound in alone.items():
        np.testing.assert_array_equal(sound, plain[name])


def test_over_5_khz_a_drum_microphone_stays_as_it_was_recorded(
    sounds: dict[str, Sound], plain: dict[str, Sound]
) -> None:
    highs = signal.butter(8, 5500.0, "high", fs=RATE_HZ, output="sos")
    before, after = (signal.sosfilt(highs, each["over"]) for each in (sounds, plain))
    assert np.sum((after - before) ** 2) < 1e-4 * np.sum(before**2)


def test_an_amplifier_does_not_cancel_the_kick_that_its_microphone_picks_up(
    sounds: dict[str, Sound], plain: dict[str, Sound]
) -> None:
    lows = signal.butter(4, 100.0, "low", fs=RATE_HZ, output="sos")
    own = signal.sosfilt(lows, sounds["own kick"])
    assert sdr_db(own, signal.sosfilt(lows, plain["kick"])) > 25.0


def test_a_drum_that_would_be_cancelled_stays_as_it_was_recorded(sounds: dict[str, Sound], tmp_path: Path) -> None:
    from_20_hz = Cleaning(
        targets=TARGETS,
        references=tuple(range(5)),
        kit=(KICK, OVER),
        kit_references=((AMP, 20.0), (VOICE, 20.0), (OTHER_VOICE, 20.0)),
    )
    found = cleaned(tmp_path, sounds, from_20_hz)
    np.testing.assert_allclose(found["kick"], sounds["kick"], atol=1e-6)
    assert sdr_db(sounds["own over"], found["over"]) > sdr_db(sounds["own over"], sounds["over"])


@pytest.mark.slow
def test_two_microphones_on_one_drum_do_not_cancel_each_other(sounds: dict[str, Sound], tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    twice = {**sounds, "over": 0.5 * sounds["kick"] + 1e-3 * hits(rng, 0.45)}
    found = cleaned(tmp_path, twice)
    own = 0.5 * sounds["own kick"]
    assert 10.0 * np.log10(np.sum(found["over"] * own) / np.sum(own**2)) == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("workers", [2])
def test_the_result_does_not_depend_on_the_number_of_workers(
    workers: int, sounds: dict[str, Sound], plain: dict[str, Sound], tmp_path: Path
) -> None:
    again = cleaned(tmp_path, sounds, workers=workers)
    for name, sound in plain.items():
        np.testing.assert_array_equal(sound, again[name])


@pytest.mark.parametrize(("over_db", "follows"), [(5.0, False), (7.0, True)])
def test_what_is_taken_follows_hits_where_it_is_6_db_stronger_there(
    over_db: float, follows: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Against the median of what can be heard between hits: 40 dB under the loudest slot and softer is silence."""
    level = np.tile([0.1, np.sqrt(0.7e-4)], 50)
    level[::25] = 1.0
    taken = np.where(level == 0.1, 0.01, 0.0)
    taken[::25] = 0.01 * 10.0 ** (over_db / 20.0)
    assert guard_of(level, taken, monkeypatch) is follows


def test_a_microphone_without_hits_is_left_as_it_was_cleaned(monkeypatch: pytest.MonkeyPatch) -> None:
    assert guard_of(np.full(100, 0.1), np.full(100, 0.01), monkeypatch) is False


def guard_of(level: NDArray[np.float64], taken: NDArray[np.float64], monkeypatch: pytest.MonkeyPatch) -> bool:
    """What the guard says of slots at these levels, of which so much was taken."""
    before, after = (np.repeat(sound, 100)[None].astype(np.float32) for sound in (level, level - taken))
    monkeypatch.setattr(kit, "_blocks", lambda *_: [(0, before)])
    monkeypatch.setattr(kit, "read_stretch", lambda *_: after)
    sounds = SimpleNamespace(rate_hz=1000, first_frame=0)
    stretch = SimpleNamespace(sounds=sounds, pieces=[None], clean=lambda _: None)
    return kit._takes_hits(stretch, 0)  # type: ignore[arg-type]
