"""Level over predicted bleed of vocal microphones, and the open stretches of the gate."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from morningmix.bleed import excess
from morningmix.bleed.excess import measure_bleed, measure_each, measure_residual
from morningmix.bleed.singing import measure_singing
from morningmix.dsp.bands import BandMeter, band_edges_hz
from morningmix.laws.track_power import spans_to_mask
from morningmix.measure.band_store import BandStore, BandWriter
from morningmix.model.measured import BleedFacts, Singing
from synthetic import NAMES, SINGERS, Sound, band, sung

RATE_HZ, SECONDS, HOP_S = 24_000, 30.0, 0.02
TOLERANCE_DB = 0.1
"""Tolerance for the rounding of stored levels (0.03 dB each) in a mean over thirty bands."""


def store_of(folder: Path, sounds: Mapping[str, Sound], rate_hz: int = RATE_HZ) -> BandStore:
    folder.mkdir(exist_ok=True)
    paths: list[Path] = []
    hops = 0
    for index, sound in enumerate(sounds.values()):
        meter = BandMeter(rate_hz, 1)
        bands = np.concatenate([meter.update(sound.astype(np.float32)[None]), meter.finish()], axis=1)
        hops = bands.shape[1]
        paths.append(folder / f"{index}.bands")
        with BandWriter(paths[-1]) as writer:
            writer.write(bands)
    edges = band_edges_hz(rate_hz)
    return BandStore(paths=tuple(paths), bands=len(edges) - 1, hops=hops, hop_s=HOP_S, band_hz=edges)


def measured(folder: Path, sounds: Mapping[str, Sound], singers: tuple[str, ...] = SINGERS) -> dict[str, BleedFacts]:
    names = list(sounds)
    targets = [names.index(name) for name in singers]
    facts = measure_bleed(store_of(folder, sounds), targets, [i for i in range(len(names)) if i not in targets])
    return {names[index]: first for index, first in facts.items()}


@cache
def whole_band(seed: int, resting: str = "") -> Mapping[str, Sound]:
    return band(SECONDS, RATE_HZ, seed, resting)


def hops_in(spans: list[tuple[float, float]], hops: int) -> NDArray[np.bool_]:
    return spans_to_mask(tuple(spans), hops, HOP_S)


def opened(singing: Singing | None, hops: int) -> NDArray[np.bool_]:
    return np.ones(hops, np.bool_) if singing is None else spans_to_mask(singing.open_s, hops, HOP_S)


# ---------------------------------------------------------------- detection


@pytest.mark.parametrize("seed", [1, 2])
def test_the_gate_opens_where_somebody_sings_and_closes_elsewhere(tmp_path: Path, seed: int) -> None:
    facts = measured(tmp_path, whole_band(seed))
    masks = {name: opened(measure_singing(facts[name]), len(facts[name].over_bleed_db)) for name in SINGERS}
    for name, mask in masks.items():
        sings = hops_in(sung(name, SECONDS), len(mask))
        assert mask[sings].mean() > 0.98, name
        # Look-ahead, hold and the ends of lines are open too: about 0.3 s in 3 s.
        assert mask[~sings].mean() < 0.35, name
    both = np.logical_and.reduce([hops_in(sung(name, SECONDS), len(masks[name])) for name in SINGERS])
    assert both.sum() > 100
    assert np.logical_and(*masks.values())[both].mean() > 0.98


def test_inputs_measured_together_are_measured_as_if_each_were_alone(tmp_path: Path) -> None:
    store = store_of(tmp_path, whole_band(1))
    playing = [4, 0, 2, 5, 1]
    together = measure_each(store, [2, 0, 1], playing)
    assert list(together) == [2, 0, 1]
    for target, facts in together.items():
        alone = measure_bleed(store, [target], [index for index in playing if index != target])[target]
        assert np.array_equal(facts.over_bleed_db, alone.over_bleed_db)
        assert np.array_equal(facts.over_instrument_bleed_db, alone.over_instrument_bleed_db)
    assert measure_each(store, [0], [0]) == {}


def test_the_level_over_bleed_is_zero_without_a_voice_and_higher_with_one(tmp_path: Path) -> None:
    for name, facts in measured(tmp_path, whole_band(1)).items():
        sings = hops_in(sung(name, SECONDS), len(facts.over_bleed_db))
        assert abs(float(np.median(facts.over_bleed_db[~sings]))) < 2.0
        assert (
            float(np.median(facts.over_bleed_db[sings])) > float(np.percentile(facts.over_bleed_db[~sings], 75)) + 2.0
        )
        assert facts.over_bleed_db.dtype == np.float32
        assert np.all((facts.over_bleed_db >= -3.0) & (facts.over_bleed_db <= 15.0))


def test_another_singer_counts_as_bleed(tmp_path: Path) -> None:
    sounds = dict(whole_band(1))
    # The lead stands near the other microphone.
    sounds["backing vocal"] = sounds["backing vocal"] + 0.5 * sounds["lead vocal"]
    facts = measured(tmp_path, sounds)["backing vocal"]
    hops = len(facts.over_bleed_db)
    lead_alone = hops_in(sung("lead vocal", SECONDS), hops) & ~hops_in(sung("backing vocal", SECONDS), hops)
    unexplained_db = float(np.median(facts.over_instrument_bleed_db[lead_alone]))
    assert unexplained_db > 3.0
    assert float(np.median(facts.over_bleed_db[lead_alone])) < unexplained_db - 3.0


def test_an_unused_microphone_is_not_muted_for_certain(tmp_path: Path) -> None:
    facts = measured(tmp_path, whole_band(1, resting="backing vocal"))["backing vocal"]
    assert opened(measure_singing(facts), len(facts.over_bleed_db)).mean() > 0.5


def test_the_lead_is_detected_while_the_other_microphone_is_unused(tmp_path: Path) -> None:
    facts = measured(tmp_path, whole_band(1, resting="backing vocal"))["lead vocal"]
    mask = opened(measure_singing(facts), len(facts.over_bleed_db))
    sings = hops_in(sung("lead vocal", SECONDS), len(mask))
    assert mask[sings].mean() > 0.98
    assert mask[~sings].mean() < 0.35


# ---------------------------------------------------------------- invariance


def test_a_single_voice_may_be_recorded_at_any_gain(tmp_path: Path) -> None:
    sounds = {name: sound for name, sound in whole_band(1).items() if name != "backing vocal"}
    plain = measured(tmp_path / "plain", sounds, ("lead vocal",))["lead vocal"]
    louder = {name: sound * (10.0 ** (12.0 / 20.0) if name == "lead vocal" else 1.0) for name, sound in sounds.items()}
    other = measured(tmp_path / "louder", louder, ("lead vocal",))["lead vocal"]
    np.testing.assert_allclose(other.over_bleed_db, plain.over_bleed_db, atol=TOLERANCE_DB)
    np.testing.assert_allclose(other.over_instrument_bleed_db, plain.over_instrument_bleed_db, atol=TOLERANCE_DB)


def test_a_common_gain_does_not_matter(tmp_path: Path) -> None:
    plain = measured(tmp_path / "plain", whole_band(1))
    louder = measured(
        tmp_path / "louder", {name: sound * 10.0 ** (6.0 / 20.0) for name, sound in whole_band(1).items()}
    )
    for name in SINGERS:
        np.testing.assert_allclose(louder[name].over_bleed_db, plain[name].over_bleed_db, atol=TOLERANCE_DB)


def test_the_order_of_the_inputs_does_not_matter(tmp_path: Path) -> None:
    plain = measured(tmp_path / "plain", whole_band(1))
    reordered = measured(tmp_path / "turned", dict(reversed(whole_band(1).items())))
    for name in SINGERS:
        np.testing.assert_allclose(reordered[name].over_bleed_db, plain[name].over_bleed_db, atol=TOLERANCE_DB)


def test_the_same_take_gives_the_same_numbers(tmp_path: Path) -> None:
    first, other = measured(tmp_path / "a", whole_band(2)), measured(tmp_path / "b", whole_band(2))
    for name in SINGERS:
        np.testing.assert_array_equal(first[name].over_bleed_db, other[name].over_bleed_db)
        np.testing.assert_array_equal(first[name].over_instrument_bleed_db, other[name].over_instrument_bleed_db)


# ---------------------------------------------------------------- edge cases


@pytest.mark.parametrize("frames", [1, 480, 4_320, 4_800, 9_600, 24_000])
def test_very_short_takes(tmp_path: Path, frames: int) -> None:
    sounds = {name: sound[:frames] for name, sound in whole_band(1).items()}
    facts = measured(tmp_path, sounds)
    assert set(facts) == (set(SINGERS) if frames >= 4_800 else set())
    for first in facts.values():
        assert len(first.over_bleed_db) == len(first.over_instrument_bleed_db) == -(-frames // 480)
        assert np.all(np.isfinite(first.over_bleed_db))
        measure_singing(first)


def test_steady_noise_is_explained_by_steady_noise(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    for first in measured(tmp_path, {name: 0.1 * rng.standard_normal(10 * RATE_HZ) for name in NAMES}).values():
        assert np.abs(first.over_bleed_db[50:]).max() < 1.5


def test_silence_does_not_count_as_a_voice(tmp_path: Path) -> None:
    for first in measured(tmp_path, {name: np.zeros(5 * RATE_HZ) for name in NAMES}).values():
        assert np.all(np.isfinite(first.over_bleed_db))
        assert measure_singing(first) is None


def test_without_other_inputs_nothing_is_measured(tmp_path: Path) -> None:
    alone = {"lead vocal": whole_band(1)["lead vocal"]}
    assert measured(tmp_path, alone, ("lead vocal",)) == {}
    assert measured(tmp_path, whole_band(1), ()) == {}


def test_chunks_do_not_change_the_measurement(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = measured(tmp_path / "whole", whole_band(1))
    monkeypatch.setattr(excess, "_CHUNK_HOPS", 400)
    chunks = measured(tmp_path / "chunks", whole_band(1))
    # A chunk only lacks the room's decay from before the warm-up (1.2 s), and at its end a neighbour for the
    # three-hop mean, which smoothing spreads over five hops.
    inside = np.abs((np.arange(len(whole["lead vocal"].over_bleed_db)) + 200) % 400 - 200) > 3
    for name in SINGERS:
        np.testing.assert_allclose(
            chunks[name].over_bleed_db[inside], whole[name].over_bleed_db[inside], atol=TOLERANCE_DB
        )


# ---------------------------------------------------------------- after subtraction

HOPS = 1_500
SUNG = slice(900, 1_100)


def powers_of(folder: Path, name: str, powers: NDArray[np.floating]) -> Path:
    folder.mkdir(exist_ok=True)
    with BandWriter(folder / name, exact=True) as writer:
        writer.write(np.broadcast_to(powers, (len(band_edges_hz(RATE_HZ)) - 1, HOPS)).astype(np.float32))
    return folder / name


def drum_powers() -> NDArray[np.float64]:
    """Hits of different strength, eight a second, on a floor 40 dB lower."""
    rng = np.random.default_rng(1)
    hits = np.where(np.arange(HOPS) % 6 < 2, np.repeat(10.0 ** rng.uniform(-3.0, -2.0, HOPS // 6), 6), 0.0)
    return hits + 1e-6


def residual(
    folder: Path, left: NDArray[np.floating], taken: NDArray[np.floating] | None = None
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Level over residual bleed ``(hops,)``, and the bleed that is expected ``(bands, hops)``, beside those drums."""
    edges = band_edges_hz(RATE_HZ)
    store = BandStore(
        paths=(powers_of(folder, "voice", left), powers_of(folder, "drum", drum_powers())),
        bands=len(edges) - 1, hops=HOPS, hop_s=HOP_S, band_hz=edges, exact=True,
    )  # fmt: skip
    bleed = folder / "bleed"
    clear_db = measure_residual(
        store, 0, (0, 1), powers_of(folder, "left", left),
        None if taken is None else powers_of(folder, "taken", taken), bleed,
    )  # fmt: skip
    return clear_db, np.fromfile(bleed, np.float32, (len(edges) - 1) * HOPS).reshape(HOPS, -1).T


