"""Declipping: which runs are interpolated, how well, and independent of the cut into blocks."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of the files under test
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from morningmix.audio.takes import find_take
from morningmix.dsp.control import step_frames
from morningmix.dsp.declip import (
    FULL_SCALE,
    MOST_OVERSHOOT,
    RepairStage,
    clipped,
    declipped_stretch,
    interpolated,
    least_residual,
    prediction,
)
from morningmix.model.plan import TrackPlan
from morningmix.render.strip import Strip
from morningmix.units import Block

RATE_HZ = 48_000
LONGEST_S = 0.001


def declipped(sound: Block, blocks: list[int] | None = None, rate_hz: int = RATE_HZ) -> Block:
    """The stage's output with its latency taken off, processed in blocks of these lengths (the rest at once)."""
    stage = RepairStage(LONGEST_S, rate_hz, len(sound))
    late = np.concatenate((sound, np.zeros((len(sound), stage.latency_frames), np.float32)), axis=1)
    out, start = [], 0
    for length in [*(blocks or []), late.shape[1]]:
        out.append(stage.process(late[:, start : start + length]))
        assert out[-1].shape == late[:, start : start + length].shape
        start += length
    return np.concatenate(out, axis=1)[:, stage.latency_frames :]


@settings(max_examples=40, deadline=None)
@given(start=st.integers(-3000, 20_000), length=st.integers(1, 9000))
def test_a_stretch_is_declipped_like_the_whole(start: int, length: int) -> None:
    sound = as_recorded(1.5 * song())
    whole = declipped(sound)

    def of(source: Block, first: int, stop: int) -> Block:
        padded = np.pad(source, ((0, 0), (max(0, -first), max(0, stop - source.shape[1]))))
        return padded[:, first + max(0, -first) : stop + max(0, -first)]

    def read(first: int, stop: int) -> Block:
        return of(sound, first, stop)

    stretch = declipped_stretch(read, start, start + length, LONGEST_S, RATE_HZ)
    assert np.array_equal(stretch, of(whole, start, start + length))


