"""Written files measured again: a wrong sample is found, and two meters agree."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of the files under test
from numpy.typing import NDArray

from morningmix.errors import RecordingsError
from morningmix.laws.loudness import METERS_AGREE_LU
from morningmix.render.verify import meters_differ_lu, residual_of, verify

RATE_HZ = 48_000


def write(path: Path, samples: NDArray[np.int32], bits: int) -> None:
    shifted = np.left_shift(samples, 32 - bits, dtype=np.int32)
    soundfile.write(path, shifted.T, RATE_HZ, subtype=f"PCM_{bits}")


def mix_and_stems(folder: Path, bits: int, seconds: float = 5.3) -> tuple[list[Path], list[NDArray[np.int32]]]:
    rng = np.random.default_rng(1)
    limit = 1 << (bits - 5)
    stems = [rng.integers(-limit, limit, (2, round(seconds * RATE_HZ))).astype(np.int32) for _ in range(3)]
    sounds = [np.sum(stems, axis=0, dtype=np.int32), *stems]
    paths = [folder / name for name in ("mix.wav", "a.wav", "b.wav", "c.wav")]
    for path, sound in zip(paths, sounds, strict=True):
        write(path, sound, bits)
    return paths, sounds


@pytest.mark.parametrize("bits", [16, 24])
def test_stems_that_add_up_leave_nothing(tmp_path: Path, bits: int) -> None:
    paths, _ = mix_and_stems(tmp_path, bits)
    assert residual_of(paths) == 0.0


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("frame", [0, 95_999, 96_000, 254_399])
def test_one_wrong_sample_is_found(tmp_path: Path, bits: int, frame: int) -> None:
    paths, sounds = mix_and_stems(tmp_path, bits)
    sounds[2][1, frame] += 1
    write(paths[2], sounds[2], bits)
    assert residual_of(paths) == 2.0 ** (1 - bits)


def test_a_file_that_cannot_be_read_back(tmp_path: Path) -> None:
    paths, _ = mix_and_stems(tmp_path, 24, 1.0)
    paths[1].unlink()
    with pytest.raises(RecordingsError, match=r"a\.wav"):
        residual_of(paths)


def test_readings_of_a_plain_tone(tmp_path: Path) -> None:
    # EBU Tech 3341, case 1: a stereo 1 kHz sine at -23 dBFS reads -23 LUFS.
    t = np.arange(20 * RATE_HZ) / RATE_HZ
    tone = np.tile(10.0 ** (-23.0 / 20.0) * np.sin(2.0 * np.pi * 1_000.0 * t), (2, 1))
    samples = np.rint(tone * 2**23).astype(np.int32)
    write(tmp_path / "mix.wav", samples, 24)
    verified = verify(tmp_path / "mix.wav")
    assert verified.loudness.integrated_lufs == pytest.approx(-23.0, abs=0.1)
    assert verified.short_term_lufs[50:] == pytest.approx(-23.0, abs=0.1)
    band = int(np.searchsorted(verified.band_hz, 1_000.0)) - 1
    assert int(verified.spectrum_db.argmax()) == band
    # A sine of amplitude A has the power A^2 / 2.
    total = float((10.0 ** (verified.spectrum_db.astype(np.float64) / 10.0)).sum())
    assert 10.0 * np.log10(total) == pytest.approx(-23.0 - 3.01, abs=0.1)


@pytest.mark.parametrize("seconds", [3.0, 12.0, 40.0])
def test_two_meters_agree(tmp_path: Path, seconds: float) -> None:
    rng = np.random.default_rng(2)
    frames = round(seconds * RATE_HZ)
    swell = 0.02 + 0.2 * np.abs(np.sin(np.arange(frames) / RATE_HZ))
    samples = np.rint(np.clip(swell * rng.standard_normal((2, frames)), -0.9, 0.9) * 2**23).astype(np.int32)
    write(tmp_path / "mix.wav", samples, 24)
    difference = meters_differ_lu(tmp_path / "mix.wav")
    assert difference is not None
    assert abs(difference) <= METERS_AGREE_LU


@pytest.mark.parametrize("rate_hz", [32_000, 44_056, 44_100, 48_000])
def test_two_meters_agree_at_any_length(tmp_path: Path, rate_hz: int) -> None:
    # Loudest at the very end, where a last block that is not whole would read too low.
    rng = np.random.default_rng(rate_hz)
    sound = 0.01 * rng.standard_normal((2, 5 * rate_hz))
    sound[:, -rate_hz * 6 // 10 :] *= 10.0
    for frames in rng.integers(3 * rate_hz + 10, 5 * rate_hz, 20).tolist():
        soundfile.write(tmp_path / "mix.wav", sound[:, -frames:].T, rate_hz, subtype="PCM_24")
        difference = meters_differ_lu(tmp_path / "mix.wav")
        assert difference is not None
        assert abs(difference) <= METERS_AGREE_LU, f"{frames} frames"


def test_where_there_is_too_little_to_compare(tmp_path: Path) -> None:
    write(tmp_path / "short.wav", np.full((2, 2 * RATE_HZ), 1 << 20, np.int32), 24)
    write(tmp_path / "silent.wav", np.zeros((2, 5 * RATE_HZ), np.int32), 24)
    assert meters_differ_lu(tmp_path / "short.wav") is None
    assert meters_differ_lu(tmp_path / "silent.wav") is None


def test_the_middle_of_a_long_mix_is_compared(tmp_path: Path) -> None:
    """Half a minute: of 90 s that from 30 to 60 s."""
    rate_hz = 32_000
    noise = 0.1 * np.random.default_rng(3).standard_normal((2, 4 * rate_hz))
    for start_s, there in ((24, False), (55, True), (61, False)):
        sound = np.zeros((2, 90 * rate_hz))
        sound[:, start_s * rate_hz : (start_s + 4) * rate_hz] = noise
        soundfile.write(tmp_path / "mix.wav", sound.T, rate_hz, subtype="PCM_16")
        assert (meters_differ_lu(tmp_path / "mix.wav") is not None) == there


def test_under_32_khz_nothing_is_compared(tmp_path: Path) -> None:
    noise = 0.1 * np.random.default_rng(3).standard_normal((2, 4 * 22_050))
    soundfile.write(tmp_path / "mix.wav", noise.T, 22_050, subtype="PCM_16")
    assert meters_differ_lu(tmp_path / "mix.wav") is None


def test_a_steady_sound_has_its_power_in_the_spectrum_however_long_it_is(tmp_path: Path) -> None:
    for seconds in (0.5, 2.0, 4.5):
        t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
        tone = np.tile(0.5 * np.sin(2.0 * np.pi * 1_000.0 * t), (2, 1))
        write(tmp_path / "mix.wav", np.rint(tone * 2**23).astype(np.int32), 24)
        verified = verify(tmp_path / "mix.wav")
        total = float((10.0 ** (verified.spectrum_db.astype(np.float64) / 10.0)).sum())
        assert 10.0 * np.log10(total) == pytest.approx(20.0 * np.log10(0.5) - 3.01, abs=0.3)
        assert residual_of([tmp_path / "mix.wav"]) == pytest.approx(0.5, abs=1e-3)