def room_of(powers: NDArray[np.float64]) -> NDArray[np.float64]:
    """Power that a microphone picks up of them, decaying by 60 ms."""
    keep = np.exp(-HOP_S / 0.06)
    heard = np.zeros_like(powers)
    for hop, power in enumerate(powers):
        heard[hop] = keep * heard[hop - 1] + (1.0 - keep) * power
    return 1e-2 * heard


@pytest.mark.parametrize(("over_db", "clear_db"), [(3.0, 0.0), (14.0, 8.2), (40.0, 19.0)])
def test_a_voice_is_clear_by_what_it_stands_over_the_expected_bleed_less_six_decibels(
    tmp_path: Path, over_db: float, clear_db: float
) -> None:
    """With the bleed itself, 14 dB over it are 14.2; from 25 dB on nothing more counts."""
    bleed = room_of(drum_powers())
    voice = np.zeros(HOPS)
    voice[SUNG] = bleed[SUNG] * 10.0 ** (over_db / 10.0)
    found, expected = residual(tmp_path, bleed + voice)
    assert found.shape == (HOPS,)
    rests = np.delete(found, np.arange(SUNG.start - 10, SUNG.stop + 10))
    assert np.abs(rests).max() < 0.1
    assert float(np.median(found[SUNG])) == pytest.approx(clear_db, abs=1.0)
    # What is expected is the bleed, with the voice or without.
    off_db = 10.0 * np.log10(expected[:, 100:] / bleed[100:])
    assert np.abs(np.median(off_db, axis=1)).max() < 0.5
    assert float(np.percentile(np.abs(off_db), 90)) < 1.5


