"""What microphones pick up of somebody who is left out of a practice mix."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from bleed.made import RATE_HZ, Sound, room, write_inputs
from morningmix.audio.read import read_stretch
from morningmix.audio.scratch import Scratch, recording_of
from morningmix.bleed.without import Microphone, Turned, leak, measure_leaks, write_without
from morningmix.model.plan import Spans
from morningmix.model.recording import Recording

SECONDS = 12
FRAMES = SECONDS * RATE_HZ
OWN_REST_S, PLAYER_RESTS_S = 1, 3
"""A guitar rests in every other second, the player in every other three."""


def noise(seed: int) -> Sound:
    return 0.2 * np.random.default_rng(seed).standard_normal(FRAMES)


def playing(rests_s: int) -> NDArray[np.bool_]:
    """The seconds in which somebody plays: ``(seconds,)``."""
    return np.arange(SECONDS) // rests_s % 2 == 0


def only_there(sound: Sound, rests_s: int) -> Sound:
    return sound * np.repeat(playing(rests_s), RATE_HZ)


def turned_down(folder: Path, sounds: dict[str, Sound], open_s: Spans | None = None) -> tuple[Sound, Sound]:
    """The input "mic" before and after "player" is turned down in it; "recorded" is how it was if that differs."""
    mic, player, *recorded = write_inputs(folder / "tracks", sounds).recordings
    microphone = Microphone(sound=mic, recorded=(recorded or [mic])[0], open_s=open_s)
    leaks = measure_leaks({0: microphone}, [player], RATE_HZ, (0, FRAMES))
    return _written(folder, mic, (leaks[0][0].ratio,), player, (0, FRAMES))


def _written(
    folder: Path, mic: Recording, ratios: tuple[NDArray[np.float32], ...], player: Recording, stretch: tuple[int, int]
) -> tuple[Sound, Sound]:
    first, last = stretch
    scratch = Scratch(path=folder / "mic", rate_hz=RATE_HZ, channels=1, frames=last - first)
    write_without([Turned(sound=mic, ratios=ratios, scratch=scratch)], [player], stretch)
    before, after = (read_stretch(sound, RATE_HZ, first, last)[0] for sound in (mic, recording_of([scratch], first)))
    return before.astype(np.float64), after.astype(np.float64)


def seconds_db(sound: Sound, where: NDArray[np.bool_]) -> float:
    """Level in the middle of these seconds."""
    middles = sound.reshape(SECONDS, RATE_HZ)[where, RATE_HZ // 4 : 3 * RATE_HZ // 4]
    return float(10.0 * np.log10(np.mean(np.square(middles)) + 1e-12))


def test_an_amplifier_loses_what_it_picks_up_and_keeps_its_own(tmp_path: Path) -> None:
    player = only_there(noise(1), PLAYER_RESTS_S)
    picked_up = 0.1 * signal.fftconvolve(player, room(np.random.default_rng(2), 0.004))[:FRAMES]
    own = only_there(noise(3), OWN_REST_S)
    before, after = turned_down(tmp_path, {"mic": own + picked_up, "player": player})
    plays, bleeds = playing(OWN_REST_S), playing(PLAYER_RESTS_S)
    assert seconds_db(after, bleeds & ~plays) < seconds_db(before, bleeds & ~plays) - 6.0
    assert seconds_db(after, bleeds & plays) == pytest.approx(seconds_db(before, bleeds & plays), abs=0.5)
    np.testing.assert_allclose(*(seconds_db(sound, plays & ~bleeds) for sound in (after, before)), atol=0.01)


def test_what_always_sounds_together_is_not_taken_for_bleed(tmp_path: Path) -> None:
    before, after = turned_down(tmp_path, {"mic": noise(4), "player": noise(5)})
    everywhere = np.ones(SECONDS, bool)
    assert seconds_db(after, everywhere) == pytest.approx(seconds_db(before, everywhere), abs=0.7)


def test_a_gated_microphone_is_judged_where_it_is_open(tmp_path: Path) -> None:
    # Its bleed is gone while nobody sings into it, and what is left lies under the voice, here also over it.
    voice = signal.sosfilt(signal.butter(4, 2000.0, fs=RATE_HZ, output="sos"), only_there(noise(7), OWN_REST_S))
    player = noise(6)
    left = voice + 0.1 * only_there(player, OWN_REST_S)
    sounds = {"mic": left, "player": player, "recorded": voice + 0.1 * player}
    is_open = playing(OWN_REST_S)
    open_s = tuple((float(at), at + 1.0) for at in np.flatnonzero(is_open))
    in_voice, over_voice = (
        signal.butter(8, hz, kind, fs=RATE_HZ, output="sos") for hz, kind in ((1500.0, "low"), (4000.0, "high"))
    )
    change_db = {}
    for spans in (open_s, None):
        before, after = turned_down(tmp_path / str(spans is None), sounds, spans)
        own_db, change_db[spans] = (
            seconds_db(signal.sosfilt(filter_, after), is_open) - seconds_db(signal.sosfilt(filter_, before), is_open)
            for filter_ in (in_voice, over_voice)
        )
        assert own_db == pytest.approx(0.0, abs=0.7)
    assert change_db[open_s] < -10.0
    assert change_db[None] > -1.0


def test_nothing_changes_without_a_leak_wherever_the_stretch_begins(tmp_path: Path) -> None:
    mic, player = write_inputs(tmp_path / "tracks", {"mic": noise(8), "player": noise(9)}).recordings
    nothing = (np.zeros(1024 // 2 + 1, np.float32),)
    for stretch in ((0, FRAMES), (12_345, 98_765)):
        before, after = _written(tmp_path, mic, nothing, player, stretch)
        np.testing.assert_allclose(after, before, atol=1e-6)


def test_a_leak_is_the_smaller_of_two_estimates() -> None:
    rng = np.random.default_rng(10)
    player = rng.uniform(0.5, 1.0, (40, 400)).astype(np.float32)
    everywhere = np.ones(400, bool)
    often = (0.04 * player).astype(np.float32)
    often[:, ::2] = 1.0
    most = np.full(40, 1.0, np.float32)
    assert leak(player, often, most, everywhere, 0.25).ratio == pytest.approx(0.04, rel=1e-4)
    assert leak(player, often, most, everywhere, 0.25).of_all == pytest.approx(0.04, rel=1e-4)
    assert leak(player, often, 0.01 * most, everywhere, 0.25).ratio == pytest.approx(0.01, rel=1e-4)
    loud_only = np.arange(400) % 2 == 0
    assert leak(player, often, most, loud_only, 0.25).ratio.min() > 0.9
    # Too little is known.
    assert leak(player, often, most, everywhere & (np.arange(400) < 5), 0.25).of_all == 0.0
