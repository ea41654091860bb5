"""Bleed is subtracted from a microphone: what was added to a voice is taken away, and nothing else."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of the files under test
from numpy.typing import NDArray
from scipy import signal

from morningmix.audio.takes import find_take
from morningmix.bleed.predict import grid_of, rows_of
from morningmix.bleed.subtract import Sounds, Subtraction
from morningmix.units import Block

RATE_HZ, SECONDS = 8_000, 12
FRAMES = RATE_HZ * SECONDS
VOICE, DRUM, OTHER = range(3)


@dataclass(frozen=True)
class Made:
    """Inputs in memory, each ``(channels, frames)``."""

    sounds: Sequence[Block]
    rate_hz: int = RATE_HZ
    frames: int = FRAMES

    def channels(self, index: int) -> int:
        return len(self.sounds[index])

    def read(self, index: int, start: int, stop: int) -> Block:
        sound = self.sounds[index]
        padded = np.zeros((len(sound), stop - start), np.float32)
        first, last = max(start, 0), min(stop, sound.shape[1])
        if last > first:
            padded[:, first - start : last - start] = sound[:, first:last]
        return padded


def hits(seed: int) -> NDArray[np.float64]:
    """Noise that decays, three times a second."""
    rng = np.random.default_rng(seed)
    decays = np.exp(-(np.arange(FRAMES) % (RATE_HZ // 3)) / (0.08 * RATE_HZ))
    return np.asarray(decays * rng.standard_normal(FRAMES))


def through(sound: NDArray[np.float64], seed: int) -> NDArray[np.float64]:
    """Two milliseconds late, with a short decaying answer."""
    rng = np.random.default_rng(seed)
    answer = np.concatenate((np.zeros(16), [1.0], 0.2 * rng.standard_normal(200) * np.exp(-np.arange(200) / 60.0)))
    return np.asarray(signal.fftconvolve(sound, answer)[:FRAMES])


def as_input(*channels: NDArray[np.float64]) -> Block:
    return np.stack(channels).astype(np.float32)


DRUM_SOUND, OTHER_SOUND = hits(1), hits(2)
BLEED = 0.3 * through(DRUM_SOUND, 3)
HISS = 1e-3 * np.random.default_rng(5).standard_normal(FRAMES)


def subtracted(
    sounds: Made, targets: Mapping[int, bool], references: Sequence[int] = (VOICE, DRUM, OTHER)
) -> tuple[dict[int, Block], dict[int, Block], Subtraction]:
    """What is left and what was taken, by target, over the whole take."""
    left: dict[int, list[Block]] = {target: [] for target in targets}
    taken: dict[int, list[Block]] = {target: [] for target in targets}

    def on_chunk(residual: Mapping[int, Block], bleed: Mapping[int, Block]) -> None:
        for target in targets:
            left[target].append(residual[target].copy())
            taken[target].append(bleed[target].copy())

    subtraction = Subtraction(sounds, targets, references, 1)
    subtraction.run(on_chunk)
    whole = [{target: np.concatenate(parts, axis=1) for target, parts in each.items()} for each in (left, taken)]
    return whole[0], whole[1], subtraction


def level_db(sound: NDArray[np.floating], re: NDArray[np.floating]) -> float:
    """Level of one sound re another, without the first second and the last half."""
    inside = slice(RATE_HZ, -RATE_HZ // 2)
    powers = [np.sum(each[..., inside].astype(np.float64) ** 2) for each in (sound, re)]
    return float(10.0 * np.log10(powers[0] / powers[1]))


def test_bleed_of_a_known_source_is_taken_out_of_a_resting_microphone() -> None:
    sounds = Made([as_input(BLEED + HISS), as_input(DRUM_SOUND), as_input(OTHER_SOUND)])
    left, taken, _ = subtracted(sounds, {VOICE: True})
    assert left[VOICE].shape == taken[VOICE].shape == (1, FRAMES)
    # Both together are what was recorded.
    np.testing.assert_allclose(left[VOICE] + taken[VOICE], sounds.sounds[VOICE], atol=1e-6)
    assert level_db(left[VOICE], BLEED) < -15.0
    assert level_db(taken[VOICE][0] - BLEED, BLEED) < -15.0


def test_a_voice_stays_while_the_bleed_under_it_goes() -> None:
    t = np.arange(FRAMES) / RATE_HZ
    melody = 220.0 * 2.0 ** (np.array([0, 4, 7, 5, 2, 9])[(t / 0.4).astype(int) % 6] / 12.0)
    phase = 2.0 * np.pi * np.cumsum(melody) / RATE_HZ
    sings = (t % 4.0 > 1.5) & (t % 4.0 < 3.5)
    voice = np.where(sings, 0.2 * sum(np.sin(k * phase) / k for k in range(1, 9)), 0.0)
    sounds = Made([as_input(voice + BLEED + HISS), as_input(DRUM_SOUND), as_input(OTHER_SOUND)])
    left, _, _ = subtracted(sounds, {VOICE: True})
    assert level_db(left[VOICE][0] - voice, BLEED) < -8.0
    assert level_db(left[VOICE][0] - voice, voice) < -10.0


def test_the_sources_of_the_bleed_are_told_by_their_power() -> None:
    more = BLEED + 0.1 * through(OTHER_SOUND, 4)
    sounds = Made([as_input(more + HISS), as_input(DRUM_SOUND), as_input(OTHER_SOUND)])
    _, _, subtraction = subtracted(sounds, {VOICE: True})
    powers = subtraction.bleed_sources[VOICE]
    assert powers[VOICE] == 0.0
    # Three times the amplitude is 9.5 dB more.
    assert 10.0 * np.log10(powers[DRUM] / powers[OTHER]) == pytest.approx(9.5, abs=1.5)
    assert all(0.0 <= start_s < end_s <= SECONDS + 0.1 for start_s, end_s in subtraction.learnt_s)
    assert sum(end_s - start_s for start_s, end_s in subtraction.learnt_s) > 0.7 * SECONDS


def test_where_nothing_is_to_be_subtracted_everything_is_left() -> None:
    sounds = Made([as_input(BLEED + HISS), as_input(DRUM_SOUND), as_input(OTHER_SOUND)])
    left, taken, subtraction = subtracted(sounds, {VOICE: False})
    np.testing.assert_array_equal(left[VOICE], sounds.sounds[VOICE])
    assert not taken[VOICE].any()
    assert subtraction.learnt_s == []


def test_each_side_of_a_stereo_microphone_loses_its_own_bleed() -> None:
    other_side = 0.2 * through(DRUM_SOUND, 7)
    sounds = Made([as_input(BLEED + HISS, other_side + HISS), as_input(DRUM_SOUND), as_input(OTHER_SOUND)])
    left, taken, _ = subtracted(sounds, {VOICE: True})
    assert level_db(left[VOICE][0], BLEED) < -15.0
    assert level_db(left[VOICE][1], other_side) < -15.0
    assert level_db(taken[VOICE][1] - other_side, other_side) < -15.0


def test_bleed_that_grows_in_mid_take_is_followed() -> None:
    """A singer turns away from the drums and back: 3 dB less from 4 to 8 s."""
    t = np.arange(FRAMES) / RATE_HZ
    moved = BLEED * np.where((t > 4.0) & (t < 8.0), 10.0 ** (-3.0 / 20.0), 1.0)
    sounds = Made([as_input(moved + HISS), as_input(DRUM_SOUND), as_input(OTHER_SOUND)])
    left, _, _ = subtracted(sounds, {VOICE: True})
    for start_s, end_s in ((2.0, 3.0), (5.5, 7.0), (9.5, 11.0)):
        there = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
        less = 10.0 * np.log10(np.sum(left[VOICE][0, there] ** 2) / np.sum(moved[there] ** 2))
        # Without following, a gain that is off by 1.5 dB leaves -15 dB of it.
        assert less < -17.0, f"{start_s} s"


def test_a_take_of_a_few_tenths_of_a_second_is_as_long_afterwards() -> None:
    for frames in (3_000, 8_001):
        sounds = Made([as_input(BLEED[:frames]), as_input(DRUM_SOUND[:frames])], frames=frames)
        left, taken, _ = subtracted(sounds, {VOICE: True}, (VOICE, DRUM))
        assert left[VOICE].shape == (1, frames)
        np.testing.assert_allclose(left[VOICE] + taken[VOICE], sounds.sounds[VOICE], atol=1e-6)


def test_a_grid_covers_a_take_and_ends_one_block_after_it() -> None:
    grid = grid_of(Made([], rate_hz=48_000, frames=48_000 * 600))
    # The power of two nearest to 85 ms, and a quarter of it.
    assert (grid.size, grid.hop) == (4_096, 1_024)
    assert grid.block == pytest.approx(48_000 / 1_024, abs=2.0)
    assert grid.part * grid.hop / 48_000 == pytest.approx(300.0, abs=4.0)
    assert grid.part % grid.chunk == grid.chunk % grid.block == grid.block % 4 == 0
    # The last spectrum begins within the take, and the last chunk reaches a block beyond it.
    assert (grid.spectra - 3) * grid.hop >= 48_000 * 600 > (grid.spectra - 4) * grid.hop
    assert grid.chunks[0] == 0
    assert grid.chunks[-1] + grid.chunk >= grid.spectra + grid.block


def test_every_channel_of_a_target_is_predicted_from_all_other_inputs() -> None:
    made = Made([as_input(BLEED, BLEED), as_input(DRUM_SOUND), as_input(OTHER_SOUND)])
    rows = rows_of(made, {VOICE: True, DRUM: False, OTHER: True}, (VOICE, DRUM, OTHER))
    found = [(row.target, row.channel, row.references) for row in rows]
    assert found == [(VOICE, 0, (DRUM, OTHER)), (VOICE, 1, (DRUM, OTHER)), (OTHER, 0, (VOICE, DRUM))]


def test_before_and_after_a_take_there_is_silence(tmp_path: Path) -> None:
    sound = (0.1 * np.random.default_rng(1).standard_normal(1_000)).astype(np.float32)
    soundfile.write(tmp_path / "a.wav", sound, RATE_HZ, subtype="FLOAT")
    sounds = Sounds(find_take(tmp_path), ())
    assert (sounds.rate_hz, sounds.frames, sounds.channels(0)) == (RATE_HZ, 1_000, 1)
    block = sounds.read(0, -100, 1_200)[0]
    np.testing.assert_array_equal(block[100:1_100], sound)
    assert not block[:100].any()
    assert not block[1_100:].any()


def test_what_clipped_is_declipped_before_bleed_is_learnt(tmp_path: Path) -> None:
    t = np.arange(4_000) / RATE_HZ
    whole = (1.05 * np.sin(2.0 * np.pi * 131.0 * t)).astype(np.float32)
    soundfile.write(tmp_path / "a.wav", np.clip(whole, -1.0, 1.0), RATE_HZ, subtype="FLOAT")
    take = find_take(tmp_path)
    inside = slice(500, 3_500)
    mended = Sounds(take, (), ((0, 0.002),)).read(0, 0, 4_000)[0, inside]
    plain = Sounds(take, ()).read(0, 0, 4_000)[0, inside]
    assert np.abs(plain).max() <= 1.0
    assert np.abs(mended - whole[inside]).max() < 0.02
