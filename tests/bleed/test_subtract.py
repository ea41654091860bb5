"""Bleed is subtracted from a microphone: what was added to a voice is taken away, and nothing else."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of the files under test
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from bleed.made import Made
from morningmix.audio.takes import find_take
from morningmix.bleed.learn import Learnt, learn, ranges, total_sources
from morningmix.bleed.spectra import Targets, grid_of
from morningmix.bleed.subtract import LeftAndTaken, Piece, Sounds, parts_of
from morningmix.bleed.subtract import subtracted as subtracted_piece
from morningmix.dsp.stft import OVERLAP
from morningmix.units import Block

RATE_HZ, SECONDS = 8_000, 12
FRAMES = RATE_HZ * SECONDS
VOICE, DRUM, OTHER = range(3)


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


def subtract(targets: Targets) -> Iterator[LeftAndTaken]:
    """The whole stretch, learnt and subtracted piece by piece."""
    for part in parts_of(targets.sounds):
        learnt = [learn(targets, slabs, part.first, part.last) for slabs in ranges(targets)] if targets.rows else []
        for piece in part.pieces:
            yield from subtracted_piece(targets, learnt, piece)


def targets_of(sounds: Made, targets: Mapping[int, bool], references: Sequence[int] = (VOICE, DRUM, OTHER)) -> Targets:
    return Targets(
        sounds=sounds, subtracts=tuple(targets.items()), references=tuple(references), hearing=tuple(targets)
    )


def subtracted(
    sounds: Made, targets: Mapping[int, bool], references: Sequence[int] = (VOICE, DRUM, OTHER)
) -> tuple[dict[int, Block], dict[int, Block]]:
    """What is left and what was taken, by target, over the whole take."""
    chunks = list(subtract(targets_of(sounds, targets, references)))
    left, taken = (
        {target: np.concatenate([chunk[what][target] for chunk in chunks], axis=1) for target in targets}
        for what in (0, 1)
    )
    return left, taken


def learnt_of(targets: Targets) -> list[Learnt]:
    (part,) = parts_of(targets.sounds)
    return [learn(targets, group, part.first, part.last) for group in ranges(targets)]


def level_db(sound: NDArray[np.floating], re: NDArray[np.floating]) -> float:
    """Level of one sound re another, without the first second and the last half."""
    inside = slice(RATE_HZ, -RATE_HZ // 2)
    powers = [np.sum(each[..., inside].astype(np.float64) ** 2) for each in (sound, re)]
    return float(10.0 * np.log10(powers[0] / powers[1]))


def test_bleed_of_a_known_source_is_taken_out_of_a_resting_microphone() -> None:
    sounds = Made([as_input(BLEED + HISS), as_input(DRUM_SOUND), as_input(OTHER_SOUND)])
    left, taken = subtracted(sounds, {VOICE: True})
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
    left, _ = subtracted(sounds, {VOICE: True})
    assert level_db(left[VOICE][0] - voice, BLEED) < -8.0
    assert level_db(left[VOICE][0] - voice, voice) < -10.0


def test_the_sources_of_the_bleed_are_told_by_their_power() -> None:
    more = BLEED + 0.1 * through(OTHER_SOUND, 4)
    sounds = Made([as_input(more + HISS), as_input(DRUM_SOUND), as_input(OTHER_SOUND)])
    learnt = learnt_of(targets_of(sounds, {VOICE: True}))
    powers = total_sources(learnt)[VOICE]
    assert set(powers) == {DRUM, OTHER}
    # Three times the amplitude is 9.5 dB more.
    assert 10.0 * np.log10(powers[DRUM] / powers[OTHER]) == pytest.approx(9.5, abs=1.5)
    assert all(0.0 <= start_s < end_s <= SECONDS + 0.1 for start_s, end_s in learnt[0].learnt_s)
    assert sum(end_s - start_s for start_s, end_s in learnt[0].learnt_s) > 0.7 * SECONDS


def test_rumble_is_no_source_of_bleed_to_speak_of() -> None:
    """Below 120 Hz nothing of a voice is covered, and its low cut takes it away."""
    t = np.arange(FRAMES) / RATE_HZ
    rumble = np.sin(2.0 * np.pi * 50.0 * t) * (1.0 + 0.3 * np.sin(2.0 * np.pi * 0.7 * t))
    sounds = Made([as_input(BLEED + 3.0 * rumble + HISS), as_input(DRUM_SOUND), as_input(rumble)])
    powers = total_sources(learnt_of(targets_of(sounds, {VOICE: True})))[VOICE]
    assert powers[OTHER] < 0.1 * powers[DRUM]


def test_where_nothing_is_to_be_subtracted_everything_is_left() -> None:
    sounds = Made([as_input(BLEED + HISS), as_input(DRUM_SOUND), as_input(OTHER_SOUND)])
    left, taken = subtracted(sounds, {VOICE: False})
    np.testing.assert_array_equal(left[VOICE], sounds.sounds[VOICE])
    assert not taken[VOICE].any()


def test_each_side_of_a_stereo_microphone_loses_its_own_bleed() -> None:
    other_side = 0.2 * through(DRUM_SOUND, 7)
    sounds = Made([as_input(BLEED + HISS, other_side + HISS), as_input(DRUM_SOUND), as_input(OTHER_SOUND)])
    left, taken = subtracted(sounds, {VOICE: True})
    assert level_db(left[VOICE][0], BLEED) < -15.0
    assert level_db(left[VOICE][1], other_side) < -15.0
    assert level_db(taken[VOICE][1] - other_side, other_side) < -15.0


def test_bleed_that_grows_in_mid_take_is_followed() -> None:
    """A singer turns away from the drums and back: 3 dB less from 4 to 8 s."""
    t = np.arange(FRAMES) / RATE_HZ
    moved = BLEED * np.where((t > 4.0) & (t < 8.0), 10.0 ** (-3.0 / 20.0), 1.0)
    sounds = Made([as_input(moved + HISS), as_input(DRUM_SOUND), as_input(OTHER_SOUND)])
    left, _ = subtracted(sounds, {VOICE: True})
    for start_s, end_s in ((2.0, 3.0), (5.5, 7.0), (9.5, 11.0)):
        there = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
        less = 10.0 * np.log10(np.sum(left[VOICE][0, there] ** 2) / np.sum(moved[there] ** 2))
        # Without following, a gain that is off by 1.5 dB leaves -15 dB of it.
        assert less < -17.0, f"{start_s} s"


def test_a_take_of_a_few_tenths_of_a_second_is_as_long_afterwards() -> None:
    for frames in (3_000, 8_001):
        sounds = Made([as_input(BLEED[:frames]), as_input(DRUM_SOUND[:frames])], frames=frames)
        left, taken = subtracted(sounds, {VOICE: True}, (VOICE, DRUM))
        assert left[VOICE].shape == (1, frames)
        np.testing.assert_allclose(left[VOICE] + taken[VOICE], sounds.sounds[VOICE], atol=1e-6)


def test_the_grid_of_a_take() -> None:
    grid = grid_of(Made([], rate_hz=48_000, frames=48_000 * 600))
    # The power of two nearest to 85 ms, and a quarter of it.
    assert (grid.size, grid.hop) == (4_096, 1_024)
    assert grid.block == pytest.approx(48_000 / 1_024, abs=2.0)
    assert grid.chunk % grid.block == grid.block % 4 == 0
    # The last spectrum begins within the take.
    assert (grid.spectra - 3) * grid.hop >= 48_000 * 600 > (grid.spectra - 4) * grid.hop


def test_every_channel_of_a_target_is_predicted_from_all_other_inputs() -> None:
    made = Made([as_input(BLEED, BLEED), as_input(DRUM_SOUND), as_input(OTHER_SOUND)])
    rows = targets_of(made, {VOICE: True, DRUM: False, OTHER: True}).rows
    found = [(row.target, row.channel, row.references) for row in rows]
    assert found == [(VOICE, 0, (DRUM, OTHER)), (VOICE, 1, (DRUM, OTHER)), (OTHER, 0, (VOICE, DRUM))]


def test_before_and_after_a_take_there_is_silence(tmp_path: Path) -> None:
    sound = (0.1 * np.random.default_rng(1).standard_normal(1_000)).astype(np.float32)
    soundfile.write(tmp_path / "a.wav", sound, RATE_HZ, subtype="FLOAT")
    sounds = Sounds(take=find_take(tmp_path), first_frame=0, frames=1_000)
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
    mended = Sounds(take=take, first_frame=0, frames=4_000, repaired=((0, 0.002),)).read(0, 0, 4_000)[0, inside]
    plain = Sounds(take=take, first_frame=0, frames=4_000).read(0, 0, 4_000)[0, inside]
    assert np.abs(plain).max() <= 1.0
    assert np.abs(mended - whole[inside]).max() < 0.02


# ---------------------------------------------------------------- pieces


@settings(deadline=None)
@given(
    rate_hz=st.sampled_from([8_000, 24_000, 44_100, 48_000, 96_000]),
    seconds=st.floats(0.01, 2_000.0),
)
def test_pieces_cover_a_stretch_exactly_once(rate_hz: int, seconds: float) -> None:
    frames = max(1, round(seconds * rate_hz))
    targets = targets_of(Made([np.zeros((1, 1), np.float32)] * 3, rate_hz, frames), {VOICE: True})
    parts, grid = parts_of(targets.sounds), grid_of(targets.sounds)
    pieces = [piece for part in parts for piece in part.pieces]
    assert [piece.start_frame for piece in pieces] == [0, *(piece.stop_frame for piece in pieces[:-1])]
    assert pieces[-1].stop_frame == frames
    assert [part.first for part in parts] == [0, *(part.last for part in parts[:-1])]
    for part in parts:
        assert part.pieces[0].first == part.first
        assert part.pieces[-1].last == part.last + OVERLAP - 1
        assert (part.last - part.first) * grid.hop <= 335 * rate_hz
    for piece in pieces:
        assert piece.start_frame == piece.first * grid.hop
        # The last is shorter than a block at most, where the stretch is.
        assert 0 < piece.stop_frame - piece.start_frame <= 86 * rate_hz


def cut(targets: Targets, blocks: Sequence[int]) -> list[Piece]:
    """Pieces of these lengths in blocks, the rest as the last."""
    grid, total = grid_of(targets.sounds), targets.sounds.frames
    end = -(-total // grid.hop)
    edges = [0]
    for count in blocks:
        edges.append(edges[-1] + count * grid.block)
    edges = [*(edge for edge in edges if edge < end), end]
    return [
        Piece(first, last + OVERLAP - 1, first * grid.hop, min(last * grid.hop, total))
        for first, last in pairwise(edges)
    ]


@pytest.mark.parametrize("blocks", [[7], [1, 2, 5], [4, 4], [3, 5]])
def test_other_pieces_leave_no_seam(blocks: list[int]) -> None:
    """Powers are smoothed within a few seconds at a time, so that where these begin matters slightly: under -60 dB."""
    more = BLEED + 0.1 * through(OTHER_SOUND, 4)
    made = Made([as_input(more + HISS), as_input(DRUM_SOUND), as_input(OTHER_SOUND)])
    targets = targets_of(made, {VOICE: True})
    learnt = learnt_of(targets)

    def left(pieces: Sequence[Piece]) -> Block:
        chunks = [left[VOICE] for piece in pieces for left, _ in subtracted_piece(targets, learnt, piece)]
        return np.concatenate(chunks, axis=1)

    whole, again = left(parts_of(targets.sounds)[0].pieces), left(cut(targets, blocks))
    assert again.shape == whole.shape == (1, FRAMES)
    assert 10.0 * np.log10(np.sum((again - whole) ** 2) / np.sum(made.sounds[VOICE] ** 2)) < -60.0


def test_a_stretch_of_a_take_is_read_with_what_lies_around_it(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", DRUM_SOUND / 8.0, RATE_HZ, subtype="FLOAT")
    take = find_take(tmp_path)
    whole = Sounds(take=take, first_frame=0, frames=take.frames)
    later = Sounds(take=take, first_frame=5 * RATE_HZ, frames=3 * RATE_HZ)
    for start, stop in ((0, 1000), (-6 * RATE_HZ, 10), (RATE_HZ, 20 * RATE_HZ)):
        expected = whole.read(0, start + 5 * RATE_HZ, stop + 5 * RATE_HZ)
        np.testing.assert_array_equal(later.read(0, start, stop), expected)
