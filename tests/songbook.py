"""Invented songs for a guitar, a bass and drums, played well or badly, slower or higher, in full or in part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile  # noqa: TID251 - an outside writer of the files under test

from drummer import RATE_HZ, Sound, Times, kit

MAJOR, MINOR = (0, 4, 7), (0, 3, 7)
FOUR_CHORDS = ((0, MAJOR), (7, MAJOR), (9, MINOR), (5, MAJOR))
THREE_CHORDS = ((0, MAJOR), (5, MAJOR), (7, MAJOR), (5, MAJOR))
SAD_CHORDS = ((9, MINOR), (7, MAJOR), (5, MAJOR), (4, MAJOR))

Chords = Sequence[tuple[int, Sequence[int]]]
_LOWEST_MIDI = {"guitar": 48, "bass": 28}


@dataclass(frozen=True, kw_only=True)
class Part:
    """A verse or a chorus: one bar a chord, each with the same rhythm; places in beats."""

    chords: Chords
    strum: Sequence[float]
    bass: Sequence[float]
    kick: Sequence[float]


@dataclass(frozen=True, kw_only=True)
class Song:
    """A song; `form` names its parts in order, each played twice."""

    bpm: float
    key: int
    parts: Sequence[Part]
    form: Sequence[int]


def play(
    song: Song, seed: int, *, speed: float = 1.0, semitones: float = 0.0, form: Sequence[int] = (), until: float = 1.0
) -> dict[str, Sound]:
    """The microphones of one try; `until` is the share of it after which the band breaks off."""
    rng = np.random.default_rng(seed)
    bars = [
        (song.parts[part], chord) for part in form or song.form for _ in range(2) for chord in song.parts[part].chords
    ]
    bars = bars[: round(until * len(bars))]
    count = 4 * len(bars) + 1
    uneven = 1.0 + np.clip(np.cumsum(rng.normal(0.0, 0.002, count)), -0.03, 0.03)
    beats_s: Times = 0.5 + np.concatenate(([0.0], np.cumsum(60.0 / (song.bpm * speed) * uneven[:-1])))
    frames = round((beats_s[-1] + 2.0) * RATE_HZ)
    guitar, bass = np.zeros(frames), np.zeros(frames)
    hits: dict[str, list[float]] = {"kick": [], "snare": [], "hat": []}
    for bar, (part, (degree, notes)) in enumerate(bars):
        root = song.key + degree
        for buffer, name, places in ((guitar, "guitar", part.strum), (bass, "bass", part.bass)):
            for place in places:
                if rng.random() < 0.05:
                    continue
                at_s = float(np.interp(4 * bar + place, np.arange(count), beats_s)) + 0.006 * rng.standard_normal()
                for note in notes if name == "guitar" else (0,):
                    midi = _LOWEST_MIDI[name] + (root - _LOWEST_MIDI[name]) % 12 + note + semitones
                    _pluck(buffer, at_s, 440.0 * 2.0 ** ((midi - 69.0) / 12.0), rng)
        drums = {"kick": part.kick, "snare": (1.0, 3.0), "hat": np.arange(0.0, 4.0, 0.5)}
        for drum, places in drums.items():
            hits[drum] += [4 * bar + float(place) for place in places if rng.random() > 0.05]
    played = kit(beats_s, hits, rng=rng, beats_a_bar=count)
    leak = 0.02 * played["overhead"][:frames]
    return played | {"bass": bass, "guitar": guitar + leak}


def _pluck(buffer: Sound, at_s: float, hz: float, rng: np.random.Generator) -> None:
    start = round(at_s * RATE_HZ)
    t = np.arange(min(round(0.45 * RATE_HZ), len(buffer) - start)) / RATE_HZ
    tone = np.zeros(len(t))
    for number in range(1, 6):
        tone += 0.6 ** (number - 1) * np.sin(2.0 * np.pi * number * hz * t + rng.uniform(0.0, 6.0))
    envelope = np.exp(-t / 0.3) * np.minimum(1.0, t / 0.004)
    buffer[start : start + len(t)] += 0.15 * rng.uniform(0.7, 1.0) * tone * envelope


def write(folder: Path, sounds: dict[str, Sound]) -> Path:
    """The microphones as files of a take, `folder`, which is made."""
    folder.mkdir(parents=True)
    frames = max(len(sound) for sound in sounds.values())
    for name, sound in sounds.items():
        padded = np.pad(sound, (0, frames - len(sound)))
        soundfile.write(folder / f"{name}.wav", np.clip(padded / 4.0, -0.99, 0.99), RATE_HZ, subtype="PCM_16")
    return folder
