"""A microphone in front of a person, and the drums in it: what a gate is told, from sound to stretches."""

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
"""What the rounding of the stored levels (0.03 dB each) may do to a mean over thirty bands, with room to spare."""


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


def heard(folder: Path, sounds: Mapping[str, Sound], singers: tuple[str, ...] = SINGERS) -> dict[str, BleedFacts]:
    names = list(sounds)
    targets = [names.index(name) for name in singers]
    facts = measure_bleed(store_of(folder, sounds), targets, [i for i in range(len(names)) if i not in targets])
    return {names[index]: one for index, one in facts.items()}


@cache
def whole_band(seed: int, resting: str = "") -> Mapping[str, Sound]:
    return band(SECONDS, RATE_HZ, seed, resting)


def hops_in(spans: list[tuple[float, float]], hops: int) -> NDArray[np.bool_]:
    return spans_to_mask(tuple(spans), hops, HOP_S)


def opened(singing: Singing | None, hops: int) -> NDArray[np.bool_]:
    return np.ones(hops, np.bool_) if singing is None else spans_to_mask(singing.open_s, hops, HOP_S)


# ---------------------------------------------------------------- who sings where


@pytest.mark.parametrize("seed", [1, 2])
def test_it_opens_where_somebody_sings_and_closes_elsewhere(tmp_path: Path, seed: int) -> None:
    facts = heard(tmp_path, whole_band(seed))
    masks = {name: opened(measure_singing(facts[name]), len(facts[name].over_bleed_db)) for name in SINGERS}
    for name, mask in masks.items():
        sings = hops_in(sung(name, SECONDS), len(mask))
        assert mask[sings].mean() > 0.98, name
        # Look-ahead, hold and the ends of lines are open too: some 0.3 s of each 3 s.
        assert mask[~sings].mean() < 0.35, name
    both = np.logical_and.reduce([hops_in(sung(name, SECONDS), len(masks[name])) for name in SINGERS])
    assert both.sum() > 100
    assert np.logical_and(*masks.values())[both].mean() > 0.98


def test_excess_is_bleed_at_nothing_and_voice_above_it(tmp_path: Path) -> None:
    for name, facts in heard(tmp_path, whole_band(1)).items():
        sings = hops_in(sung(name, SECONDS), len(facts.over_bleed_db))
        assert abs(float(np.median(facts.over_bleed_db[~sings]))) < 2.0
        assert (
            float(np.median(facts.over_bleed_db[sings])) > float(np.percentile(facts.over_bleed_db[~sings], 75)) + 2.0
        )
        assert facts.over_bleed_db.dtype == np.float32
        assert np.all((facts.over_bleed_db >= -3.0) & (facts.over_bleed_db <= 15.0))


def test_another_singers_voice_is_bleed_too(tmp_path: Path) -> None:
    sounds = dict(whole_band(1))
    # The lead stands near the other microphone.
    sounds["backing vocal"] = sounds["backing vocal"] + 0.5 * sounds["lead vocal"]
    facts = heard(tmp_path, sounds)["backing vocal"]
    hops = len(facts.over_bleed_db)
    lead_alone = hops_in(sung("lead vocal", SECONDS), hops) & ~hops_in(sung("backing vocal", SECONDS), hops)
    unexplained_db = float(np.median(facts.over_instrument_bleed_db[lead_alone]))
    assert unexplained_db > 3.0
    assert float(np.median(facts.over_bleed_db[lead_alone])) < unexplained_db - 3.0


def test_a_microphone_that_nobody_sings_into_is_not_muted_for_certain(tmp_path: Path) -> None:
    facts = heard(tmp_path, whole_band(1, resting="backing vocal"))["backing vocal"]
    assert opened(measure_singing(facts), len(facts.over_bleed_db)).mean() > 0.5


def test_the_lead_is_heard_while_the_other_microphone_stays_unused(tmp_path: Path) -> None:
    facts = heard(tmp_path, whole_band(1, resting="backing vocal"))["lead vocal"]
    mask = opened(measure_singing(facts), len(facts.over_bleed_db))
    sings = hops_in(sung("lead vocal", SECONDS), len(mask))
    assert mask[sings].mean() > 0.98
    assert mask[~sings].mean() < 0.35


# ---------------------------------------------------------------- what must not matter