def test_only_where_vowels_lie_counts(tmp_path: Path) -> None:
    """From 120 to 1600 Hz: cymbals and rumble that stay after subtraction are nobody singing."""
    bleed = room_of(drum_powers())
    edges = band_edges_hz(RATE_HZ)
    centres = np.sqrt(edges[:-1] * edges[1:])
    for inside, sings in (
        ((centres > 130.0) & (centres < 1_500.0), True),
        ((centres < 110.0) | (centres > 1_800.0), False),
    ):
        voice = np.zeros((len(centres), HOPS))
        voice[inside, SUNG] = 100.0 * bleed[SUNG]
        found, _ = residual(tmp_path / str(sings), bleed + voice)
        assert (float(np.median(found[SUNG])) > 10.0) == sings


def test_little_next_to_what_was_subtracted_is_no_voice(tmp_path: Path) -> None:
    """A residual is a voice only where it is much louder than 0.6 of what was taken there."""
    bleed = room_of(drum_powers())
    voice = np.zeros(HOPS)
    voice[SUNG] = 100.0 * bleed[SUNG]
    beside = np.full(HOPS, 1e-9)
    small, _ = residual(tmp_path / "small", bleed + voice, beside)
    assert float(np.median(small[SUNG])) > 12.0
    beside[SUNG] = voice[SUNG]
    large, _ = residual(tmp_path / "large", bleed + voice, beside)
    assert np.abs(large[SUNG.start + 5 : SUNG.stop - 5]).max() < 0.1


