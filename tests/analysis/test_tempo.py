"""Tempo and beats of invented drummers, against the beats they were given."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from drummer import RATE_HZ, ROCK, Sound, Times, kit, ramp, steady, stored
from morningmix.analysis.tempo import tempo_of
from morningmix.model.tempo import Tempo

NO_HAT = {drum: hits for drum, hits in ROCK.items() if drum != "hat"}
SWING = {**ROCK, "hat": tuple(beat + off for beat in range(4) for off in (0.0, 2.0 / 3.0))}
BUSY = {**ROCK, "kick": (0.0, 0.5, 2.0, 2.5, 3.5), "hat": tuple(np.arange(0.0, 4.0, 0.25).tolist())}
DANCE = {"kick": (0.0, 1.0, 2.0, 3.0), "snare": (1.0, 3.0), "hat": (0.5, 1.5, 2.5, 3.5)}
WALTZ = {"kick": (0.0,), "snare": (1.0, 2.0), "hat": tuple(np.arange(0.0, 3.0, 0.5).tolist())}


def f_measure(true_s: Sequence[float], found_s: Sequence[float]) -> float:
    """F-measure of beats: each counts once, within 70 ms (M. E. P. Davies, N. Degara, M. D. Plumbley, "Evaluation
    methods for musical audio beat tracking algorithms", Queen Mary University C4DM-TR-09-06, 2009)."""
    left, hits = list(found_s), 0
    for true in true_s:
        near = [found for found in left if abs(found - true) <= 0.07]
        if near:
            left.remove(min(near, key=lambda found: abs(found - true)))
            hits += 1
    return 2.0 * hits / max(len(true_s) + len(found_s), 1)


def tempo(folder: Path, sounds: dict[str, Sound], usual_bpm: float | None = None) -> Tempo:
    """What is found in these microphones of a kit, of a song that the band counts like that."""
    store = stored(folder, list(sounds.values()))
    found = tempo_of(store, range(len(sounds)), 0.0, len(next(iter(sounds.values()))) / RATE_HZ, usual_bpm)
    assert found is not None
    return found


def score(folder: Path, beats_s: Times, bar: dict[str, Sequence[float]], **how: object) -> float:
    """F-measure on one drummer."""
    sounds = kit(beats_s, bar, rng=np.random.default_rng(1), **how)  # type: ignore[arg-type]
    return f_measure(beats_s.tolist(), tempo(folder, sounds).beats_s)


def test_the_f_measure_counts_every_beat_once() -> None:
    assert f_measure([1.0, 2.0, 3.0], [1.05, 2.0, 3.0]) == 1.0
    assert f_measure([1.0, 2.0, 3.0], [1.08, 2.0, 3.0]) == pytest.approx(2.0 / 3.0)
    assert f_measure([1.0, 2.0], [1.0, 1.5, 2.0, 2.5]) == pytest.approx(2.0 / 3.0)


@pytest.mark.parametrize("bpm", [60.0, 84.0, 124.0, 163.0, 200.0])
@pytest.mark.parametrize("bar", [ROCK, NO_HAT, SWING, BUSY, DANCE], ids=["rock", "no hat", "swing", "busy", "dance"])
def test_beats_of_a_steady_drummer_are_found(bpm: float, bar: dict[str, Sequence[float]], tmp_path: Path) -> None:
    beats_s = steady(bpm, round(bpm / 3.0))
    assert score(tmp_path, beats_s, bar) >= 0.95


@pytest.mark.parametrize("bpm", [75.0, 150.0])
def test_a_waltz_is_counted_in_single_beats(bpm: float, tmp_path: Path) -> None:
    assert score(tmp_path, steady(bpm, round(bpm / 3.0)), WALTZ, beats_a_bar=3) >= 0.95


@pytest.mark.parametrize("bpm", [65.0, 120.0, 190.0])
@pytest.mark.parametrize("by", [1.1, 0.9])
def test_beats_follow_a_tempo_that_drifts_by_a_tenth(bpm: float, by: float, tmp_path: Path) -> None:
    beats_s = ramp(bpm, by * bpm, round(bpm / 1.5))
    sounds = kit(beats_s, ROCK, rng=np.random.default_rng(1))
    found = tempo(tmp_path, sounds)
    assert f_measure(beats_s.tolist(), found.beats_s) >= 0.95
    # From the middle of the first quarter to that of the last.
    assert found.drift_bpm == pytest.approx(0.75 * (by - 1.0) * bpm, rel=0.25)
    (_, first_bpm), *_, (_, last_bpm) = found.curve_bpm
    assert last_bpm - first_bpm == pytest.approx((by - 1.0) * bpm, rel=0.35)


@pytest.mark.parametrize("bpm", [70.0, 180.0])
def test_beats_go_on_where_the_drums_rest(bpm: float, tmp_path: Path) -> None:
    beats_s = steady(bpm, round(bpm / 1.5))
    assert score(tmp_path, beats_s, NO_HAT, rests=((12, 16), (24, 32))) >= 0.95


def test_sticks_that_count_in_are_the_first_beats(tmp_path: Path) -> None:
    beats_s = steady(124.0, 44)
    song = {drum: [4.0 + bar + hit for bar in range(0, 40, 4) for hit in hits] for drum, hits in ROCK.items()}
    counted = {**song, "stick": (0.0, 1.0, 2.0, 3.0)}
    found = tempo(tmp_path, kit(beats_s, counted, rng=np.random.default_rng(1), beats_a_bar=44))
    assert found.beats_s[0] == pytest.approx(beats_s[0], abs=0.05)
    assert f_measure(beats_s.tolist(), found.beats_s) >= 0.95


def test_a_tempo_is_right_to_a_few_tenths_and_its_beats_to_milliseconds(tmp_path: Path) -> None:
    beats_s = steady(124.0, 60)
    found = tempo(tmp_path, kit(beats_s, ROCK, rng=np.random.default_rng(1), jitter_s=0.0))
    assert found.tempo_bpm == pytest.approx(124.0, abs=0.3)
    assert found.drift_bpm == pytest.approx(0.0, abs=0.5)
    assert not found.is_doubtful
    near = [min(abs(beat - true) for true in beats_s) for beat in found.beats_s]
    assert np.median(near) < 0.006


@pytest.mark.parametrize("bpm", [140.0, 180.0])
def test_half_of_a_tempo_is_doubt_where_the_snare_says_so(bpm: float, tmp_path: Path) -> None:
    """Snare on three alone, hi-hat in eighths: 180 to one, 90 to another."""
    half_time = {"kick": (0.0, 1.5), "snare": (2.0,), "hat": tuple(np.arange(0.0, 4.0, 0.5).tolist())}
    beats_s = steady(bpm, 64)
    sounds = kit(beats_s, half_time, rng=np.random.default_rng(1))
    found = tempo(tmp_path / "unknown", sounds)
    assert {round(found.tempo_bpm, -1), round(found.other_bpm or 0.0, -1)} == {bpm / 2.0, bpm}
    assert found.is_doubtful
    # Unless the set list says so, at about this tempo; two thirds of it settle nothing.
    for usual_bpm, counted_s in ((0.9 * bpm, beats_s), (0.55 * bpm, beats_s[::2])):
        settled = tempo(tmp_path / f"{usual_bpm:.0f}", sounds, usual_bpm)
        assert not settled.is_doubtful
        assert f_measure(counted_s.tolist(), settled.beats_s) >= 0.95
    assert tempo(tmp_path / "other", sounds, 0.7 * bpm) == found


@pytest.mark.parametrize("bpm", [106.0, 132.0])
def test_nobody_counts_so_slowly_that_the_hat_plays_thirty_seconds(bpm: float, tmp_path: Path) -> None:
    half_time = {"kick": (0.0, 0.75), "snare": (2.0,), "hat": tuple(np.arange(0.0, 4.0, 0.25).tolist())}
    assert score(tmp_path, steady(bpm, 40), half_time) >= 0.95


@pytest.mark.parametrize("bpm", [87.0, 97.0])
def test_swung_eighths_are_no_thirty_seconds(bpm: float, tmp_path: Path) -> None:
    beats_s = steady(bpm, 40)
    sounds = kit(beats_s, SWING, rng=np.random.default_rng(1), jitter_s=0.008)
    found = tempo(tmp_path, {"overhead": sounds["overhead"]})
    assert f_measure(beats_s.tolist(), found.beats_s) >= 0.95


def test_noise_and_random_hits_have_no_tempo(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    hiss = stored(tmp_path / "hiss", [0.1 * rng.standard_normal(30 * RATE_HZ)])
    assert tempo_of(hiss, [0], 0.0, 30.0) is None
    at_s = np.sort(rng.uniform(0.0, 30.0, 90))
    sounds = kit(at_s, {"kick": (0.0,), "snare": (1.0,), "hat": (2.0,)}, rng=rng, beats_a_bar=3)
    assert tempo_of(stored(tmp_path / "hits", list(sounds.values())), [0, 1, 2], 0.0, 30.0) is None
    assert tempo_of(hiss, [0], 0.0, 2.0) is None
    assert tempo_of(stored(tmp_path / "silence", [np.zeros(10 * RATE_HZ)]), [0], 0.0, 10.0) is None


def test_beats_count_from_the_start_of_the_song(tmp_path: Path) -> None:
    beats_s = steady(100.0, 70)
    sounds = kit(beats_s, ROCK, rng=np.random.default_rng(1))
    store = stored(tmp_path, list(sounds.values()))
    found = tempo_of(store, [0, 1, 2], 10.0, 40.0)
    assert found is not None
    true_s = [beat - 10.0 for beat in beats_s if 10.0 <= beat < 40.0]
    assert f_measure(true_s, found.beats_s) >= 0.95


@pytest.mark.parametrize("bpm", [118.3, 120.0, 121.6, 125.0])
def test_the_tempo_is_finer_than_the_grid_that_beats_are_found_on(bpm: float, tmp_path: Path) -> None:
    found = tempo(tmp_path, kit(steady(bpm, 30), ROCK, rng=np.random.default_rng(1)))
    assert found.tempo_bpm == pytest.approx(bpm, abs=0.25)
