from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import scipy

from film.sound_of import sound_of
from morningmix.film.line_up import envelope_of, line_up
from morningmix.model.film import Lined

RATE_HZ = 8_000
TAKE_S = 50.0
Players = dict[str, np.ndarray]


def played(seed: int, seconds: float = TAKE_S) -> Players:
    """Two players who strike together, now and then: the same song each time, never the same sound."""
    song, hands = np.random.default_rng(1), np.random.default_rng(seed)
    players = {}
    for name, decay_s, gain in (("snare", 0.05, 4.0), ("guitar", 0.3, 1.0)):
        strikes_s = np.cumsum(song.choice([0.25, 0.5, 0.75], 600))
        strikes_s = strikes_s[strikes_s < seconds - 1.0]
        struck = np.zeros(round(seconds * RATE_HZ))
        struck[((strikes_s + hands.normal(0.0, 0.005, len(strikes_s))) * RATE_HZ).astype(int)] = gain
        shape = scipy.signal.lfilter([1.0], [1.0, -np.exp(-1.0 / decay_s / RATE_HZ)], struck)
        players[name] = shape * hands.standard_normal(len(shape))
    return players


def late(sound: np.ndarray, seconds: float) -> np.ndarray:
    return np.pad(sound, (round(seconds * RATE_HZ), 0))[: len(sound)]


def filmed(players: Players, start_s: float, seconds: float, ppm: float = 0.0) -> np.ndarray:
    """What a camera hears: the snare 3 ms late, the guitar 9 ms, and the room; by its own clock."""
    arrives = late(players["snare"], 0.003) + late(players["guitar"], 0.009)
    room = np.random.default_rng(7).standard_normal(1600) * np.exp(-np.arange(1600) / 400) * 0.03
    arrives = arrives + scipy.signal.oaconvolve(late(arrives, 0.01), room)[: len(arrives)]
    arrives = np.pad(arrives, 35 * RATE_HZ)
    wanted = (start_s + 35.0 + np.arange(round(seconds * RATE_HZ)) / RATE_HZ / (1.0 + ppm * 1e-6)) * RATE_HZ
    heard = scipy.ndimage.map_coordinates(arrives, [wanted])
    return heard + np.random.default_rng(3).normal(0.0, 0.01, len(heard))


@pytest.fixture(scope="module")
def evening() -> Players:
    return played(seed=11)


@pytest.fixture(scope="module")
def located(evening: Players) -> Callable[[np.ndarray], Lined]:
    take = sound_of(sum(evening.values()), RATE_HZ)
    envelope = envelope_of(take)
    return lambda clip: line_up("clip.mp4", sound_of(clip, RATE_HZ), take, envelope)


@pytest.mark.parametrize(
    ("start_s", "seconds", "ppm"),
    [
        pytest.param(7.3137, 45.0, 80.0, id="inside, a fast clock"),
        pytest.param(-12.25, 40.0, -100.0, id="from before the take, a slow clock"),
        pytest.param(-9.0, 70.0, -40.0, id="all around the take"),
    ],
)
def test_a_clip_is_found_by_the_nearest_player_and_its_clock_measured(located, evening, start_s, seconds, ppm):
    lined = located(filmed(evening, start_s, seconds, ppm))

    assert lined.accepted
    assert lined.confidence > 0.9
    assert lined.offset_s == pytest.approx(start_s - 0.003, abs=0.0003)
    assert lined.drift_ppm == pytest.approx(ppm, abs=2.0)


def test_talk_at_the_camera_and_a_level_control_hide_nothing(located, evening):
    clip = filmed(evening, 5.0, 45.0, 50.0)
    talk = np.random.default_rng(5).standard_normal(len(clip)) * np.std(clip) * 10.0
    talk *= scipy.ndimage.uniform_filter1d(np.random.default_rng(6).random(len(clip)) < 1e-4, 1600) > 0.0
    controlled = np.clip((clip + talk) / np.sqrt(scipy.ndimage.uniform_filter1d((clip + talk) ** 2, 4000)), -0.9, 0.9)

    lined = located(controlled)

    assert lined.accepted
    assert lined.offset_s == pytest.approx(4.997, abs=0.0005)
    assert lined.drift_ppm == pytest.approx(50.0, abs=2.0)


def test_the_same_song_on_another_evening_is_refused(located):
    lined = located(filmed(played(seed=12), 5.0, 45.0))

    assert not lined.accepted
    assert lined.confidence < 0.5


@pytest.mark.parametrize(
    "clip",
    [
        pytest.param(np.zeros(40 * RATE_HZ), id="silence"),
        pytest.param(np.zeros(0), id="nothing"),
        pytest.param(np.sin(np.arange(40 * RATE_HZ) * 2.0 * np.pi * 440.0 / RATE_HZ), id="one tone"),
    ],
)
def test_a_clip_without_music_is_refused(located, clip):
    lined = located(clip)

    assert not lined.accepted
    assert lined.confidence < 0.3


def test_a_tone_has_no_place_in_a_take_of_that_tone():
    tone = np.sin(np.arange(16 * RATE_HZ) * 2.0 * np.pi * 440.0 / RATE_HZ)
    take = sound_of(tone, RATE_HZ)

    assert not line_up("clip.mp4", sound_of(tone[: 10 * RATE_HZ], RATE_HZ), take, envelope_of(take)).accepted


def test_what_is_played_again_and_again_has_no_certain_place():
    loop = np.tile(sum(played(seed=13, seconds=8.0).values()), 4)
    take = sound_of(loop, RATE_HZ)

    assert not line_up("clip.mp4", sound_of(loop[: 12 * RATE_HZ], RATE_HZ), take, envelope_of(take)).accepted
