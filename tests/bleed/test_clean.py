"""Cleaning: bleed is predicted and subtracted, and the residual is masked."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bleed.made import INPUTS, RATE_HZ, Sound, hits, write_inputs
from bleed.made import band as toy_band
from lanes import lane_of
from morningmix.audio.read import read_stretch
from morningmix.bleed.song import clean_song
from morningmix.bleed.stretch import stretches_of
from morningmix.dsp.stft import OVERLAP, Synthesis, analyse
from morningmix.measure.take import measure_take
from morningmix.model.measured import CleanedStretch
from morningmix.model.plan import Cleaning

# ---------------------------------------------------------------- spectra


@settings(max_examples=20, deadline=None)
@given(st.integers(1, 3000), st.lists(st.integers(1, 7), min_size=1, max_size=6), st.integers(0, 99))
def test_synthesis_inverts_analysis(frames: int, cuts: list[int], seed: int) -> None:
    """Root-Hann windows at both ends with an overlap of four sum to one (Griffin, Lim, IEEE TASSP 32(2) 1984)."""
    size = 256
    hop = size // OVERLAP
    sound = np.random.default_rng(seed).standard_normal(frames).astype(np.float32)
    count = -(-frames // hop) + OVERLAP - 1
    padded = np.concatenate([np.zeros(size - hop, np.float32), sound, np.zeros(size, np.float32)])
    spectrum = analyse(padded, size)[:, :count]
    synthesis, back, at = Synthesis(size), [], 0
    while at < count:
        step = cuts[len(back) % len(cuts)]
        back.append(synthesis.process(spectrum[:, at : at + step]))
        at += step
    assert np.concatenate(back)[size - hop :][:frames] == pytest.approx(sound, abs=1e-5)


# ---------------------------------------------------------------- a take


@pytest.fixture(scope="module")
def band() -> dict[str, Sound]:
    """Drum, amplifier and two vocal microphones: direct sound, and the recording with bleed through rooms."""
    return toy_band()


def _clean(folder: Path, inputs: dict[str, Sound], workers: int = 1) -> dict[str, Sound]:
    """Cleaned voices by name."""
    return {name: _samples_of(voice) for name, voice in _cleaned(folder, inputs, workers).items()}


def _samples_of(voice: CleanedStretch) -> Sound:
    first = voice.sound.at_frame
    return read_stretch(voice.sound, RATE_HZ, first, first + voice.sound.frames)[0].astype(np.float64) / 0.1


def _cleaned(
    folder: Path,
    inputs: dict[str, Sound],
    workers: int = 1,
    repaired: tuple[tuple[int, float], ...] = (),
    stretch_s: tuple[float, float] | None = None,
) -> dict[str, CleanedStretch]:
    """Cleaned voices with their measurements, by name."""
    take = write_inputs(folder / "take", inputs)
    names = [recording.files[0].removesuffix(".wav") for recording in take.recordings]
    targets = tuple((index, True) for index, name in enumerate(names) if name.startswith("voice"))
    cleaning = Cleaning(targets=targets, references=tuple(range(len(names))), repaired=repaired, stretch_s=stretch_s)
    with lane_of(workers) as lane:
        _, store = measure_take(take, folder / "cache", lane)
        cleaned = clean_song(stretches_of(take, store, cleaning, folder / "cache"), lane)
    return {names[index]: voice for index, voice in cleaned.items()}


def _sdr_db(direct: Sound, sound: Sound) -> float:
    """Source-to-distortion ratio: direct sound over everything else."""
    return float(10.0 * np.log10(np.sum(direct**2) / np.sum((sound - direct) ** 2)))


@pytest.fixture(scope="module")
def plainly(band: dict[str, Sound], tmp_path_factory: pytest.TempPathFactory) -> dict[str, CleanedStretch]:
    return _cleaned(tmp_path_factory.mktemp("plain"), {name: band[name] for name in INPUTS})


@pytest.fixture(scope="module")
def plain(plainly: dict[str, CleanedStretch]) -> dict[str, Sound]:
    return {name: _samples_of(voice) for name, voice in plainly.items()}


def test_cleaning_improves_voices_by_at_least_5_db(band: dict[str, Sound], plain: dict[str, Sound]) -> None:
    """At least the 5 dB "in all cases" of Kokkinis, Reiss, Mourjopoulos, IEEE TASL 20(3) 2012, here on a toy band."""
    for name in ("voice 1", "voice 2"):
        direct = band[f"own {name}"]
        assert len(plain[name]) == len(direct)
        assert _sdr_db(direct, plain[name]) > _sdr_db(direct, band[name]) + 8.0


@pytest.mark.parametrize("workers", [2, pytest.param(4, marks=pytest.mark.slow)])
def test_the_result_does_not_depend_on_the_number_of_workers(
    workers: int, band: dict[str, Sound], plain: dict[str, Sound], tmp_path: Path
) -> None:
    again = _clean(tmp_path, {name: band[name] for name in INPUTS}, workers=workers)
    for name in plain:
        assert np.array_equal(plain[name], again[name])


def test_polarity_and_delay_of_a_reference_matter_little_even_together(
    band: dict[str, Sound], plain: dict[str, Sound], tmp_path: Path
) -> None:
    late = -np.concatenate([np.zeros(int(0.005 * RATE_HZ)), band["drum"]])[: len(band["drum"])]
    changed = _clean(tmp_path, {**{name: band[name] for name in INPUTS}, "drum": late})
    for name in plain:
        direct = band[f"own {name}"]
        assert _sdr_db(direct, changed[name]) == pytest.approx(_sdr_db(direct, plain[name]), abs=0.5)


def test_12_db_more_gain_on_one_input_does_not_change_the_others(
    band: dict[str, Sound], plain: dict[str, Sound], tmp_path: Path
) -> None:
    gain = 10.0 ** (12.0 / 20.0)
    inputs = {name: band[name] for name in INPUTS}
    changed = _clean(tmp_path, {**inputs, "voice 1": gain * band["voice 1"]})
    ratio = np.sqrt(np.sum(changed["voice 1"] ** 2) / np.sum(plain["voice 1"] ** 2))
    assert 20.0 * np.log10(ratio) == pytest.approx(12.0, abs=0.1)
    ratio = np.sqrt(np.sum(changed["voice 2"] ** 2) / np.sum(plain["voice 2"] ** 2))
    assert 20.0 * np.log10(ratio) == pytest.approx(0.0, abs=0.1)


def test_a_song_late_in_a_take_is_cleaned_as_it_is_in_a_take_of_its_own(
    band: dict[str, Sound], plain: dict[str, Sound], tmp_path: Path
) -> None:
    before = np.zeros(10 * RATE_HZ)
    late = {name: np.concatenate([before, band[name]]) for name in INPUTS}
    end_s = len(late["drum"]) / RATE_HZ
    for name, voice in _cleaned(tmp_path, late, stretch_s=(10.0, end_s)).items():
        assert voice.sound.at_frame == 10 * RATE_HZ
        assert np.array_equal(_samples_of(voice), plain[name])


def test_a_single_input_is_not_cleaned(band: dict[str, Sound], tmp_path: Path) -> None:
    assert _clean(tmp_path, {"voice 1": band["voice 1"]}) == {}


def test_a_silent_reference_does_no_harm(band: dict[str, Sound], plain: dict[str, Sound], tmp_path: Path) -> None:
    inputs = {name: band[name] for name in INPUTS}
    changed = _clean(tmp_path, {**inputs, "spare": np.zeros_like(band["drum"])})
    for name in plain:
        direct = band[f"own {name}"]
        assert _sdr_db(direct, changed[name]) == pytest.approx(_sdr_db(direct, plain[name]), abs=0.3)


def test_the_sources_of_the_bleed_are_measured(plainly: dict[str, CleanedStretch]) -> None:
    """The drum is louder in both microphones than the amplifier, and that louder than the other voice."""
    for voice in plainly.values():
        assert [INPUTS[index] for index, _ in voice.bleed_sources[:2]] == ["drum", "amp"]
        assert sum(share for _, share in voice.bleed_sources) == pytest.approx(1.0, abs=1e-3)


def test_unrelated_inputs_subtract_nothing(band: dict[str, Sound], tmp_path: Path) -> None:
    """A voice with inputs of another evening: nothing is subtracted, and the sound stays as it was."""
    rng = np.random.default_rng(5)
    voice = band["own voice 1"] + 1e-3 * rng.standard_normal(len(band["own voice 1"]))
    others = {"amp": 0.3 * hits(rng, 0.37), "drum": 0.3 * hits(rng, 0.53)}
    cleaned = _cleaned(tmp_path, {**others, "voice 1": voice})["voice 1"]
    assert not cleaned.subtracted
    assert cleaned.bleed_sources == ()
    sound = _samples_of(cleaned)
    assert _sdr_db(voice, sound) > 20.0  # the mask takes a little of its quietest moments


@pytest.mark.slow
def test_a_clipped_voice_is_declipped_before_it_is_cleaned(band: dict[str, Sound], tmp_path: Path) -> None:
    """Clipped 8 dB under its peaks; declipping runs of up to 1 ms restores part of it."""
    loud = {name: band[name] for name in INPUTS}
    ceiling = 0.4 * float(np.abs(loud["voice 1"]).max())
    loud = {name: 10.0 / ceiling * sound for name, sound in loud.items()}  # files hold a tenth of it
    loud["voice 1"] = np.clip(loud["voice 1"], -10.0, 10.0)
    direct = 10.0 / ceiling * band["own voice 1"]
    sdr_db = {}
    for name, repaired in (("cut", ()), ("mended", ((2, 0.001),))):
        voice = _cleaned(tmp_path / name, loud, repaired=repaired)["voice 1"]
        sdr_db[name] = _sdr_db(direct, _samples_of(voice))
    assert sdr_db["mended"] > sdr_db["cut"] + 0.1
