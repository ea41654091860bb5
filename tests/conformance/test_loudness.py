"""Signals and tolerances of EBU Tech 3341 v4 (2023), table 1, and EBU Tech 3342 v4 (2023), generated here.

Numbers are the case numbers of Tech 3341. Case 6 is five-channel, 7 and 8 need programme files, 11 and 14 are for
meters with a live display.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from morningmix.dsp.meter import Loudness, LoudnessMeter
from morningmix.laws.loudness import loudness_range
from morningmix.units import Block

RATE_HZ = 48_000


def tones(*parts: tuple[float, float | None], rate_hz: int = RATE_HZ) -> Block:
    """Stereo in-phase 1 kHz sine; each part is its length in s and its peak level in dBFS, None for silence."""
    gains = np.concatenate(
        [
            np.full(round(length_s * rate_hz), 0.0 if level_db is None else 10.0 ** (level_db / 20.0))
            for length_s, level_db in parts
        ]
    )
    sine = gains * np.sin(2.0 * np.pi * 1_000.0 / rate_hz * np.arange(gains.size))
    return np.tile(sine, (2, 1)).astype(np.float32)


def metered(block: Block, rate_hz: int = RATE_HZ) -> Loudness:
    meter = LoudnessMeter(rate_hz, len(block))
    meter.update(block)
    return meter.result()


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("level_db", [-23.0, -33.0])
def test_cases_1_and_2_steady_tone(level_db: float, rate_hz: int) -> None:
    found = metered(tones((20.0, level_db), rate_hz=rate_hz), rate_hz)
    for lufs in (found.integrated_lufs, found.max_momentary_lufs, found.max_short_term_lufs):
        assert lufs == pytest.approx(level_db, abs=0.1)


@pytest.mark.parametrize(
    "parts",
    [
        pytest.param([(10.0, -36.0), (60.0, -23.0), (10.0, -36.0)], id="3"),
        pytest.param([(10.0, -72.0), (10.0, -36.0), (60.0, -23.0), (10.0, -36.0), (10.0, -72.0)], id="4"),
        pytest.param([(20.0, -26.0), (20.1, -20.0), (20.0, -26.0)], id="5"),
    ],
)
def test_cases_3_to_5_gating(parts: list[tuple[float, float]]) -> None:
    assert metered(tones(*parts)).integrated_lufs == pytest.approx(-23.0, abs=0.1)


def test_case_9_short_term_is_constant() -> None:
    meter = LoudnessMeter(RATE_HZ, 2)
    meter.update(tones(*[(1.34, -20.0), (1.66, -30.0)] * 5))
    found_lufs = -0.691 + 10.0 * np.log10(meter.short_term_powers())
    assert found_lufs.size == 121
    assert found_lufs == pytest.approx(np.full(121, -23.0), abs=0.1)


@pytest.mark.parametrize("index", range(20))
def test_case_10_short_term_finds_a_tone_anywhere(index: int) -> None:
    found = metered(tones((index * 0.15, None), (3.0, -23.0), (1.0, None)))
    assert found.max_short_term_lufs == pytest.approx(-23.0, abs=0.1)


def test_case_12_momentary_is_constant() -> None:
    meter = LoudnessMeter(RATE_HZ, 2)
    meter.update(tones(*[(0.18, -20.0), (0.22, -30.0)] * 25))
    found_lufs = -0.691 + 10.0 * np.log10(meter.momentary_powers())[6:]
    assert found_lufs.size == 91
    assert found_lufs == pytest.approx(np.full(91, -23.0), abs=0.1)


@pytest.mark.parametrize("index", range(20))
def test_case_13_momentary_finds_a_tone_anywhere(index: int) -> None:
    found = metered(tones((index * 0.020, None), (0.4, -23.0), (1.0, None)))
    assert found.max_momentary_lufs == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize(
    ("divisor", "amplitude", "degrees", "expected_dbtp"),
    [
        pytest.param(4, 0.50, 0.0, -6.0, id="15"),
        pytest.param(4, 0.50, 45.0, -6.0, id="16"),
        pytest.param(6, 0.50, 60.0, -6.0, id="17"),
        pytest.param(8, 0.50, 67.5, -6.0, id="18"),
        pytest.param(4, 1.41, 45.0, 3.0, id="19"),
    ],
)
def test_cases_15_to_19_true_peak_of_a_tone(
    divisor: int, amplitude: float, degrees: float, expected_dbtp: float
) -> None:
    frames = np.arange(RATE_HZ)
    fade = np.clip(np.minimum(frames, frames[::-1]) / (0.010 * RATE_HZ), 0.0, 1.0)
    sine = amplitude * fade * np.sin(2.0 * np.pi * frames / divisor + np.deg2rad(degrees))
    found_dbtp = metered(np.tile(sine, (2, 1)).astype(np.float32)).true_peak_dbtp
    assert found_dbtp is not None
    assert expected_dbtp - 0.4 <= found_dbtp <= expected_dbtp + 0.2


def burst_at_four_times_the_rate() -> NDArray[np.float64]:
    """Sine of a sixth of the sample rate at 0.50 around one period of a quarter of it at 1.00, phase-continuous."""
    soft = np.full(600 * 24, 1.0 / 24.0)
    loud = np.full(16, 1.0 / 16.0)
    cycles = np.concatenate(([0.0], np.cumsum(np.concatenate((soft, loud, soft)))[:-1]))
    amplitude = np.concatenate((np.full(soft.size, 0.5), np.full(loud.size, 1.0), np.full(soft.size, 0.5)))
    position = np.arange(cycles.size)
    fade = np.clip(np.minimum(position, position[::-1]) / (0.010 * 4 * RATE_HZ), 0.0, 1.0)
    low_pass = signal.firwin(1_025, 0.98 / 4.0, window=("kaiser", 8.0))
    return np.convolve(fade * amplitude * np.sin(2.0 * np.pi * cycles), low_pass, mode="same")


@pytest.mark.parametrize(
    ("offset", "sample_peak_dbfs"),
    [
        pytest.param(0, -0.130, id="20"),
        pytest.param(1, -0.462, id="21"),
        pytest.param(2, -2.503, id="22"),
        pytest.param(3, -0.462, id="23"),
    ],
)
def test_cases_20_to_23_true_peak_of_a_burst(offset: int, sample_peak_dbfs: float) -> None:
    """The sample peaks are computed, and show that the signal is the intended one."""
    burst = burst_at_four_times_the_rate()[offset::4]
    found = metered(np.tile(burst, (2, 1)).astype(np.float32))
    assert found.sample_peak_dbfs == pytest.approx(sample_peak_dbfs, abs=0.01)
    assert found.true_peak_dbtp is not None
    assert -0.4 <= found.true_peak_dbtp <= 0.2


@pytest.mark.parametrize(
    ("levels_db", "expected_lu"),
    [
        pytest.param([-20.0, -30.0], 10.0, id="1"),
        pytest.param([-20.0, -15.0], 5.0, id="2"),
        pytest.param([-40.0, -20.0], 20.0, id="3"),
        pytest.param([-50.0, -35.0, -20.0, -35.0, -50.0], 15.0, id="4"),
    ],
)
def test_loudness_range_cases_of_tech_3342(levels_db: list[float], expected_lu: float) -> None:
    """Tones of 20 s each, and 1.5 s of silence."""
    found = metered(tones(*[(20.0, level_db) for level_db in levels_db], (1.5, None)))
    assert found.range_lu == pytest.approx(expected_lu, abs=1.0)


def test_one_channel_reads_minus_3_01_at_full_scale() -> None:
    """BS.1770-5, Annex 1: 997 Hz sine at 0 dBFS in one channel."""
    sine = np.sin(2.0 * np.pi * 997.0 / RATE_HZ * np.arange(5 * RATE_HZ)).astype(np.float32)
    assert metered(sine[None]).integrated_lufs == pytest.approx(-3.01, abs=0.01)
    silent_right = np.stack((sine, np.zeros_like(sine)))
    assert metered(silent_right).integrated_lufs == pytest.approx(-3.01, abs=0.01)


def music(rate_hz: int) -> Block:
    """Noise bursts, decaying tones and pauses, 30 s, stereo, from a fixed seed."""
    rng = np.random.default_rng(1)
    frames = 30 * rate_hz
    block = np.zeros((2, frames))
    for start in np.sort(rng.integers(0, 25 * rate_hz, 80)):
        length = int(rng.integers(rate_hz // 20, 2 * rate_hz))
        decay = np.exp(-np.arange(length) / (0.2 * rate_hz))
        tone = np.sin(2.0 * np.pi * rng.uniform(40.0, 4_000.0) / rate_hz * np.arange(length))
        sound = decay * (tone if rng.random() < 0.6 else rng.standard_normal(length) * 0.5)
        block[:, start : start + length] += 0.15 * rng.uniform(0.2, 1.0, (2, 1)) * sound
    return block.astype(np.float32)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_agrees_with_libebur128(rate_hz: int) -> None:
    """Another implementation: libebur128 through pyebur128. Its true peak uses a filter of its own."""
    pyebur128 = pytest.importorskip("pyebur128", reason="no wheel for this Python")
    block = music(rate_hz)
    modes = pyebur128.MeasurementMode
    state = pyebur128.R128State(2, rate_hz, modes.MODE_I | modes.MODE_LRA | modes.MODE_TRUE_PEAK)
    state.add_frames(block.T.ravel().copy(), block.shape[1])
    meter = LoudnessMeter(rate_hz, 2)
    meter.update(block)
    found = meter.result()
    assert found.integrated_lufs == pytest.approx(pyebur128.get_loudness_global(state), abs=0.05)
    # It takes one short-term window a second where Tech 3342 v4 asks for ten.
    once_a_second = loudness_range(meter.short_term_powers()[::10])
    assert once_a_second == pytest.approx(pyebur128.get_loudness_range(state), abs=0.05)
    true_peak = max(pyebur128.get_true_peak(state, channel) for channel in (0, 1))
    assert found.true_peak_dbtp == pytest.approx(20.0 * np.log10(true_peak), abs=0.3)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_agrees_with_pyloudnorm(rate_hz: int) -> None:
    """Another implementation: pyloudnorm with the coefficients of De Man (its default reads 0.04 LU low)."""
    pyloudnorm = pytest.importorskip("pyloudnorm")
    block = music(rate_hz)
    oracle = pyloudnorm.Meter(rate_hz, filter_class="DeMan")
    expected_lufs = oracle.integrated_loudness(block.T.astype(np.float64))
    assert metered(block, rate_hz).integrated_lufs == pytest.approx(expected_lufs, abs=0.05)
