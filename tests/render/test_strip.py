"""One input through its chain: exact where the plan is simple, and the same however it is cut."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Literal

import numpy as np
import pytest
import scipy
import soundfile  # noqa: TID251 - an outside writer of the files under test
from hypothesis import given, settings
from hypothesis import strategies as st

from morningmix.audio.takes import find_take
from morningmix.dsp.control import step_frames
from morningmix.laws.filters import butterworth_high_pass as high_pass
from morningmix.laws.filters import magnitude_db
from morningmix.model.plan import Compressor, DeEsser, Filter, Gate, Move, TrackPlan
from morningmix.model.recording import Recording
from morningmix.render.strip import open_strip
from morningmix.units import Block

RATE_HZ = 48_000
STEP = step_frames(RATE_HZ)


def track(**settings: object) -> TrackPlan:
    usual = {"files": ("a.wav",), "name": "a", "role": "other", "role_is_guess": False, "family": "extras"}
    return TrackPlan(**{**usual, **settings})  # type: ignore[arg-type]


def recorded(folder: Path, sound: Block, rate_hz: int = RATE_HZ) -> Recording:
    folder.mkdir(exist_ok=True)
    soundfile.write(folder / "a.wav", sound.T, rate_hz, subtype="FLOAT")
    return find_take(folder).recordings[0]


def rendered(
    plan: TrackPlan, recording: Recording, frames: int, start_frame: int = 0, blocks: Sequence[int] = ()
) -> tuple[Block, Block]:
    """The cleaned track and the placed one, rendered in blocks of these lengths (the rest at once)."""
    cleaned, placed = [], []
    with open_strip(plan, recording, recording.rate_hz, start_frame, frames) as strip:
        left = frames
        for length in [*blocks, frames]:
            count = min(length, left)
            if count:
                cleaned.append(strip.to_level.process(strip.source.read(count)))
                placed.append(strip.to_family.process(cleaned[-1]))
                left -= count
    return np.concatenate(cleaned, axis=1), np.concatenate(placed, axis=1)


def noise(frames: int, channels: int = 1, seed: int = 1) -> Block:
    return (0.1 * np.random.default_rng(seed).standard_normal((channels, frames))).astype(np.float32)


# ---------------------------------------------------------------- exact


def test_a_plan_that_does_nothing_leaves_every_sample(tmp_path: Path) -> None:
    sound = noise(10_000)
    cleaned, placed = rendered(track(), recorded(tmp_path, sound), 10_000)
    np.testing.assert_array_equal(cleaned, sound)
    # The middle is -3.01 dB on both sides.
    np.testing.assert_allclose(placed, np.tile(sound, (2, 1)) * np.sqrt(0.5), rtol=1e-6)


@pytest.mark.parametrize(
    ("gain_db", "flip", "factor"), [(6.0206, False, 2.0), (0.0, True, -1.0), (-6.0206, True, -0.5)]
)
def test_gain_and_polarity(tmp_path: Path, gain_db: float, flip: bool, factor: float) -> None:
    sound = noise(5_000)
    cleaned, _ = rendered(track(gain_db=gain_db, flip=flip), recorded(tmp_path, sound), 5_000)
    np.testing.assert_allclose(cleaned, factor * sound, rtol=2e-5)


def test_a_gain_step_in_mid_take_is_compensated_from_there_on(tmp_path: Path) -> None:
    sound = noise(48_000)
    cleaned, _ = rendered(track(gain_step=(0.5, -6.0206)), recorded(tmp_path, sound), 48_000)
    np.testing.assert_allclose(cleaned[:, :23_500], sound[:, :23_500], rtol=1e-6)
    np.testing.assert_allclose(cleaned[:, 24_500:], 0.5 * sound[:, 24_500:], rtol=2e-5)


@pytest.mark.parametrize("delay_frames", [0, 1, 7, 480, 4_799, 4_800, 9_999])
def test_delay_is_counted_in_frames(tmp_path: Path, delay_frames: int) -> None:
    sound = noise(10_000)
    plan = track(delay_s=delay_frames / RATE_HZ)
    cleaned, _ = rendered(plan, recorded(tmp_path, sound), 10_000, blocks=[STEP] * 10)
    np.testing.assert_array_equal(cleaned[:, delay_frames:], sound[:, : 10_000 - delay_frames])
    assert not cleaned[:, :delay_frames].any()


@pytest.mark.parametrize("delay_frames", [0, 100, 3_000])
def test_a_song_within_the_take_includes_delayed_sound_from_before_it(tmp_path: Path, delay_frames: int) -> None:
    sound = noise(20_000)
    plan = track(delay_s=delay_frames / RATE_HZ)
    cleaned, _ = rendered(plan, recorded(tmp_path, sound), 4_800, start_frame=2_400)
    whole, _ = rendered(plan, recorded(tmp_path, sound), 20_000)
    np.testing.assert_array_equal(cleaned, whole[:, 2_400:7_200])


@settings(max_examples=20, deadline=None)
@given(pan=st.floats(-1.0, 1.0), fader_db=st.floats(-40.0, 12.0), channels=st.integers(1, 2))
def test_fader_and_pan_keep_the_power(
    tmp_path_factory: pytest.TempPathFactory, pan: float, fader_db: float, channels: int
) -> None:
    sound = np.tile(noise(2_000), (channels, 1))
    _, placed = rendered(track(pan=pan, fader_db=fader_db), recorded(tmp_path_factory.mktemp("take"), sound), 2_000)
    power = (placed.astype(np.float64) ** 2).sum() / (sound.astype(np.float64) ** 2).sum()
    # sin^2 + cos^2 = 1, for one channel and for equal ones.
    assert 10.0 * np.log10(power) == pytest.approx(fader_db, abs=1e-3)


@pytest.mark.parametrize(("pan", "silent"), [(-1.0, 1), (1.0, 0)])
def test_the_far_side_is_silent(tmp_path: Path, pan: float, silent: int) -> None:
    _, placed = rendered(track(pan=pan), recorded(tmp_path, noise(1_000)), 1_000)
    assert not placed[silent].any()
    assert placed[1 - silent].any()


def test_a_pair_keeps_its_sides(tmp_path: Path) -> None:
    sound = noise(1_000, channels=2)
    _, placed = rendered(track(), recorded(tmp_path, sound), 1_000)
    np.testing.assert_array_equal(placed, sound)


@pytest.mark.parametrize("hz", [50.0, 100.0, 400.0])
def test_filters_follow_their_curve(tmp_path: Path, hz: float) -> None:
    t = np.arange(RATE_HZ) / RATE_HZ
    sound = (0.5 * np.sin(2.0 * np.pi * hz * t)).astype(np.float32)[None]
    plan = track(filters=(Filter(kind="high_pass", corner_hz=100.0), Filter(kind="low_pass", corner_hz=5_000.0)))
    cleaned, _ = rendered(plan, recorded(tmp_path, sound), RATE_HZ)
    settled = slice(RATE_HZ // 2, None)
    got_db = 10.0 * np.log10(np.mean(cleaned[:, settled] ** 2) / np.mean(sound[:, settled] ** 2))
    # Butterworth, 12 dB an octave: 10 lg of 1 / (1 + (fc / f)^4).
    assert got_db == pytest.approx(-10.0 * np.log10(1.0 + (100.0 / hz) ** 4), abs=0.05)
    assert got_db == pytest.approx(float(magnitude_db(high_pass(100.0, RATE_HZ), hz, RATE_HZ)), abs=0.05)


@pytest.mark.parametrize(("kind", "corner_hz"), [("low_shelf", 200.0), ("high_shelf", 4000.0)])
@pytest.mark.parametrize("gain_db", [-6.0, 3.5])
def test_shelves_are_those_of_the_cookbook(
    tmp_path: Path, kind: Literal["low_shelf", "high_shelf"], corner_hz: float, gain_db: float
) -> None:
    impulse = np.zeros((1, RATE_HZ), np.float32)
    impulse[0, STEP] = 1.0
    plan = track(filters=(Filter(kind=kind, corner_hz=corner_hz, gain_db=gain_db),))
    cleaned, placed = rendered(plan, recorded(tmp_path, impulse), RATE_HZ, blocks=[STEP] * 7)
    np.testing.assert_array_equal(cleaned, impulse)
    # The coefficients as the Cookbook prints them, with Q = 1/sqrt(2).
    a, w0 = 10.0 ** (gain_db / 40.0), 2.0 * np.pi * corner_hz / RATE_HZ
    c, alpha = np.cos(w0), np.sin(w0) / np.sqrt(2.0)
    s = -1.0 if kind == "low_shelf" else 1.0
    root = 2.0 * np.sqrt(a) * alpha
    b = [a * ((a + 1) + s * (a - 1) * c + root), -2 * s * a * ((a - 1) + s * (a + 1) * c)]
    b += [a * ((a + 1) + s * (a - 1) * c - root)]
    d = [(a + 1) - s * (a - 1) * c + root, 2 * s * ((a - 1) - s * (a + 1) * c), (a + 1) - s * (a - 1) * c - root]
    hz, response = scipy.signal.sosfreqz(np.array([[*b, *d]]) / d[0], np.geomspace(20.0, 20_000.0, 200), fs=RATE_HZ)
    measured = np.abs(np.exp(-2j * np.pi * np.outer(hz, np.arange(RATE_HZ)) / RATE_HZ) @ placed[0].astype(np.float64))
    got_db = 20.0 * np.log10(measured * np.sqrt(2.0))
    np.testing.assert_allclose(got_db, 20.0 * np.log10(np.abs(response)), atol=0.01)
    low_db, high_db = (gain_db, 0.0) if kind == "low_shelf" else (0.0, gain_db)
    assert got_db[[0, -1]] == pytest.approx([low_db, high_db], abs=0.1)
    assert float(np.interp(corner_hz, hz, got_db)) == pytest.approx(gain_db / 2.0, abs=0.05)


def test_the_compressor_does_not_react_to_shelves(tmp_path: Path) -> None:
    sound = noise(RATE_HZ)
    squeeze = Compressor(
        threshold_db=-30.0, ratio=4.0, knee_db=0.0, attack_s=0.01, release_s=0.1, max_reduction_db=20.0
    )
    recording = recorded(tmp_path, sound)
    plain, _ = rendered(track(compressor=squeeze), recording, RATE_HZ)
    boosted = track(compressor=squeeze, filters=(Filter(kind="low_shelf", corner_hz=200.0, gain_db=6.0),))
    same, _ = rendered(boosted, recording, RATE_HZ)
    np.testing.assert_array_equal(same, plain)


def test_a_gate_closes_to_its_floor(tmp_path: Path) -> None:
    sound = np.full((1, 2 * RATE_HZ), 0.5, np.float32)
    plan = track(gate=Gate(open_s=((0.5, 1.0),), floor_db=-20.0, ramp_s=0.06))
    cleaned, _ = rendered(plan, recorded(tmp_path, sound), 2 * RATE_HZ)
    # Within one control step of the edges.
    slack = 2 * STEP
    np.testing.assert_allclose(cleaned[0, 24_000 + slack : 48_000 - slack], 0.5, rtol=1e-5)
    np.testing.assert_allclose(cleaned[0, : 21_120 - slack], 0.05, rtol=1e-4)
    np.testing.assert_allclose(cleaned[0, 50_880 + slack :], 0.05, rtol=1e-4)


def test_moves_change_the_placed_track_only(tmp_path: Path) -> None:
    sound = np.full((1, RATE_HZ), 0.25, np.float32)
    plan = track(pan=-1.0, moves=(Move(from_s=0.5, to_s=0.7, level_db=6.0206, ramp_s=0.1),))
    cleaned, placed = rendered(plan, recorded(tmp_path, sound), RATE_HZ)
    np.testing.assert_array_equal(cleaned, sound)
    np.testing.assert_allclose(placed[0, 24_000 + STEP : 33_600 - STEP], 0.5, rtol=1e-4)
    np.testing.assert_allclose(placed[0, : 19_200 - STEP], 0.25, rtol=1e-5)
    np.testing.assert_allclose(placed[0, 38_400 + 2 * STEP :], 0.25, rtol=1e-5)


def test_a_compressor_takes_what_its_curve_says(tmp_path: Path) -> None:
    t = np.arange(RATE_HZ) / RATE_HZ
    sound = (0.5 * np.sin(2.0 * np.pi * 1_000.0 * t)).astype(np.float32)[None]
    plan = track(
        compressor=Compressor(
            threshold_db=-20.0, ratio=2.0, knee_db=0.0, attack_s=0.01, release_s=0.1, max_reduction_db=20.0
        )
    )
    with open_strip(plan, recorded(tmp_path, sound), RATE_HZ, 0, RATE_HZ) as strip:
        cleaned = strip.to_level.process(strip.source.read(RATE_HZ))
        reduction_db = strip.reduction_db
    got_db = 20.0 * np.log10(np.abs(cleaned[:, -4_800:]).max() / 0.5)
    # The peaks lie at -6.02 dB: half of 13.98 dB over the threshold goes.
    assert got_db == pytest.approx(-13.979 / 2.0, abs=0.02)
    assert reduction_db.shape == (10,)
    assert reduction_db[-1] == pytest.approx(-13.979 / 2.0, abs=0.02)


@pytest.mark.parametrize(("hz", "amplitude", "less_db"), [(9_000.0, 0.5, 4.5), (9_000.0, 0.01, 0.0), (300.0, 0.5, 0.0)])
def test_a_de_esser_holds_back_what_is_loud_and_high(
    tmp_path: Path, hz: float, amplitude: float, less_db: float
) -> None:
    t = np.arange(RATE_HZ) / RATE_HZ
    sound = (amplitude * np.sin(2.0 * np.pi * hz * t)).astype(np.float32)[None]
    cleaned, _ = rendered(track(de_esser=DE_ESSER), recorded(tmp_path, sound), RATE_HZ)
    power = np.mean(cleaned[:, RATE_HZ // 2 :].astype(np.float64) ** 2)
    got_db = 10.0 * np.log10(power / np.mean(sound[:, RATE_HZ // 2 :].astype(np.float64) ** 2))
    # A shelf of first order that is 4 dB down at 6.5 kHz goes on falling a little.
    assert got_db == pytest.approx(-less_db, abs=0.2)


def test_the_compressor_does_not_react_to_what_the_gate_turns_down(tmp_path: Path) -> None:
    loud = np.full((1, RATE_HZ), 0.5, np.float32)
    hard = Compressor(threshold_db=-20.0, ratio=4.0, knee_db=0.0, attack_s=0.0, release_s=0.1, max_reduction_db=20.0)
    closed = track(gate=Gate(open_s=(), floor_db=-20.0, ramp_s=0.06), compressor=hard)
    cleaned, _ = rendered(closed, recorded(tmp_path, loud), RATE_HZ)
    np.testing.assert_allclose(cleaned, 0.05, rtol=1e-3)


@pytest.mark.parametrize("cleaned", [False, True])
def test_clipping_is_repaired_once(tmp_path: Path, cleaned: bool) -> None:
    """A cleaned microphone was repaired before its bleed was learnt, so it is not repaired again here."""
    t = np.arange(RATE_HZ // 2) / RATE_HZ
    whole = (1.05 * np.sin(2.0 * np.pi * 500.0 * t)).astype(np.float32)[None]
    cut = np.clip(whole, -1.0, 1.0)
    plan = track(repair_s=0.001, cleaned=cleaned)
    mended, _ = rendered(plan, recorded(tmp_path, cut), RATE_HZ // 2, blocks=[STEP] * 20)
    inside = slice(4_800, -4_800)
    if cleaned:
        np.testing.assert_array_equal(mended, cut)
    else:
        # As long as before and in its place, with most of what was cut off.
        assert np.abs(mended - whole)[:, inside].max() < 0.02
        assert np.abs(cut - whole)[:, inside].max() > 0.045


def test_a_delayed_track_that_is_repaired_stays_in_its_place(tmp_path: Path) -> None:
    sound = noise(20_000)
    plan = track(delay_s=100 / RATE_HZ, repair_s=0.001)
    late, _ = rendered(plan, recorded(tmp_path, sound), 9_600, start_frame=0, blocks=[STEP] * 100)
    np.testing.assert_allclose(late[:, 100:], sound[:, :9_500], atol=1e-6)
    assert not late[:, :100].any()


def test_pops_are_ducked_and_nothing_else(tmp_path: Path) -> None:
    """20 dB softer from 0.5 to 0.6 s."""
    sound = np.full((1, RATE_HZ), 0.5, np.float32)
    ducked, _ = rendered(track(ducked_s=((0.5, 0.6),)), recorded(tmp_path, sound), RATE_HZ)
    np.testing.assert_allclose(ducked[0, 24_480:28_320], 0.05, rtol=1e-3)
    np.testing.assert_allclose(ducked[0, :22_000], 0.5, rtol=1e-5)
    np.testing.assert_allclose(ducked[0, 31_000:], 0.5, rtol=1e-5)


def test_a_ride_moves_the_placed_track_along_its_points(tmp_path: Path) -> None:
    sound = np.full((1, RATE_HZ), 0.25, np.float32)
    plan = track(pan=-1.0, ride=((0.2, 0.0), (0.6, 6.0206)))
    cleaned, placed = rendered(plan, recorded(tmp_path, sound), RATE_HZ)
    np.testing.assert_array_equal(cleaned, sound)
    np.testing.assert_allclose(placed[0, :9_000], 0.25, rtol=1e-4)
    assert placed[0, 19_200] == pytest.approx(0.25 * np.sqrt(2.0), rel=0.01)
    np.testing.assert_allclose(placed[0, 29_500:], 0.5, rtol=1e-3)


# ---------------------------------------------------------------- streaming


DE_ESSER = DeEsser(
    corner_hz=5_000.0,
    compressor=Compressor(
        threshold_db=-30.0, ratio=3.0, knee_db=6.0, attack_s=0.001, release_s=0.06, max_reduction_db=4.0
    ),
)
EVERYTHING = track(
    gain_db=3.3,
    flip=True,
    delay_s=0.0123,
    filters=(Filter(kind="high_pass", corner_hz=90.0), Filter(kind="low_pass", corner_hz=5_000.0)),
    de_esser=DE_ESSER,
    gate=Gate(open_s=((0.1, 0.25), (0.31, 0.4)), floor_db=-20.0, ramp_s=0.06),
    compressor=Compressor(
        threshold_db=-30.0, ratio=3.0, knee_db=6.0, attack_s=0.006, release_s=0.1, max_reduction_db=8.0
    ),
    fader_db=-4.5,
    pan=0.35,
    moves=(Move(from_s=0.2, to_s=0.3, level_db=2.0, ramp_s=0.05),),
)


@settings(max_examples=25, deadline=None)
@given(steps=st.lists(st.integers(1, 300), max_size=6), channels=st.integers(1, 2), frames=st.integers(1, 24_000))
def test_any_cut_at_control_steps_gives_the_same(
    tmp_path_factory: pytest.TempPathFactory, steps: list[int], channels: int, frames: int
) -> None:
    recording = recorded(tmp_path_factory.mktemp("take"), noise(24_000, channels))
    whole = rendered(EVERYTHING, recording, frames)
    cut = rendered(EVERYTHING, recording, frames, blocks=[n * STEP for n in steps])
    np.testing.assert_array_equal(cut[0], whole[0])
    np.testing.assert_array_equal(cut[1], whole[1])
    assert whole[0].dtype == whole[1].dtype == np.float32
    assert whole[1].shape == (2, frames)


def test_a_step_at_a_time_gives_the_same(tmp_path: Path) -> None:
    recording = recorded(tmp_path, noise(24_000))
    whole = rendered(EVERYTHING, recording, 24_000)
    cut = rendered(EVERYTHING, recording, 24_000, blocks=[STEP] * 500)
    np.testing.assert_array_equal(cut[0], whole[0])
    np.testing.assert_array_equal(cut[1], whole[1])


@pytest.mark.parametrize("early_frames", [1, 48, 3_000])
def test_a_negative_delay_plays_the_input_earlier(tmp_path: Path, early_frames: int) -> None:
    sound = noise(20_000)
    plan = track(delay_s=-early_frames / RATE_HZ)
    cleaned, _ = rendered(plan, recorded(tmp_path, sound), 10_000, start_frame=5_000)
    np.testing.assert_array_equal(cleaned, sound[:, 5_000 + early_frames : 15_000 + early_frames])
    end, _ = rendered(plan, recorded(tmp_path, sound), 20_000)
    np.testing.assert_array_equal(end[:, : 20_000 - early_frames], sound[:, early_frames:])
    assert not end[:, 20_000 - early_frames :].any()
