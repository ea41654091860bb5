"""An invented drummer: the close microphones of a kit, hit at known times."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from morningmix.dsp.bands import HOPS_PER_SECOND, BandMeter, band_edges_hz
from morningmix.measure.band_store import BandStore, BandWriter

Sound = NDArray[np.float64]
Times = NDArray[np.float64]

RATE_HZ = 22_050
ROCK = {"kick": (0.0, 2.0), "snare": (1.0, 3.0), "hat": tuple(np.arange(0.0, 4.0, 0.5).tolist())}
"""Hits of each drum in a bar of four beats."""


def steady(bpm: float, beats: int, *, first_s: float = 0.5) -> Times:
    """Times of evenly spaced beats."""
    return first_s + np.arange(beats) * 60.0 / bpm


def ramp(from_bpm: float, to_bpm: float, beats: int, *, first_s: float = 0.5) -> Times:
    """Times of beats whose tempo changes evenly."""
    periods = 60.0 / np.linspace(from_bpm, to_bpm, beats - 1)
    return first_s + np.concatenate(([0.0], np.cumsum(periods)))


def kit(
    beats_s: Times,
    bar: dict[str, Sequence[float]],
    *,
    rng: np.random.Generator,
    beats_a_bar: int = 4,
    rests: Sequence[tuple[int, int]] = (),
    jitter_s: float = 0.004,
) -> dict[str, Sound]:
    """Microphones kick, snare and overhead: name -> ``(frames,)``.

    Every drum is in every microphone; `rests` are ranges of beats without a hit. Jitter is one standard deviation.
    """
    frames = round((beats_s[-1] + 2.0) * RATE_HZ)
    own = {drum: np.zeros(frames) for drum in bar}
    places = np.arange(len(beats_s), dtype=np.float64)
    for drum, hits in bar.items():
        for first in range(0, len(beats_s), beats_a_bar):
            for hit in hits:
                beat = first + hit
                if beat > len(beats_s) - 1 or any(start <= beat < stop for start, stop in rests):
                    continue
                at_s = float(np.interp(beat, places, beats_s)) + jitter_s * rng.standard_normal()
                sound = _hit(drum, rng) * rng.uniform(0.7, 1.0)
                start = max(0, round(at_s * RATE_HZ))
                stop = min(frames, start + len(sound))
                own[drum][start:stop] += sound[: stop - start]
    return microphones(own, frames, rng)


def microphones(own: dict[str, Sound], frames: int, rng: np.random.Generator) -> dict[str, Sound]:
    """What the microphones of a kit pick up of its drums."""
    silence = np.zeros(frames)
    kick, snare = own.get("kick", silence), own.get("snare", silence)
    cymbals = own.get("hat", silence) + own.get("stick", silence)
    heard = {
        "kick": kick + 0.1 * snare + 0.03 * cymbals,
        "snare": snare + 0.15 * kick + 0.1 * cymbals,
        "overhead": 0.4 * kick + 0.6 * snare + cymbals,
    }
    return {name: sound + 3e-4 * rng.standard_normal(frames) for name, sound in heard.items()}


def _hit(drum: str, rng: np.random.Generator) -> Sound:
    t = np.arange(round(0.25 * RATE_HZ)) / RATE_HZ
    noise = rng.standard_normal(len(t))
    if drum == "kick":
        return np.sin(2.0 * np.pi * (55.0 + 60.0 * np.exp(-t / 0.02)) * t) * np.exp(-t / 0.07)
    if drum == "snare":
        return (0.5 * np.sin(2.0 * np.pi * 190.0 * t) + 0.5 * noise) * np.exp(-t / 0.06)
    bright = np.diff(noise, prepend=0.0)
    return 0.25 * bright * np.exp(-t / (0.004 if drum == "stick" else 0.025))


def stored(folder: Path, sounds: Sequence[Sound], rate_hz: int = RATE_HZ) -> BandStore:
    """Band powers of sounds, as a take's measurement keeps them."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for number, sound in enumerate(sounds):
        paths.append(folder / f"{number}.bands")
        meter = BandMeter(rate_hz, 1)
        with BandWriter(paths[-1]) as writer:
            writer.write(meter.update(sound.astype(np.float32)[None]))
            writer.write(meter.finish())
    edges = band_edges_hz(rate_hz)
    hops = -(-len(sounds[0]) // (rate_hz // HOPS_PER_SECOND))
    return BandStore(paths=tuple(paths), bands=len(edges) - 1, hops=hops, hop_s=1.0 / HOPS_PER_SECOND, band_hz=edges)
