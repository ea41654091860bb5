"""A tiny invented band that plays together in one room, for tests: every input of its desk as a WAV file.

Simple enough to know by heart: 120 beats a minute, kick on one and three, snare on two and four, cymbals on eighths;
two guitars, a bass, and two singers who sing in turn, together for a moment, and rest otherwise. The drums reach the
voice microphones 3 dB under the voice in front of them (mean power of all drums against the voice while it sings).
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import soundfile  # noqa: TID251 - an outside writer of the files under test
from numpy.typing import NDArray
from scipy import signal

from morningmix.model.slots import Slots

Sound = NDArray[np.float64]

NAMES = ("kick", "snare", "overhead", "bass", "guitar 1", "guitar 2", "lead vocal", "backing vocal")
ROLES = {
    "kick": "kick",
    "snare": "snare",
    "overhead": "overhead",
    "bass": "bass",
    "guitar 1": "electric guitar",
    "guitar 2": "electric guitar",
    "lead vocal": "lead vocal",
    "backing vocal": "backing vocal",
}
SINGERS = ("lead vocal", "backing vocal")
DRUMS_RE_VOICE_DB = -3.0

_CYCLE_S = 3.0
_SUNG_S = {"lead vocal": (0.4, 1.6), "backing vocal": (1.3, 2.3)}
"""Stretch of each cycle in which a singer sings; from 1.3 to 1.6 s both do, from 2.3 s on nobody."""


def write_take(folder: Path, seconds: float = 6.0, rate_hz: int = 48_000, seed: int = 1) -> dict[str, str]:
    """Write the take as 24-bit WAV files into `folder`, which is made if need be; returns name -> file name."""
    folder.mkdir(parents=True, exist_ok=True)
    files = {name: f"{name}.wav" for name in NAMES}
    for name, sound in band(seconds, rate_hz, seed).items():
        soundfile.write(folder / files[name], sound, rate_hz, subtype="PCM_24")
    return files


def sung(name: str, seconds: float) -> list[tuple[float, float]]:
    """Stretches in which a singer sings, in seconds."""
    start, end = _SUNG_S[name]
    cycles = range(int(np.ceil(seconds / _CYCLE_S)))
    return [(c * _CYCLE_S + start, min(c * _CYCLE_S + end, seconds)) for c in cycles if c * _CYCLE_S + start < seconds]


def band(seconds: float, rate_hz: int, seed: int, resting: str = "") -> dict[str, Sound]:
    """What each input hears, bleed included: name -> ``(frames,)``, peaks under full scale.

    `resting` is a singer who never sings; the microphone stays open.
    """
    rng = np.random.default_rng(seed)
    frames = round(seconds * rate_hz)
    own = sources(seconds, rate_hz, seed)
    if resting:
        own[resting] *= 0.0
    drums = own["kick"] + own["snare"] + own["cymbals"]
    hiss = {name: 2e-5 * rng.standard_normal(frames) for name in NAMES}
    heard = {
        "kick": own["kick"] + 0.02 * _far(drums, rate_hz, rng),
        "snare": own["snare"] + 0.02 * _far(drums, rate_hz, rng),
        "overhead": 0.5 * own["kick"] + 0.7 * own["snare"] + own["cymbals"],
        "bass": own["bass"],
        "guitar 1": own["guitar 1"] + 0.01 * _far(drums, rate_hz, rng),
        "guitar 2": own["guitar 2"] + 0.01 * _far(drums, rate_hz, rng),
    }
    for name in SINGERS:
        voice = own[name]
        bleed = _far(drums, rate_hz, rng)
        bleed *= np.sqrt(_power_while_sung(voice) / np.mean(bleed**2)) * 10.0 ** (DRUMS_RE_VOICE_DB / 20.0)
        amplifiers = 0.03 * _far(own["guitar 1"] + own["guitar 2"] + own["bass"], rate_hz, rng)
        others = sum((0.05 * _far(own[other], rate_hz, rng) for other in SINGERS if other != name), np.zeros(frames))
        heard[name] = voice + bleed + amplifiers + others
    return {name: 0.5 * (heard[name] + hiss[name]) / max(1.0, np.abs(heard[name]).max()) for name in NAMES}


def sources(seconds: float, rate_hz: int, seed: int) -> dict[str, Sound]:
    """Every source by itself: name -> ``(frames,)``; the overhead's own are the cymbals."""
    rng = np.random.default_rng((seed, 1))
    frames = round(seconds * rate_hz)
    eighths = np.arange(0.0, seconds, 0.25)
    return {
        "kick": _hits(eighths[0::4], _drum(rate_hz, 0.25, 60.0, 0.05, rng), frames, rate_hz),
        "snare": _hits(eighths[2::4], _drum(rate_hz, 0.2, 200.0, 0.6, rng), frames, rate_hz),
        "cymbals": 0.4 * _hits(eighths, _cymbal(rate_hz, rng), frames, rate_hz),
        "bass": 0.3 * _notes([55.0, 73.4, 82.4, 65.4], 0.5, 6, 600.0, seconds, rate_hz),
        "guitar 1": 0.2 * _notes([220.0, 293.7, 329.6, 261.6], 0.25, 12, 2500.0, seconds, rate_hz),
        "guitar 2": 0.2 * _notes([146.8, 196.0, 220.0, 174.6], 0.5, 12, 2000.0, seconds, rate_hz),
        "lead vocal": _voice("lead vocal", 196.0, seconds, rate_hz, rng),
        "backing vocal": _voice("backing vocal", 294.0, seconds, rate_hz, rng),
    }


