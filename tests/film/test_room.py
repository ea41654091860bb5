from __future__ import annotations

import numpy as np
import pytest
import scipy

from film.sound_of import sound_of
from morningmix.film.arrivals import Arrival, at_camera, between
from morningmix.film.fine import Line
from morningmix.film.line_up import ACCEPTED, by_the_clock
from morningmix.film.room import SOUND_M_PER_S, Room, room_of, stood
from morningmix.model.film import Lined

RATE_HZ = 16_000
SOURCES = ((2.4, 3.0, 0.6), (0.6, 0.6, 0.5), (4.4, 1.0, 0.5), (2.6, 0.5, 0.4), (1.2, 3.2, 0.8))
SINGERS = ((1.6, 1.8, 1.6), (3.4, 1.6, 1.5), (2.5, 2.6, 1.7), (4.2, 2.8, 1.5))
CAMERA = (0.8, 2.2, 1.3)


def way_s(source: tuple[float, ...], to: tuple[float, ...]) -> float:
    return float(np.linalg.norm(np.subtract(source, to))) / SOUND_M_PER_S


def arrival(source: int, at: int | None, *delays_s: float, height: float = 20.0) -> Arrival:
    return Arrival(source=source, at=at, peaks=tuple((delay_s, height) for delay_s in delays_s))


@pytest.fixture(scope="module")
def room() -> Room:
    """Sources 0 to 4 and singers 5 to 8; of one arrival there are only reflections."""
    random, arrivals = np.random.default_rng(4), []
    for source, place in enumerate(SOURCES):
        for singer, microphone in enumerate(SINGERS):
            direct_s = way_s(place, microphone) + random.normal(0.0, 0.0001)
            late_s = direct_s + 0.004
            lost = (source, singer) == (1, 3)
            peaks = (late_s,) if lost else (direct_s, late_s)
            arrivals.append(arrival(source, 5 + singer, *peaks, height=8.0 if lost else 20.0))
    found = room_of(arrivals)
    assert found is not None
    return found


def test_a_camera_has_one_place_and_one_clock_in_a_room(room):
    clock_s = -0.006
    heard = [arrival(source, None, way_s(place, CAMERA) + clock_s) for source, place in enumerate(SOURCES)]

    camera = stood(room, heard)

    assert camera is not None
    assert camera.late_s == pytest.approx(clock_s, abs=0.002)
    assert camera.nearest_m == pytest.approx(min(way_s(place, CAMERA) for place in SOURCES) * SOUND_M_PER_S, abs=0.7)


def test_what_arrives_at_once_from_all_came_by_a_cable(room):
    camera = stood(room, [arrival(source, None, 0.002) for source in range(5)])

    assert camera is not None
    assert (camera.late_s, camera.nearest_m) == (pytest.approx(0.002), 0.0)


def test_too_few_arrivals_leave_the_clock_open(room):
    heard = [arrival(source, None, way_s(place, CAMERA)) for source, place in enumerate(SOURCES[:3])]

    assert stood(room, heard) is None


def test_arrivals_that_no_place_explains_leave_the_clock_open(room):
    heard = [arrival(source, None, delay_s) for source, delay_s in enumerate((0.002, 0.038, -0.03, 0.02, -0.015))]

    assert stood(room, heard) is None


def test_inputs_that_hear_nothing_of_each_other_make_no_room():
    assert room_of([]) is None


def late(sound: np.ndarray, seconds: float) -> np.ndarray:
    return np.pad(sound, (round(seconds * RATE_HZ), 0))[: len(sound)]


