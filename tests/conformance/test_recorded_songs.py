"""Songs are found in full-length recordings that somebody else made.

MORNINGMIX_REHEARSALS names a folder with a folder for each song: `song.ogg` is the band, `guitar.ogg` its guitar. Here
they are joined into one take, with talk and pauses between them. Without at least eight songs this is skipped.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside reader
from numpy.typing import NDArray
from scipy.signal import lfilter

from lanes import lane_here
from morningmix.audio.takes import find_take
from morningmix.decide.song_boundaries import find_songs
from morningmix.measure.activity import measure_activity
from morningmix.measure.take import measure_take

SONGS = sorted(Path(os.environ.get("MORNINGMIX_REHEARSALS", "nowhere")).rglob("song.ogg"))
RATE_HZ = 44_100
GAP_S = 20.0
FALLEN_DB = 20.0

pytestmark = pytest.mark.skipif(len(SONGS) < 8, reason="MORNINGMIX_REHEARSALS names no folder with eight songs")

Sound = NDArray[np.float32]


@dataclass(frozen=True)
class Truth:
    name: str
    start_s: float
    fallen_s: float
    """After the last loud moment the level stays this far down."""
    silent_s: float


def talk(seconds: float, rng: np.random.Generator) -> Sound:
    """Syllables of a voiced, vowel-like noise, a few a second."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    pitch = 110.0 + 20.0 * np.sin(2 * np.pi * 0.7 * t)
    source = np.sign(np.sin(2 * np.pi * np.cumsum(pitch) / RATE_HZ)) + 0.1 * rng.standard_normal(len(t))
    for hz, width_hz in ((600.0, 90.0), (1400.0, 120.0)):
        radius = np.exp(-np.pi * width_hz / RATE_HZ)
        source = lfilter([1.0 - radius], [1.0, -2.0 * radius * np.cos(2 * np.pi * hz / RATE_HZ), radius**2], source)
    syllables = np.maximum(0.0, np.sin(2 * np.pi * 2.3 * t)) * (np.sin(2 * np.pi * 0.21 * t) > -0.6)
    sound = source * syllables
    return np.asarray(0.1 * sound / np.abs(sound).max(), np.float32)


def edges(sound: Sound) -> tuple[float, float, float]:
    """Seconds of the first sound, of the moment from which it stays 20 dB down, and of the last sound."""
    hop = RATE_HZ // 20
    level = np.sqrt((sound[: len(sound) // hop * hop].reshape(-1, hop) ** 2).mean(axis=1) + 1e-12)
    level_db = 20.0 * np.log10(level / np.percentile(level, 90))
    last_loud = np.flatnonzero(level_db > -FALLEN_DB)[-1] + 1
    heard = np.flatnonzero(level_db > -40.0)
    return heard[0] / 20.0, last_loud / 20.0, (heard[-1] + 1) / 20.0


@pytest.fixture(scope="module")
def joined(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Truth]]:
    folder = tmp_path_factory.mktemp("evening")
    rng = np.random.default_rng(7)
    truth, at_s = [], 0.0
    with (
        soundfile.SoundFile(folder / "band.wav", "w", RATE_HZ, 1, "PCM_24") as band,
        soundfile.SoundFile(folder / "guitar.wav", "w", RATE_HZ, 1, "PCM_24") as guitar,
        soundfile.SoundFile(folder / "voice.wav", "w", RATE_HZ, 1, "PCM_24") as voice,
    ):

        def play(rest: Sound, strings: Sound, spoken: Sound) -> None:
            for file, own, others in ((band, rest, strings), (guitar, strings, rest), (voice, spoken, rest + strings)):
                hiss = 1e-5 * rng.standard_normal(len(rest))
                file.write(0.4 * (own + 0.05 * others + hiss))

        for path in SONGS:
            frames = round(GAP_S * RATE_HZ)
            spoken = np.zeros(frames, np.float32)
            said = talk(GAP_S - 8.0, rng)
            spoken[4 * RATE_HZ : 4 * RATE_HZ + len(said)] = said
            play(np.zeros(frames, np.float32), np.zeros(frames, np.float32), spoken)
            at_s += GAP_S
            rest, strings = (
                soundfile.read(path.with_name(name), dtype="float32")[0].mean(axis=1)
                for name in ("song.ogg", "guitar.ogg")
            )
            shortest = min(len(rest), len(strings))
            rest, strings = rest[:shortest], strings[:shortest]
            play(rest, strings, np.zeros(shortest, np.float32))
            start_s, fallen_s, silent_s = edges(rest + strings)
            truth.append(Truth(path.parent.name, at_s + start_s, at_s + fallen_s, at_s + silent_s))
            at_s += shortest / RATE_HZ
        quiet = np.zeros(10 * RATE_HZ, np.float32)
        play(quiet, quiet, quiet)
    return folder, truth


def test_every_song_is_found_whole_and_nothing_else_is(joined: tuple[Path, list[Truth]], tmp_path: Path) -> None:
    folder, truth = joined
    take = find_take(folder)
    _, store = measure_take(take, tmp_path, lane_here())
    families = {"band.wav": "drums", "guitar.wav": "guitars", "voice.wav": "vocals"}
    of_inputs = [families[recording.files[0]] for recording in take.recordings]
    found = find_songs(measure_activity(store, of_inputs), of_inputs)
    kept = [one for one in found if one.keep]
    assert len(kept) == len(truth)
    for one, song in zip(kept, truth, strict=True):
        assert song.start_s - 2.0 <= one.start.at_s <= song.start_s, song.name
        assert song.fallen_s <= one.end.at_s <= song.silent_s + 3.0, song.name
