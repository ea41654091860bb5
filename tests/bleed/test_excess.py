"""Level over predicted bleed of vocal microphones, and the open stretches of the gate."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from morningmix.bleed import excess
from morningmix.bleed.excess import measure_bleed
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
