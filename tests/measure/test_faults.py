"""Hum, pops and dropouts are found, and music is left alone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from morningmix.measure.faults import DropoutMeter, HumMeter, PopMeter, pop_spans
from morningmix.model.measured import Hum
from morningmix.units import Block

# ---------------------------------------------------------------- hum

LOW_HZ = 8_000


def lines(amplitudes: dict[float, float], seconds: float = 24.0) -> NDArray[np.float32]:
    """Steady sines by frequency over a little noise, ``(frames,)``."""
    t = np.arange(round(seconds * LOW_HZ)) / LOW_HZ
    noise = 1e-4 * np.random.default_rng(1).standard_normal(len(t))
    return np.asarray(noise + sum(a * np.sin(2.0 * np.pi * hz * t + hz) for hz, a in amplitudes.items()), np.float32)


def hum_in(mono: NDArray[np.float32], cuts: tuple[int, ...] = ()) -> Hum | None:
    meter = HumMeter(LOW_HZ)
    for block in np.split(mono, cuts):
        meter.update(block)
    return meter.result()


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_is_found_with_its_mains_and_its_level(mains_hz: float) -> None:
    """Sines of amplitudes 0.02, 0.01 and 0.005 have a power of (0.02^2 + 0.01^2 + 0.005^2) / 2: -35.8 dB."""
    sound = lines({mains_hz: 0.02, 2.0 * mains_hz: 0.01, 3.0 * mains_hz: 0.005})
    hum = hum_in(sound)
    assert hum is not None
    assert hum.mains_hz == mains_hz
    assert hum.level_dbfs == pytest.approx(-35.8, abs=0.1)
    assert hum_in(sound, (1, 5_000, 90_001)) == hum


def test_hum_without_harmonics_is_found_where_it_is_very_clear() -> None:
    hum = hum_in(lines({60.0: 0.01}))
    assert hum is not None
    assert hum.level_dbfs == pytest.approx(-43.0, abs=0.1)
    assert hum_in(lines({100.0: 0.01, 150.0: 0.01})) is None


@pytest.mark.parametrize("hz", [46.25, 49.0, 51.91, 55.0, 58.27, 61.74])
def test_no_note_near_the_mains_is_taken_for_hum(hz: float) -> None:
    """F sharp 1 to B 1 in equal temperament at a = 440 Hz, with their harmonics."""
    assert hum_in(lines({hz: 0.1, 2.0 * hz: 0.05, 3.0 * hz: 0.03, 4.0 * hz: 0.02})) is None


@pytest.mark.parametrize(("amplitude", "found"), [(1e-3, True), (5e-4, False)])
def test_hum_that_nobody_hears_is_not_mentioned(amplitude: float, found: bool) -> None:
    """-63 dBFS and -69 dBFS, in next to no noise."""
    quiet = lines({50.0: amplitude}) - lines({}) * np.float32(0.99)
    assert (hum_in(quiet) is not None) == found


def test_hum_is_there_nearly_all_the_time() -> None:
    for hums_s, found in ((16, False), (36, True)):
        sound = lines({}, 40.0)
        sound[: hums_s * LOW_HZ] = lines({50.0: 0.02, 100.0: 0.01}, 40.0)[: hums_s * LOW_HZ]
        assert (hum_in(sound) is not None) == found


def test_twenty_seconds_are_needed_to_tell_hum() -> None:
    sound = lines({50.0: 0.02, 100.0: 0.01})
    assert hum_in(sound[: 19 * LOW_HZ]) is None
    assert hum_in(sound[: 20 * LOW_HZ]) is not None


# ---------------------------------------------------------------- pops

HOP = LOW_HZ // 50


def pops_in(sound: Block, cuts: tuple[int, ...] = ()) -> tuple[int, ...]:
    meter = PopMeter(LOW_HZ, len(sound))
    for block in np.split(sound, cuts, axis=1):
        meter.update(block)
    return meter.result()


def hiss(frames: int = 40_000, channels: int = 1, level: float = 0.01) -> Block:
    return (level * np.random.default_rng(1).standard_normal((channels, frames))).astype(np.float32)


@pytest.mark.parametrize("channel", [0, 1])
@pytest.mark.parametrize("frame", [160, 12_345, 12_320, 39_999])
def test_a_jump_between_two_samples_is_a_pop(channel: int, frame: int) -> None:
    sound = hiss(channels=2)
    sound[channel, frame:] += 0.5
    found = (frame // HOP,)
    assert pops_in(sound) == found
    # Also where a block begins.
    assert pops_in(sound, (1, frame)) == found
    assert pops_in(sound, (frame - 1, frame)) == found
    # And after a block without any frames.
    assert pops_in(sound, (frame, frame)) == found


@pytest.mark.parametrize(("jump", "found"), [(0.2, False), (0.3, True)])
def test_a_small_jump_is_no_pop(jump: float, found: bool) -> None:
    sound = 0.1 * hiss()
    sound[:, 20_000:] += np.float32(jump)
    assert bool(pops_in(sound)) == found


@pytest.mark.parametrize(("times", "found"), [(3.5, False), (4.5, True)])
def test_a_pop_is_four_times_the_jumps_that_are_usual(times: float, found: bool) -> None:
    sound = np.zeros((1, 40_000), np.float32)
    # Steps of 0.2 up and down, one every five samples.
    sound[0] = 0.2 * (np.arange(40_000) // 5 % 2)
    sound[0, 20_001:] += 0.2 * times
    assert bool(pops_in(sound)) == found


def test_more_than_twenty_pops_are_music() -> None:
    for count in (20, 21):
        sound = 0.1 * hiss(800_000)
        for number in range(count):
            sound[:, 1_000 + 30_000 * number] += 0.9
        assert len(pops_in(sound)) == (20 if count == 20 else 0)


def test_loud_slow_sound_has_no_pops_wherever_it_is_cut_into_blocks() -> None:
    """The first sample of a block follows the last one of the block before."""
    t = np.arange(40_000) / LOW_HZ
    sound = (0.6 * np.sin(2.0 * np.pi * 40.0 * t) + 0.3).astype(np.float32)[None]
    assert pops_in(sound, (50, 150, 250, 20_050, 20_150)) == pops_in(sound)
    assert pops_in(sound[:, 50:], (37, 20_000)) == pops_in(sound[:, 50:])


def test_nothing_has_no_pops() -> None:
    assert pops_in(np.zeros((1, 0), np.float32)) == ()
    assert pops_in(np.zeros((2, 500), np.float32)) == ()


def test_pops_are_turned_down_for_three_hops_each_and_together_where_they_touch() -> None:
    assert pop_spans((10, 30), 0.02) == ((0.2, 0.26), (0.6, 0.66))
    assert pop_spans((10, 11, 13, 17), 0.02) == ((0.2, 0.32), (0.34, 0.4))
    assert pop_spans((), 0.02) == ()


# ---------------------------------------------------------------- dropouts


def dropouts_in(sound: Block, cuts: tuple[int, ...] = ()) -> int:
    meter = DropoutMeter(LOW_HZ)
    for block in np.split(sound, cuts, axis=1):
        meter.update(block)
    return meter.result()


def loud(channels: int = 1) -> Block:
    """A square wave, so that no sample is near zero."""
    return np.tile(np.float32(0.3) * (1 - 2 * (np.arange(8_000) // 20 % 2)), (channels, 1)).astype(np.float32)


def cut_out(sound: Block, *spans: tuple[int, int]) -> Block:
    sound = sound.copy()
    for start, stop in spans:
        sound[:, start:stop] = 0.0
    return sound


@pytest.mark.parametrize(
    ("spans", "count"),
    [
        ((), 0),
        (((1_000, 1_015),), 0),
        (((1_000, 1_016),), 1),
        (((1_000, 1_300), (2_000, 2_016), (3_000, 3_010), (5_000, 7_000)), 3),
        (((0, 500),), 0),
        (((7_000, 8_000),), 0),
    ],
    ids=["none", "under 2 ms", "2 ms", "three", "at the start", "at the end"],
)
def test_two_milliseconds_of_nothing_within_loud_sound_are_a_dropout(
    spans: tuple[tuple[int, int], ...], count: int
) -> None:
    sound = cut_out(loud(), *spans)
    assert dropouts_in(sound) == count
    for cuts in ((1_000,), (1_001, 1_008, 1_015), (999, 1_016), (500, 1_300, 6_000), tuple(range(7, 8_000, 7))):
        assert dropouts_in(sound, cuts) == count


def test_silence_after_quiet_sound_is_no_dropout() -> None:
    """A gate or a mute button closes on what has died away; a dropout cuts off what is loud."""
    for level, count in ((0.02, 0), (0.05, 1)):
        assert dropouts_in(cut_out(level * loud(), (1_000, 2_000))) == count
    steps = np.where(np.arange(8_000) < 900, 1.0, 0.01).astype(np.float32) * loud()
    assert dropouts_in(cut_out(steps, (1_000, 2_000)), (950,)) == 0


def test_a_side_that_goes_on_is_no_dropout() -> None:
    sound = loud(2)
    sound[0, 1_000:2_000] = 0.0
    assert dropouts_in(sound) == 0
    sound[1, 1_500:1_600] = 0.0
    assert dropouts_in(sound) == 1


@settings(max_examples=25, deadline=None)
@given(
    cuts=st.lists(st.integers(0, 8_000), max_size=12),
    gaps=st.lists(st.tuples(st.integers(0, 7_900), st.integers(1, 60)), max_size=6),
)
def test_no_cut_changes_the_number_of_dropouts(cuts: list[int], gaps: list[tuple[int, int]]) -> None:
    sound = cut_out(loud(), *((start, start + length) for start, length in gaps))
    silent = np.flatnonzero(np.diff((sound[0] == 0.0).astype(int), prepend=0, append=0))
    runs = list(zip(silent[::2].tolist(), silent[1::2].tolist(), strict=True))
    expected = sum(start > 0 and stop < 8_000 and stop - start >= 16 for start, stop in runs)
    assert dropouts_in(sound, tuple(sorted(cuts))) == expected
