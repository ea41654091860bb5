"""Songs are recognised by what is played, from the microphones of invented bands on."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from drummer import RATE_HZ, Sound, stored
from morningmix.audio.takes import find_take
from morningmix.decide.beats import find_tempo
from morningmix.decide.fingerprint import fingerprint_of, half_beats_s
from morningmix.decide.recognise import recognise
from morningmix.measure.harmony import measure_notes
from morningmix.measure.onsets import measure_onsets
from morningmix.model.fingerprint import Fingerprint
from songbook import FOUR_CHORDS, SAD_CHORDS, THREE_CHORDS, Part, Song, play, write

ROPE = Song(
    bpm=118.0,
    key=0,
    parts=(
        Part(chords=FOUR_CHORDS, strum=(0.0, 1.0, 1.5, 2.5, 3.0), bass=(0.0, 1.5, 3.0), kick=(0.0, 2.5)),
        Part(chords=THREE_CHORDS, strum=(0.0, 0.5, 1.5, 2.0, 3.5), bass=(0.0, 2.0), kick=(0.0, 1.5, 2.0)),
    ),
    form=(0, 0, 1, 0, 1),
)
TWIN = Song(
    bpm=122.0,
    key=0,
    parts=(
        Part(chords=FOUR_CHORDS, strum=(0.0, 2.0), bass=(0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5), kick=(0.0, 2.0)),
        Part(chords=THREE_CHORDS, strum=(0.0, 1.0, 2.0, 3.0), bass=(0.0, 1.0, 2.5, 3.5), kick=(0.0, 0.5, 2.0)),
    ),
    form=(0, 1, 0, 1, 0),
)
"""The same chords as in `ROPE`, at nearly the same tempo, with other rhythms."""
OTHER = Song(
    bpm=112.0,
    key=4,
    parts=(
        Part(chords=SAD_CHORDS, strum=(0.0, 1.5, 2.0, 3.5), bass=(0.0, 1.0, 2.0, 3.0), kick=(0.0, 2.0, 3.5)),
        Part(chords=FOUR_CHORDS, strum=(0.0, 0.5, 1.0, 2.5), bass=(0.0, 2.5), kick=(0.0, 1.0, 2.0, 3.0)),
    ),
    form=(0, 0, 1, 0, 1),
)


def fingerprint(folder: Path, sounds: dict[str, Sound]) -> Fingerprint:
    """The fingerprint of these microphones."""
    take = find_take(write(folder / "take", sounds))
    names = [recording.files[0].removesuffix(".wav") for recording in take.recordings]
    store = stored(folder / "bands", [np.pad(sounds[name], (0, take.frames - len(sounds[name]))) for name in names])
    drums = measure_onsets(store, [names.index(name) for name in ("kick", "snare", "overhead")], 0.0, take.duration_s)
    others = [names.index(name) for name in ("bass", "guitar")]
    tempo = find_tempo(drums)
    assert tempo is not None
    gains = [(index, float(np.mean(sounds[names[index]] ** 2)) ** -0.5) for index in others]
    notes = measure_notes(take, gains, 0.0, half_beats_s(tempo))
    return fingerprint_of(tempo, notes, drums, measure_onsets(store, others, 0.0, take.duration_s))


@pytest.fixture(scope="module")
def known(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Fingerprint]:
    songs = {"Rope Swing": ROPE, "Copper Rain": TWIN, "Gauge": OTHER}
    return {
        title: fingerprint(tmp_path_factory.mktemp(title), play(song, seed))
        for seed, (title, song) in enumerate(songs.items())
    }


@pytest.mark.parametrize(
    ("how", "semitones", "broken_off"),
    [
        ({"speed": 1.08}, 0, False),
        ({"speed": 0.92, "semitones": -2.2}, -2, False),
        ({"semitones": 1.0, "form": (0, 1, 0, 1)}, 1, False),
        ({"until": 0.5, "semitones": 0.3}, 0, True),
        ({"form": (0, 1, 1)}, 0, False),
    ],
    ids=["faster", "slower and lower", "higher, a verse less", "broken off", "two verses less"],
)
def test_a_song_is_recognised_however_it_is_played(
    how: dict[str, float], semitones: int, broken_off: bool, known: dict[str, Fingerprint], tmp_path: Path
) -> None:
    found = recognise(fingerprint(tmp_path, play(ROPE, 77, **how)), known)  # type: ignore[arg-type]
    assert found is not None
    assert (found.title, found.semitones, found.is_broken_off) == ("Rope Swing", semitones, broken_off)


def test_the_same_chords_to_another_rhythm_are_another_song(known: dict[str, Fingerprint], tmp_path: Path) -> None:
    played = fingerprint(tmp_path, play(TWIN, 78, speed=0.97))
    found = recognise(played, known)
    assert found is not None
    assert found.title == "Copper Rain"
    others = {title: one for title, one in known.items() if title != "Copper Rain"}
    assert recognise(played, others) is None


def test_an_unknown_song_stays_unknown(known: dict[str, Fingerprint]) -> None:
    for title in known:
        assert recognise(known[title], {other: one for other, one in known.items() if other != title}) is None


def test_the_notes_of_a_chord_are_counted_where_they_sound(tmp_path: Path) -> None:
    t = np.arange(4 * RATE_HZ) / RATE_HZ
    a_major = sum(np.sin(2.0 * np.pi * hz * t) for hz in (110.0, 277.18, 329.63))
    take = find_take(write(tmp_path / "take", {"keys": np.where(t < 2.0, a_major, 0.0)}))
    notes = measure_notes(take, [(0, 1.0)], 0.0, np.arange(5.0))
    bass, above = np.roll(notes.strength, 5, axis=1).reshape(2, 12, 10, 4).sum(axis=2)
    assert bass[:, 0].argmax() == 9
    assert set(np.argsort(above[:, 0])[-2:].tolist()) == {1, 4}
    assert above[:, 3].max() < 0.01 * above[:, 0].max()