def test_a_single_voice_may_be_recorded_at_any_gain(tmp_path: Path) -> None:
    sounds = {name: sound for name, sound in whole_band(1).items() if name != "backing vocal"}
    plain = heard(tmp_path / "plain", sounds, ("lead vocal",))["lead vocal"]
    louder = {name: sound * (10.0 ** (12.0 / 20.0) if name == "lead vocal" else 1.0) for name, sound in sounds.items()}
    other = heard(tmp_path / "louder", louder, ("lead vocal",))["lead vocal"]
    np.testing.assert_allclose(other.over_bleed_db, plain.over_bleed_db, atol=TOLERANCE_DB)
    np.testing.assert_allclose(other.over_instrument_bleed_db, plain.over_instrument_bleed_db, atol=TOLERANCE_DB)


def test_a_common_gain_does_not_matter(tmp_path: Path) -> None:
    plain = heard(tmp_path / "plain", whole_band(1))
    louder = heard(tmp_path / "louder", {name: sound * 10.0 ** (6.0 / 20.0) for name, sound in whole_band(1).items()})
    for name in SINGERS:
        np.testing.assert_allclose(louder[name].over_bleed_db, plain[name].over_bleed_db, atol=TOLERANCE_DB)


def test_the_order_of_the_inputs_does_not_matter(tmp_path: Path) -> None:
    plain = heard(tmp_path / "plain", whole_band(1))
    turned = heard(tmp_path / "turned", dict(reversed(whole_band(1).items())))
    for name in SINGERS:
        np.testing.assert_allclose(turned[name].over_bleed_db, plain[name].over_bleed_db, atol=TOLERANCE_DB)


def test_the_same_take_gives_the_same_numbers(tmp_path: Path) -> None:
    one, other = heard(tmp_path / "a", whole_band(2)), heard(tmp_path / "b", whole_band(2))
    for name in SINGERS:
        np.testing.assert_array_equal(one[name].over_bleed_db, other[name].over_bleed_db)
        np.testing.assert_array_equal(one[name].over_instrument_bleed_db, other[name].over_instrument_bleed_db)


# ---------------------------------------------------------------- next to nothing


@pytest.mark.parametrize("frames", [1, 480, 4_320, 4_800, 9_600, 24_000])
def test_very_short_takes(tmp_path: Path, frames: int) -> None:
    sounds = {name: sound[:frames] for name, sound in whole_band(1).items()}
    facts = heard(tmp_path, sounds)
    assert set(facts) == (set(SINGERS) if frames >= 4_800 else set())
    for one in facts.values():
        assert len(one.over_bleed_db) == len(one.over_instrument_bleed_db) == -(-frames // 480)
        assert np.all(np.isfinite(one.over_bleed_db))
        measure_singing(one)


def test_even_noise_is_explained_by_even_noise(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    for one in heard(tmp_path, {name: 0.1 * rng.standard_normal(10 * RATE_HZ) for name in NAMES}).values():
        assert np.abs(one.over_bleed_db[50:]).max() < 1.5


def test_silence_is_no_voice(tmp_path: Path) -> None:
    for one in heard(tmp_path, {name: np.zeros(5 * RATE_HZ) for name in NAMES}).values():
        assert np.all(np.isfinite(one.over_bleed_db))
        assert measure_singing(one) is None


def test_nobody_else_plays(tmp_path: Path) -> None:
    alone = {"lead vocal": whole_band(1)["lead vocal"]}
    assert heard(tmp_path, alone, ("lead vocal",)) == {}
    assert heard(tmp_path, whole_band(1), ()) == {}


def test_a_long_take_is_heard_in_chunks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = heard(tmp_path / "whole", whole_band(1))
    monkeypatch.setattr(excess, "_CHUNK_HOPS", 400)
    chunks = heard(tmp_path / "chunks", whole_band(1))
    # The room's answer from before the warm-up (1.2 s) is all that a chunk does not know; the three-hop mean of the
    # immediate answer lacks a neighbour at its end, which smoothing spreads over five hops.
    inside = np.abs((np.arange(len(whole["lead vocal"].over_bleed_db)) + 200) % 400 - 200) > 3
    for name in SINGERS:
        np.testing.assert_allclose(
            chunks[name].over_bleed_db[inside], whole[name].over_bleed_db[inside], atol=TOLERANCE_DB
        )