def test_arrivals_are_measured_at_open_microphones_and_at_the_camera():
    random = np.random.default_rng(2)
    first, second, voice, hiss = random.standard_normal((4, 20 * RATE_HZ))
    voice *= np.repeat(np.arange(20) % 4 == 0, RATE_HZ)
    singer = voice + late(first, 0.005) + late(second, 0.0075) + 0.5 * hiss
    inputs = [sound_of(samples, RATE_HZ) for samples in (first, second, singer)]
    heard = late(first, 0.006) + late(second, 0.009)
    heard = heard + scipy.signal.oaconvolve(heard, np.eye(1, 200, 199)[0] * 0.5)[: len(heard)]
    camera = sound_of(heard[2 * RATE_HZ : 18 * RATE_HZ] / 3.0 + 0.1 * hiss[: 16 * RATE_HZ], RATE_HZ)
    line = Line(clip_s=0.0, at_s=2.0, slope=1.0)

    among = {(one.source, one.at): one.peaks[0][0] for one in between(inputs)}
    heard = at_camera(inputs, camera, line)
    there = {one.source: one.peaks[0][0] for one in heard.arrivals}

    assert among[0, 2] == pytest.approx(0.005, abs=5e-5)
    assert among[1, 2] == pytest.approx(0.0075, abs=5e-5)
    assert not any(source == 2 for source, _ in among), "the singer's microphone hears the others first"
    assert there[0] == pytest.approx(0.006, abs=5e-5)
    assert there[1] == pytest.approx(0.009, abs=7e-5)


def test_each_input_by_itself_measures_the_clock_of_a_clip():
    random = np.random.default_rng(2)
    inputs = random.standard_normal((3, 20 * RATE_HZ))
    heard = sum(late(samples, 0.003 * number) for number, samples in enumerate(inputs, 1))
    heard = heard + 0.7 * late(heard, 0.0123)
    wanted = (2.0 + np.arange(16 * RATE_HZ) / RATE_HZ / (1.0 + 10e-6)) * RATE_HZ
    clip = sound_of(scipy.ndimage.map_coordinates(heard, [wanted]), RATE_HZ)
    rough = Lined(file="", offset_s=2.0, drift_ppm=7.0, confidence=1.0, accepted=True)

    lined = by_the_clock(rough, clip, [sound_of(samples, RATE_HZ) for samples in inputs], None)

    assert lined.drift_ppm == pytest.approx(10.0, abs=1.0)
    assert lined.offset_s == pytest.approx(2.0 + 8.0 * 3e-6, abs=8e-6)
    assert lined.nearest_m is None


@pytest.fixture(scope="module")
def played() -> np.ndarray:
    """Five sources and four singers who are silent but for hiss, ``(9, frames)``: the same beats every evening."""
    return evening(seed=2)


def evening(seed: int) -> np.ndarray:
    beats = np.exp(-((np.arange(12 * RATE_HZ) / RATE_HZ * 3.0) % 1.0) * 4.0)
    inputs = np.random.default_rng(seed).standard_normal((9, 12 * RATE_HZ))
    inputs[:5] *= beats
    return inputs


def filmed(sources: np.ndarray, talk: float) -> np.ndarray:
    """What a camera hears from its place, under talk."""
    heard = sum(late(sound, way_s(place, CAMERA)) for sound, place in zip(sources, SOURCES, strict=True))
    return heard + talk * np.random.default_rng(9).standard_normal(len(heard))


DOUBTED = Lined(file="", offset_s=0.0, drift_ppm=0.0, confidence=0.45, accepted=False)


def test_a_clip_that_is_in_doubt_is_accepted_for_its_place_in_the_room(room, played):
    inputs = [sound_of(samples, RATE_HZ) for samples in played]

    lined = by_the_clock(DOUBTED, sound_of(filmed(played[:5], talk=3.0), RATE_HZ), inputs, room)

    assert lined.accepted
    assert lined.confidence == ACCEPTED
    assert lined.nearest_m == pytest.approx(min(way_s(place, CAMERA) for place in SOURCES) * SOUND_M_PER_S, abs=0.7)


@pytest.mark.parametrize("playbacks", [0, 2])
def test_another_evening_has_no_place_in_the_room_even_with_the_same_playback(room, played, playbacks):
    inputs = [sound_of(samples, RATE_HZ) for samples in played]
    others = np.concatenate([played[:playbacks], evening(seed=3)[playbacks:5]])

    lined = by_the_clock(DOUBTED, sound_of(filmed(others, talk=0.1), RATE_HZ), inputs, room)

    assert not lined.accepted
    assert (lined.confidence, lined.nearest_m) == (0.45, None)