def song(seconds: float = 0.5, seed: int = 1) -> NDArray[np.float64]:
    """A sung note: harmonics with vibrato and a little noise; peak 1."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    phase = 2.0 * np.pi * (220.0 * t - 1.2 / (2.0 * np.pi * 5.5) * np.cos(2.0 * np.pi * 5.5 * t))
    sound = sum(0.7**k * np.sin(k * phase + rng.uniform(0.0, 6.0)) for k in range(1, 12))
    sound = sound + 0.003 * rng.standard_normal(len(t))
    return np.asarray(sound / np.abs(sound).max())


def as_recorded(sound: NDArray[np.float64]) -> Block:
    """One channel at 16 bits, clipped at full scale."""
    counts = np.clip(np.round(sound * 32_768.0), -32_768, 32_767)
    return np.asarray(counts / 32_768.0, np.float32)[None]


def snr_db(truth: NDArray[np.float64], got: NDArray[np.float32]) -> float:
    return float(10.0 * np.log10(np.sum(truth**2) / np.sum((truth - got) ** 2)))


# ---------------------------------------------------------------- quality


@pytest.mark.parametrize(("over_db", "least_gain_db"), [(3.0, 20.0), (6.0, 4.0)])
def test_clipped_notes_come_closer_to_what_was_played(over_db: float, least_gain_db: float) -> None:
    truth = song() * 10.0 ** (over_db / 20.0)
    recorded = as_recorded(truth)
    short = clipped(recorded[0], round(LONGEST_S * RATE_HZ))
    assert np.count_nonzero(short) > 500
    out = declipped(recorded)
    before, after = snr_db(truth[short], recorded[0, short]), snr_db(truth[short], out[0, short])
    assert after - before > least_gain_db


def test_missing_samples_are_those_of_least_residual() -> None:
    # Janssen, Veldhuis, Vries 1986: the missing samples minimise the energy of the prediction error. Here by brute
    # force: the filter as a whole matrix, solved as dense least squares.
    rng = np.random.default_rng(3)
    sound = rng.standard_normal(300)
    filtered = np.concatenate(([1.0], 0.1 * rng.standard_normal(32)))
    where = np.unique(rng.integers(40, 260, 60))
    rows = np.array([np.convolve(unit, filtered) for unit in np.eye(len(sound))]).T
    known = sound.copy()
    known[where] = 0.0
    expected = np.linalg.lstsq(rows[:, where], -rows @ known, rcond=None)[0]
    np.testing.assert_allclose(least_residual(sound, where, filtered), expected, rtol=1e-8, atol=1e-10)


def test_the_prediction_filter_of_an_autoregressive_process_is_found() -> None:
    # Of x[n] = 1.6 x[n-1] - 0.9 x[n-2] + e[n] the prediction-error filter is 1, -1.6, 0.9 (Makhoul, Proc. IEEE 63(4)
    # 1975).
    rng = np.random.default_rng(4)
    excitation = rng.standard_normal(40_000)
    sound = np.zeros(len(excitation))
    for n in range(2, len(sound)):
        sound[n] = 1.6 * sound[n - 1] - 0.9 * sound[n - 2] + excitation[n]
    error_filter = prediction(sound * np.hanning(len(sound)))
    np.testing.assert_allclose(error_filter[:3], [1.0, -1.6, 0.9], atol=0.03)
    np.testing.assert_allclose(error_filter[3:], 0.0, atol=0.04)


def test_a_clipped_tone_is_restored() -> None:
    t = np.arange(RATE_HZ // 2) / RATE_HZ
    truth = 1.3 * np.sin(2.0 * np.pi * 440.0 * t)
    out = declipped(as_recorded(truth))
    middle = slice(2_000, -2_000)
    assert np.abs(out[0, middle]).max() == pytest.approx(1.3, abs=0.02)


# ---------------------------------------------------------------- detection


@pytest.mark.parametrize(
    ("length", "is_declipped"), [(1, False), (2, False), (3, True), (10, True), (48, True), (49, False), (2_000, False)]
)
def test_runs_from_three_samples_to_a_millisecond(length: int, is_declipped: bool) -> None:
    # A swell that exceeds full scale for exactly this many samples, within softer sound.
    away = (np.arange(6_000) - 3_000 - (length - 1) / 2.0) / (length / 2.0)
    truth = 1.5 * np.exp(-np.log(1.5) * away**2) + 1e-3 * np.sin(np.arange(6_000))
    sound = np.clip(truth, -1.0, 1.0).astype(np.float32)[None]
    run = np.arange(3_000, 3_000 + length)
    sound[0, run] = 1.0
    sound[0, [2_999, 3_000 + length]] = 0.99
    out = declipped(sound)
    assert bool((out[0, run] > 1.0).any()) == is_declipped
    np.testing.assert_array_equal(np.delete(out, run, axis=1), np.delete(sound, run, axis=1))


@pytest.mark.parametrize(("under_db", "counts"), [(0.009, True), (0.011, False)])
def test_full_scale_is_within_a_hundredth_of_a_decibel(under_db: float, counts: bool) -> None:
    samples = np.zeros(20, np.float32)
    samples[8:12] = -(10.0 ** (-under_db / 20.0))
    assert bool(clipped(samples, 48).any()) == counts


def test_sound_without_clipping_is_only_delayed() -> None:
    sound = np.random.default_rng(2).uniform(-0.998, 0.998, (2, 20_000)).astype(np.float32)
    np.testing.assert_array_equal(declipped(sound), sound)


HARSH = st.sampled_from([-1.0, 1.0, -0.9995, 0.9995, 0.5, -0.9, 0.0])


@st.composite
def harsh_sounds(draw: st.DrawFn) -> Block:
    """Arbitrary runs, many or all of them clipped; one or two channels."""
    channels = draw(st.integers(1, 2))
    runs = draw(st.lists(st.tuples(HARSH, st.integers(1, 90)), min_size=1, max_size=60))
    row = np.concatenate([np.full(length, value, np.float32) for value, length in runs])
    row += np.float32(draw(st.sampled_from([0.0, 1e-4]))) * np.sin(np.arange(len(row), dtype=np.float32))
    row = np.clip(row, -1.0, 1.0)
    return np.ascontiguousarray(np.stack([np.roll(row, 700 * channel) for channel in range(channels)]))


@settings(max_examples=60, deadline=None)
@given(sound=harsh_sounds(), blocks=st.lists(st.integers(1, 3_000), max_size=8))
def test_any_cut_gives_the_same_and_never_less_than_the_clipped_level(sound: Block, blocks: list[int]) -> None:
    whole = declipped(sound)
    np.testing.assert_array_equal(declipped(sound, blocks), whole)
    assert whole.dtype == np.float32
    changed = whole != sound
    assert (np.abs(sound[changed]) >= FULL_SCALE).all()
    assert (np.sign(whole) == np.sign(sound)).all()
    assert (np.abs(whole) >= np.abs(sound)).all()
    assert (np.abs(whole) <= MOST_OVERSHOOT * np.maximum(np.abs(sound), FULL_SCALE)).all()


def test_a_sample_at_a_time_gives_the_same() -> None:
    recorded = as_recorded(song(0.1) * 2.0)
    np.testing.assert_array_equal(declipped(recorded, [1] * recorded.shape[1]), declipped(recorded))


def test_a_run_as_long_as_its_context_stays_as_it_was() -> None:
    """At a million samples a second the longest run allowed exceeds the context."""
    recorded = as_recorded(song(0.1))
    recorded[:, 1000:1900] = 1.0
    stage = RepairStage(LONGEST_S, 1_000_000, 1)
    late = np.concatenate((recorded, np.zeros((1, stage.latency_frames), np.float32)), axis=1)
    np.testing.assert_array_equal(stage.process(late)[:, stage.latency_frames :], recorded)


def test_memory_does_not_grow() -> None:
    stage = RepairStage(LONGEST_S, RATE_HZ, 1)
    recorded = as_recorded(song(0.5) * 2.0)
    for _ in range(20):
        stage.process(recorded)
        held = sum(part.size for part in vars(stage).values() if isinstance(part, np.ndarray))
        assert held < 3 * stage.latency_frames


def test_interpolation_does_not_change_intact_samples() -> None:
    recorded = as_recorded(song(0.05) * 2.0)[0]
    missing = clipped(recorded, 48)
    out = interpolated(recorded, missing)
    np.testing.assert_array_equal(out[~missing], recorded[~missing].astype(np.float64))


# ---------------------------------------------------------------- in the channel strip


def strip_output(folder: Path, sound: Block, plan: TrackPlan, start: int, frames: int, block: int) -> Block:
    folder.mkdir(exist_ok=True)
    soundfile.write(folder / "a.wav", sound.T, RATE_HZ, subtype="PCM_16")
    with Strip(plan, find_take(folder).recordings[0], RATE_HZ, start, frames) as strip:
        parts = [strip.process(min(block, frames - at)) for at in range(0, frames, block)]
    return np.concatenate(parts, axis=1)


@pytest.mark.parametrize("delay_frames", [0, 333, 9_000, -500])
def test_the_strip_declips_first_and_in_time(tmp_path: Path, delay_frames: int) -> None:
    recorded = as_recorded(song(0.5) * 2.0)
    usual = {"files": ("a.wav",), "name": "a", "role": "other", "role_is_guess": False, "family": "extras"}
    plan = TrackPlan(**usual, repair_s=LONGEST_S, delay_s=delay_frames / RATE_HZ)  # type: ignore[arg-type]
    step = step_frames(RATE_HZ)
    out = strip_output(tmp_path / "take", recorded, plan, 4_800, 14_400, 14_400)
    np.testing.assert_array_equal(strip_output(tmp_path / "take", recorded, plan, 4_800, 14_400, 7 * step), out)
    first = 4_800 - delay_frames
    heard = np.pad(recorded, ((0, 0), (10_000, 0)))[:, 10_000 + first : 10_000 + first + 14_400]
    kept = np.abs(heard) < FULL_SCALE
    np.testing.assert_array_equal(out[kept], heard[kept])
    assert np.abs(out).max() > 1.2


def test_the_strip_declips_up_to_the_end_of_the_recording(tmp_path: Path) -> None:
    recorded = as_recorded(song(0.2) * 2.0)
    usual = {"files": ("a.wav",), "name": "a", "role": "other", "role_is_guess": False, "family": "extras"}
    plan = TrackPlan(**usual, repair_s=LONGEST_S)  # type: ignore[arg-type]
    frames = recorded.shape[1] + 480
    out = strip_output(tmp_path / "take", recorded, plan, 0, frames, frames)
    np.testing.assert_array_equal(out[:, :-480], declipped(recorded))
    assert not out[:, -480:].any()
