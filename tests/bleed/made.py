"""A toy band in a room, for what cleans microphones of bleed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile  # noqa: TID251 - an outside writer of the files under test
from numpy.typing import NDArray
from scipy import signal

from morningmix.audio.takes import find_take
from morningmix.model.recording import Take
from morningmix.units import Block

RATE_HZ = 16_000
SECONDS = 20
INPUTS = ("amp", "drum", "voice 1", "voice 2")
"""As files sort."""
Sound = NDArray[np.float64]


def write_inputs(tracks: Path, inputs: dict[str, Sound]) -> Take:
    """A take of these inputs, at a tenth of their level."""
    tracks.mkdir(parents=True)
    for name, sound in inputs.items():
        soundfile.write(tracks / f"{name}.wav", 0.1 * sound, RATE_HZ, subtype="FLOAT")
    return find_take(tracks)


@dataclass(frozen=True)
class Made:
    """Inputs in memory, each ``(channels, frames)``; twelve seconds at a low rate unless it is said."""

    sounds: Sequence[Block]
    rate_hz: int = 8_000
    frames: int = 96_000

    def channels(self, index: int) -> int:
        return len(self.sounds[index])

    def read(self, index: int, start: int, stop: int) -> Block:
        sound = self.sounds[index]
        padded = np.zeros((len(sound), stop - start), np.float32)
        first, last = max(start, 0), min(stop, sound.shape[1])
        if last > first:
            padded[:, first - start : last - start] = sound[:, first:last]
        return padded


def room(rng: np.random.Generator, delay_s: float) -> Sound:
    """Impulse response: delayed, with a decaying tail of 50 ms."""
    length = int(0.1 * RATE_HZ)
    tail = rng.standard_normal(length) * np.exp(-np.arange(length) / (0.015 * RATE_HZ))
    tail[0] = 6.0
    return np.concatenate([np.zeros(int(delay_s * RATE_HZ)), tail / np.sqrt(np.sum(tail**2))])


def hits(rng: np.random.Generator, every_s: float) -> Sound:
    sound = np.zeros(SECONDS * RATE_HZ)
    for start in np.arange(0.2, SECONDS - 0.5, every_s):
        at, length = int((start + rng.uniform(0.0, 0.05)) * RATE_HZ), int(0.25 * RATE_HZ)
        sound[at : at + length] += rng.standard_normal(length) * np.exp(-np.arange(length) / (0.05 * RATE_HZ))
    return sound


def voice(sung: tuple[tuple[float, float], ...], pitch_hz: float) -> Sound:
    times = np.arange(SECONDS * RATE_HZ) / RATE_HZ
    melody = 2.0 ** (np.array([0, 4, 7, 5, 2, 9, 7, 4])[(times / 0.4).astype(int) % 8] / 12.0)
    pitch = pitch_hz * melody * (1.0 + 0.02 * np.sin(2.0 * np.pi * 5.0 * times))
    phase = 2.0 * np.pi * np.cumsum(pitch) / RATE_HZ
    tone = sum(np.sin(k * phase) / k for k in range(1, 12))
    tone = tone + 0.1 * np.random.default_rng(int(pitch_hz)).standard_normal(len(times))
    gate = np.zeros_like(times)
    for start, end in sung:
        gate[(times >= start) & (times < end)] = 1.0
    return np.asarray(tone * np.convolve(gate, np.hanning(800) / np.hanning(800).sum(), "same"))


def band() -> dict[str, Sound]:
    """Drum, amplifier and two vocal microphones: direct sound, and the recording with bleed through rooms."""
    rng = np.random.default_rng(7)
    drum, amp = hits(rng, 0.45), signal.sosfilt(signal.butter(2, 2500, fs=RATE_HZ, output="sos"), hits(rng, 0.31))
    voices = {"voice 1": voice(((1, 6), (9, 14)), 220.0), "voice 2": voice(((3, 8), (12, 17)), 330.0)}
    direct = {"drum": drum, "amp": np.asarray(amp), **{name: 0.5 * sound for name, sound in voices.items()}}
    heard = {"drum": direct["drum"], "amp": direct["amp"]}
    for name in voices:
        other = next(each for each in voices if each != name)
        bleed = signal.oaconvolve(direct["drum"], 0.5 * room(rng, 0.004))[: len(drum)]
        bleed = bleed + signal.oaconvolve(direct["amp"], 0.4 * room(rng, 0.007))[: len(drum)]
        bleed = bleed + signal.oaconvolve(direct[other], 0.2 * room(rng, 0.005))[: len(drum)]
        heard[name] = direct[name] + bleed
    return {**{f"own {name}": sound for name, sound in direct.items()}, **heard}