def _drum(rate_hz: int, length_s: float, pitch_hz: float, rattle: float, rng: np.random.Generator) -> Sound:
    t = np.arange(round(length_s * rate_hz)) / rate_hz
    skin = np.sin(2.0 * np.pi * pitch_hz * (t - 0.02 * np.exp(-t / 0.02)))
    return 0.7 * np.exp(-t / (length_s / 5.0)) * (skin + rattle * rng.standard_normal(len(t)))


def _cymbal(rate_hz: int, rng: np.random.Generator) -> Sound:
    t = np.arange(round(0.2 * rate_hz)) / rate_hz
    bright = signal.sosfilt(signal.butter(2, 3000.0, "highpass", fs=rate_hz, output="sos"), rng.standard_normal(len(t)))
    return 0.5 * np.exp(-t / 0.06) * bright


def _hits(times_s: Sound, hit: Sound, frames: int, rate_hz: int) -> Sound:
    train = np.zeros(frames)
    train[np.round(times_s * rate_hz).astype(int)] = 1.0
    return np.asarray(signal.fftconvolve(train, hit)[:frames])


def _notes(
    pitches_hz: list[float], length_s: float, partials: int, top_hz: float, seconds: float, rate_hz: int
) -> Sound:
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    hz = np.array(pitches_hz)[(t / length_s).astype(int) % len(pitches_hz)]
    phase = 2.0 * np.pi * np.cumsum(hz) / rate_hz
    tone = _harmonics(phase, [1.0 / k for k in range(1, partials + 1)])
    plucked = 0.3 + 0.7 * np.exp(-(t % length_s) / 0.3)
    return np.asarray(signal.sosfilt(signal.butter(4, top_hz, fs=rate_hz, output="sos"), tone * plucked))


def _voice(name: str, pitch_hz: float, seconds: float, rate_hz: int, rng: np.random.Generator) -> Sound:
    """Sung vowels with vibrato, breath up to the top of the band, exactly silent where the singer rests."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    phase = 2.0 * np.pi * (pitch_hz * t - 0.4 * np.cos(2.0 * np.pi * 5.5 * t))
    tone = _harmonics(phase, [k**-0.8 for k in range(1, 25)])
    breath = 0.25 * rng.standard_normal(len(t))
    sings = np.zeros(len(t))
    for start, end in sung(name, seconds):
        sings = np.maximum(sings, np.clip(np.minimum(t - start, end - t) / 0.03, 0.0, 1.0))
    syllables = 0.75 + 0.25 * np.sin(2.0 * np.pi * 4.0 * t)
    return 0.15 * sings * syllables * (tone + breath)


def _harmonics(phase: Sound, weights: Sequence[float]) -> Sound:
    """Sum of weights times sines of 1, 2, 3 ... times the phase."""
    turn = np.exp(1j * phase)
    total = np.zeros(len(phase), np.complex128)
    for weight in reversed(weights):
        total += weight
        total *= turn
    return total.imag


def _far(sound: Sound, rate_hz: int, rng: np.random.Generator) -> Sound:
    """The sound through the room: a few milliseconds late, with a short decaying answer."""
    late = int(rng.uniform(0.004, 0.01) * rate_hz)
    t = np.arange(round(0.3 * rate_hz)) / rate_hz
    room = 0.04 * rng.standard_normal(len(t)) * np.exp(-t / 0.05)
    room[0] = 1.0
    return np.concatenate([np.zeros(late), signal.fftconvolve(sound, room)])[: len(sound)]


def _power_while_sung(voice: Sound) -> float:
    sounding = voice[voice != 0.0]
    return float(np.mean(sounding**2)) if len(sounding) else 1e-2


def slots_of(bands: NDArray[np.float32], peaks: NDArray[np.float32], slots_per_spectrum: int = 1) -> Slots:
    """Slots of band powers ``(bands, slots)`` and peaks ``(slots,)``, some of them sharing a spectrum."""
    spectrum_of = np.arange(bands.shape[1]) // slots_per_spectrum
    count = -(-bands.shape[1] // slots_per_spectrum)
    spectra = [bands[:, spectrum_of == place].mean(axis=1) for place in range(count)]
    return Slots(
        powers=bands.sum(axis=0).astype(np.float32),
        peaks=peaks,
        spectra=np.array(spectra, np.float32).reshape(count, bands.shape[0]).T,
        spectrum_of=spectrum_of.astype(np.uint16),
    )