def test_hiss_in_a_silent_room_is_no_voice(tmp_path: Path) -> None:
    """Nothing is a voice that is 40 dB under the loudest of the microphone."""
    hiss = np.full(HOPS, 1e-12)
    loud = hiss.copy()
    loud[200:400] = 1e-3
    loud[SUNG] = 3e-8
    found, _ = residual(tmp_path, loud)
    assert float(np.median(found[200:400])) > 12.0
    assert found[SUNG].max() < 0.1


def test_steady_bleed_is_expected_from_the_first_moment(tmp_path: Path) -> None:
    """A take may begin in the middle of a song: then the room already rings."""
    steady = np.full(HOPS, 1e-3) * np.random.default_rng(2).uniform(0.9, 1.1, HOPS)
    edges = band_edges_hz(RATE_HZ)
    store = BandStore(
        paths=(powers_of(tmp_path, "voice", 0.1 * steady), powers_of(tmp_path, "drum", steady)),
        bands=len(edges) - 1, hops=HOPS, hop_s=HOP_S, band_hz=edges, exact=True,
    )  # fmt: skip
    measure_residual(store, 0, (0, 1), powers_of(tmp_path, "left", 0.1 * steady), None, tmp_path / "bleed")
    expected = np.fromfile(tmp_path / "bleed", np.float32, (len(edges) - 1) * HOPS).reshape(HOPS, -1)
    np.testing.assert_allclose(10.0 * np.log10(expected / 1e-4), 0.0, atol=0.7)
