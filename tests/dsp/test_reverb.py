"""The reverb as a stage."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pedalboard  # noqa: TID251 - the room is compared with the original
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from morningmix.decide.reverb import decide_reverb
from morningmix.dsp.reverb import ReverbStage, impulse_response
from morningmix.model.plan import Reverb
from morningmix.units import Block

TAIL = Reverb(room=0.45, damping=0.5, low_cut_hz=200.0)
ROOM = decide_reverb()
RATE_HZ = 48_000
HOP = 4_800


def noise(frames: int, seed: int = 1) -> Block:
    return (0.1 * np.random.default_rng(seed).standard_normal((2, frames))).astype(np.float32)


@settings(max_examples=15, deadline=None)
@given(
    hops=st.lists(st.integers(1, 30), max_size=4),
    rest=st.integers(1, 10_000),
    seed=st.integers(0, 2**16),
)
def test_any_cut_into_whole_hops_gives_the_same(hops: list[int], rest: int, seed: int) -> None:
    block = noise(sum(hops) * HOP + rest, seed)
    block.flags.writeable = False
    whole = ReverbStage(ROOM, RATE_HZ).process(block)
    stage = ReverbStage(ROOM, RATE_HZ)
    edges = np.concatenate(([0], np.cumsum([*(HOP * hop for hop in hops), rest]))).tolist()
    parts = [stage.process(np.ascontiguousarray(block[:, start:stop])) for start, stop in pairwise(edges)]
    np.testing.assert_array_equal(np.concatenate(parts, axis=1), whole)


def test_its_tail_matches_the_reverb_of_pedalboard() -> None:
    sound = noise(2 * RATE_HZ)
    wet = ReverbStage(TAIL, RATE_HZ).process(sound)
    low_cut = signal.butter(2, TAIL.low_cut_hz, "highpass", fs=RATE_HZ, output="sos")
    theirs = pedalboard.Reverb(room_size=TAIL.room, damping=TAIL.damping, wet_level=1.0, dry_level=0.0, width=1.0)
    expected = theirs(signal.sosfilt(low_cut, sound, axis=1).astype(np.float32), RATE_HZ)
    gain = np.vdot(expected, wet) / np.vdot(expected, expected)
    left = wet - np.float32(gain) * expected
    assert 10.0 * np.log10(np.vdot(left, left) / np.vdot(wet, wet)) < -60.0


def test_a_larger_block_does_not_cut_the_tail() -> None:
    stage = ReverbStage(ROOM, RATE_HZ)
    stage.process(noise(HOP))
    tail = stage.process(np.zeros((2, 100_000), np.float32))
    assert np.abs(tail[:, :4_000]).max() > 1e-3


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_noise_keeps_its_power(rate_hz: int) -> None:
    # Sends are panned mono tracks, so the same noise is on both sides.
    sound = np.tile(0.1 * np.random.default_rng(1).standard_normal(6 * rate_hz), (2, 1)).astype(np.float32)
    wet = ReverbStage(replace(ROOM, high_db=0.0), rate_hz).process(sound)
    settled = slice(2 * rate_hz, None)
    ratio_db = 10.0 * np.log10(np.mean(wet[:, settled] ** 2) / np.mean(sound[:, settled] ** 2))
    assert abs(ratio_db) < 1.0


def test_silence_stays_silent() -> None:
    assert not ReverbStage(ROOM, RATE_HZ).process(np.zeros((2, 30_000), np.float32)).any()


def test_lows_are_filtered_out() -> None:
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    low, high = (
        float(
            np.mean(
                ReverbStage(ROOM, RATE_HZ).process(np.tile(np.sin(2 * np.pi * hz * t), (2, 1)).astype(np.float32)) ** 2
            )
        )
        for hz in (40.0, 800.0)
    )
    assert 10.0 * np.log10(low / high) < -15.0


def test_it_has_no_latency_and_decays() -> None:
    stage = ReverbStage(ROOM, RATE_HZ)
    assert stage.latency_frames == 0
    stage.process(noise(RATE_HZ))
    tail = stage.process(np.zeros((2, 3 * RATE_HZ), np.float32))
    power = (tail.astype(np.float64) ** 2).sum(axis=0)
    left_db = 10.0 * np.log10(power[RATE_HZ : RATE_HZ + 4_800].sum() / power[:4_800].sum())
    # The plan asks for about a second to -60 dB; half to twice of that is a small room.
    assert -120.0 < left_db < -30.0


def reverberation_s(hz: float) -> float:
    """T20 in an octave band, by backward integration (ISO 3382-1)."""
    band = signal.butter(3, [hz / 2.0**0.5, hz * 2.0**0.5], "bandpass", fs=RATE_HZ, output="sos")
    energy = np.sum(signal.sosfilt(band, impulse_response(ROOM, RATE_HZ), axis=1) ** 2, axis=0)
    left_db = 10.0 * np.log10(np.cumsum(energy[::-1])[::-1] / energy.sum() + 1e-15)
    return float(3.0 * (np.argmax(left_db < -25.0) - np.argmax(left_db < -5.0)) / RATE_HZ)


def test_the_room_is_a_second_long_and_damped_in_the_highs() -> None:
    assert 0.8 < reverberation_s(1000.0) < 1.3
    assert reverberation_s(8000.0) / reverberation_s(1000.0) <= 0.55


def test_highs_are_6_db_softer() -> None:
    spectra = [
        np.abs(np.fft.rfft(impulse_response(each, RATE_HZ), 4 * RATE_HZ)) ** 2
        for each in (ROOM, replace(ROOM, high_db=0.0))
    ]
    hz = np.fft.rfftfreq(4 * RATE_HZ, 1.0 / RATE_HZ)
    soft, plain = (
        [float(power[:, (hz > low) & (hz < high)].sum()) for low, high in ((500.0, 1000.0), (8000.0, 12_000.0))]
        for power in spectra
    )
    assert 10.0 * np.log10(soft[1] / soft[0] * plain[0] / plain[1]) == pytest.approx(-6.0, abs=0.5)


def test_a_few_reflections_come_first_one_side_at_a_time() -> None:
    dry_tail, both = (
        impulse_response(replace(ROOM, early_db=early_db, high_db=0.0), RATE_HZ)[:, :RATE_HZ]
        for early_db in (None, ROOM.early_db)
    )
    first = both[:, : round(0.024 * RATE_HZ)]
    # The tail begins at 25 ms.
    assert np.abs(dry_tail[:, : first.shape[1]]).max() < 1e-6
    times_s = [np.flatnonzero(side > 0.3 * side.max()) / RATE_HZ for side in np.abs(first)]
    assert [round(float(each[0]), 3) for each in times_s] == [0.009, 0.011]
    assert all(len(each) < 30 for each in times_s)
    early = both - dry_tail * np.vdot(dry_tail[:, -RATE_HZ // 4 :], both[:, -RATE_HZ // 4 :]) / np.vdot(
        dry_tail[:, -RATE_HZ // 4 :], dry_tail[:, -RATE_HZ // 4 :]
    )
    ratio_db = 10.0 * np.log10(np.sum(early**2) / np.sum((both - early) ** 2))
    assert ratio_db == pytest.approx(-3.0, abs=0.3)
