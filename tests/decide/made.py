"""Inputs, measurements and plans made by hand."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from morningmix.files.presets import load_roles
from morningmix.model.input import Input
from morningmix.model.measured import Activity, Measurements, TrackFacts
from morningmix.model.recipe import InputWish
from morningmix.model.recording import Part, Recording
from synthetic import slots_of

CENTRES_HZ = np.geomspace(40.0, 18_000.0, 36)
EDGES_HZ = np.concatenate(
    ([CENTRES_HZ[0] ** 1.5 / CENTRES_HZ[1] ** 0.5], np.sqrt(CENTRES_HZ[:-1] * CENTRES_HZ[1:]), [19_600.0])
)


def facts_of(
    spectrum: NDArray[np.float64],
    level: NDArray[np.float64],
    crest_db: float = 9.0,
    channels: int = 1,
    side_fraction: float = 0.0,
    **changes: object,
) -> TrackFacts:
    """A track of a steady spectrum ``(bands,)`` (any scale) at a power per slot ``(slots,)``."""
    bands = (np.outer(spectrum / spectrum.sum(), level)).astype(np.float32)
    peaks = (np.sqrt(level) * 10.0 ** (crest_db / 20.0)).astype(np.float32)
    plain = {
        "files": ("a.wav",),
        "channels": channels,
        "peak_dbfs": float(20.0 * np.log10(max(float(peaks.max()), 1e-6))),
        "clipped_runs": 0,
        "dc": 0.0,
        "side_fraction": side_fraction,
        "slots": slots_of(bands, peaks),
    }
    missing = {
        field.name: {"hum": None, "pops_s": (), "feedback": (), "dropouts": 0, "broken_samples": 0}[field.name]
        for field in dataclasses.fields(TrackFacts)
        if field.name not in plain
    }
    return TrackFacts(**{**missing, **plain, **changes})  # type: ignore[arg-type]


def bump(centre_hz: float, octaves: float, floor_db: float = -90.0) -> NDArray[np.float64]:
    distance = np.log2(CENTRES_HZ / centre_hz) / octaves
    return np.asarray(10.0 ** (np.maximum(-3.0 * distance**2, floor_db / 10.0)))


def measurements(*facts: TrackFacts) -> Measurements:
    return Measurements(rate_hz=48_000, frames=len(facts[0].slots) * 4_800, slot_s=0.1, band_hz=EDGES_HZ, tracks=facts)


def an_input(role: str, facts: TrackFacts, index: int = 0, **wish: object) -> Input:
    return Input(
        index=index,
        name=f"{role} {index}",
        role=role,
        role_is_guess=False,
        role_because="as written down",
        role_source="recipe",
        preset=load_roles()[role],
        wish=InputWish(files=facts.files, **wish),  # type: ignore[arg-type]
        facts=facts,
    )


STEADY = np.full(100, 1e-2)
HITS = np.where(np.arange(100) % 5 == 0, 1e-1, 1e-6)


def recordings(*names: str) -> list[Recording]:
    parts = [
        Part(path=Path(f"{name}.wav"), rate_hz=48_000, channels=1, frames=48_000, subtype="PCM_24") for name in names
    ]
    return [Recording(lanes=((part,),)) for part in parts]


BAND_FAMILIES = ("drums", "drums", "bass", "guitars", "guitars", "vocals")
KICK, OVERHEAD, BASS, GUITAR, OTHER_GUITAR, VOICE = range(len(BAND_FAMILIES))
ACTIVITY_BANDS = 7
ACTIVITY_FPS, ACTIVITY_HPS = 10, 50
"""Frames and hops a second."""
_FLOOR = 1e-8


class Score:
    """A take in which nothing happens until somebody plays; times in seconds, levels in dB re the loud level."""

    def __init__(self, seconds: float, families: tuple[str, ...] = BAND_FAMILIES) -> None:
        self.families = families
        frames = round(seconds * ACTIVITY_FPS)
        self.powers = np.full((len(families), ACTIVITY_BANDS, frames), _FLOOR, np.float32)
        self.over_bleed_db = np.full((len(families), ACTIVITY_BANDS, frames), -3.0, np.float32)
        self.rises_db = np.zeros((len(families), frames * ACTIVITY_HPS // ACTIVITY_FPS), np.float32)

    def sound(self, who: int, start_s: float, end_s: float, level_db: float = 0.0, to_db: float | None = None) -> None:
        """Own sound of one input, its level on the way to `to_db`."""
        frames = slice(round(start_s * ACTIVITY_FPS), round(end_s * ACTIVITY_FPS))
        count = self.powers[who, 0, frames].size
        levels = np.linspace(level_db, level_db if to_db is None else to_db, count)
        self.powers[who, :, frames] = np.maximum(_FLOOR, 10.0 ** (levels / 10.0 - 2.0))
        self.over_bleed_db[who, :, frames] = np.where(levels > -60.0, 12.0, -3.0)

    def hit(self, at_s: float, *who: int) -> None:
        """A stroke that these inputs hear."""
        for one in who:
            self.rises_db[one, round(at_s * ACTIVITY_HPS)] = 20.0
            self.sound(one, at_s, at_s + 0.1)

    def clicks(self, first_s: float, count: int = 4) -> None:
        for number in range(count):
            self.hit(first_s + 0.5 * number, OVERHEAD)

    def drum(self, start_s: float, end_s: float) -> None:
        self.sound(OVERHEAD, start_s, end_s, -6.0)
        for at_s in np.arange(start_s, end_s - 0.01, 0.5):
            self.hit(float(at_s), KICK, OVERHEAD)

    def play(self, start_s: float, end_s: float, rings_s: float = 2.0) -> None:
        """The whole band, and the ring after it."""
        self.drum(start_s, end_s)
        for who in (BASS, GUITAR, OTHER_GUITAR):
            self.sound(who, start_s, end_s)
        if rings_s:
            self.sound(GUITAR, end_s, end_s + rings_s, 0.0, -60.0)

    def activity(self) -> Activity:
        return Activity(
            frame_s=1.0 / ACTIVITY_FPS,
            hop_s=1.0 / ACTIVITY_HPS,
            powers=self.powers,
            over_bleed_db=self.over_bleed_db,
            rises_db=self.rises_db,
        )
