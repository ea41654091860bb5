"""Builds the demo: an invented band plays an original tune in a modelled room, recorded input by input.

    python build_demo.py --soundfont FluidR3_GM.sf2 [--truth FOLDER]

Needs, beside numpy, scipy and soundfile: mido, pyworld and pyroomacoustics from PyPI, and the commands fluidsynth and
espeak-ng with a General MIDI soundfont. None of them is needed to run morningmix. Everything random is seeded.

What each microphone hears is every source through the room (image sources, cardioid microphones); voices and piano also
come back from two loudspeakers. The recorder taps after the preamp gain: no fader, no equaliser, no reverb.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import mido
import numpy as np
import pyroomacoustics as pra
import pyworld
import soundfile  # noqa: TID251 - this script stands by itself
from numpy.typing import NDArray
from pyroomacoustics.directivities import Cardioid, DirectionVector
from scipy import signal
from scipy.io import wavfile

Sound = NDArray[np.float64]

RATE_HZ = 44_100
BPM = 104.0
BEAT_S = 60.0 / BPM
LEAD_IN_S = 0.8
LAST_BEAT = 66.5
RING_S = 5.0
SEED = 20

VERSE, CHORUS, ENDING = 12.0, 36.0, 60.0
"""First beats of the sections; before the verse come four stick clicks and two bars of intro."""

CHORDS: tuple[tuple[float, str], ...] = (
    (4.0, "D"), (6.0, "A"), (8.0, "Bm"), (10.0, "G"),
    (12.0, "D"), (16.0, "A"), (20.0, "Bm"), (24.0, "G"), (28.0, "D"), (30.0, "A"), (32.0, "G"),
    (36.0, "G"), (40.0, "D"), (44.0, "A"), (48.0, "Bm"), (52.0, "G"), (54.0, "A"), (56.0, "D"),
    (60.0, "D"),
)  # fmt: skip
TONES = {"D": (50, 57, 62, 66), "A": (45, 57, 61, 64), "Bm": (47, 54, 62, 66), "G": (43, 55, 59, 62)}

# Words, first beat, length in beats, pitch (MIDI). Tune and words are our own.
LEAD: tuple[tuple[str, float, float, int], ...] = (
    ("the", 11.5, 0.5, 66), ("last", 12.0, 1.0, 69), ("bus", 13.0, 1.0, 69), ("left", 14.0, 1.4, 66),
    ("we", 15.5, 0.5, 64), ("took", 16.0, 1.0, 64), ("the", 17.0, 0.5, 64), ("long", 17.5, 1.0, 66),
    ("way", 18.5, 1.0, 66), ("home", 19.5, 2.4, 62),
    ("your", 23.5, 0.5, 62), ("coat", 24.0, 1.0, 67), ("was", 25.0, 0.5, 66), ("blue", 25.5, 1.8, 67),
    ("the", 27.5, 0.5, 66), ("lamps", 28.0, 1.0, 69), ("were", 29.0, 0.9, 66), ("low", 30.0, 3.0, 64),
    ("hold", 36.0, 1.0, 71), ("on", 37.0, 2.2, 69), ("hold", 40.0, 1.0, 69), ("on", 41.0, 2.2, 66),
    ("the", 43.5, 0.5, 66), ("night", 44.0, 1.0, 69), ("is", 45.0, 0.5, 69), ("not", 45.5, 1.0, 67),
    ("done", 46.5, 1.4, 64),
    ("sing", 48.0, 1.0, 71), ("to", 49.0, 0.5, 71), ("the", 49.5, 0.5, 69), ("rain", 50.0, 1.9, 66),
    ("till", 52.0, 1.0, 67), ("the", 53.0, 0.9, 67), ("day", 54.0, 1.0, 69), ("has", 55.0, 0.9, 69),
    ("come", 56.0, 3.4, 66),
)  # fmt: skip
HARMONY: tuple[tuple[str, float, float, int], ...] = (
    ("hold", 36.0, 1.0, 62), ("on", 37.0, 2.2, 62), ("hold", 40.0, 1.0, 66), ("on", 41.0, 2.2, 62),
    ("sing", 48.0, 1.0, 66), ("to", 49.0, 0.5, 66), ("the", 49.5, 0.5, 66), ("rain", 50.0, 1.9, 62),
    ("come", 56.0, 3.4, 62),
)  # fmt: skip
"""Joins the lead where the lines repeat and at the end, on tones of the chord; sung an octave lower."""
TRUMPET: tuple[tuple[float, float, int], ...] = (
    (8.0, 0.9, 66), (9.0, 0.9, 69), (10.0, 1.8, 71),
    (21.9, 0.5, 69), (22.4, 0.5, 71), (22.9, 0.9, 74),
    (33.0, 0.5, 71), (33.5, 0.5, 74), (34.0, 1.6, 67),
    (39.2, 0.35, 71), (39.6, 0.35, 74), (43.0, 0.5, 69), (51.9, 0.4, 66),
    (59.0, 0.5, 66), (59.5, 0.5, 69), (60.0, 3.6, 74),
)  # fmt: skip

Note = tuple[float, float, int, int]
"""Beat, length in beats, key, velocity."""


# ---------------------------------------------------------------- the parts


def chord_at(beat: float) -> str:
    """The chord that sounds at a beat."""
    return [name for start, name in CHORDS if start <= beat + 1e-6][-1]


def drum_parts(rng: np.random.Generator) -> dict[str, list[Note]]:
    """Kick, snare, and cymbals with toms and sticks, by General MIDI percussion keys."""
    kick: list[Note] = []
    snare: list[Note] = []
    cymbals: list[Note] = [(float(beat), 0.2, 31, 112) for beat in range(4)]
    for bar in range(1, 15):
        start = 4.0 * bar
        chorus = start >= CHORUS
        fill = bar in (8, 14)
        pattern = (0.0, 1.5, 2.0, 3.5) if chorus else (0.0, 2.0, 2.5) if bar % 2 else (0.0, 1.5, 2.5)
        kick += [(start + beat, 0.3, 36, 104 if beat in (0.0, 2.0) else 90) for beat in pattern]
        snare += [(start + beat, 0.3, 38, 108 if chorus else 98) for beat in ((1.0,) if fill else (1.0, 3.0))]
        if not fill:
            snare += [(start + beat, 0.2, 38, 34) for beat in (1.75, 2.75) if rng.random() < 0.6]
        else:
            snare += [(start + 2.0 + 0.25 * k, 0.2, 38, 66 + 8 * k) for k in range(4)]
            cymbals += [(start + 3.0 + 0.25 * k, 0.4, key, 100) for k, key in enumerate((48, 47, 45, 43))]
        hat = 46 if chorus and bar % 2 else 42
        cymbals += [(start + 0.5 * k, 0.3, hat, 84 if k % 2 == 0 else 62) for k in range(4 if fill else 8)]
    cymbals += [(beat, 3.0, 49, 104) for beat in (4.0, CHORUS, 48.0, ENDING)]
    kick.append((ENDING, 0.5, 36, 112))
    snare.append((ENDING, 0.5, 38, 110))
    return {"kick": kick, "snare": snare, "cymbals": cymbals}


def bass_part(kicks: Sequence[Note]) -> list[Note]:
    """Roots with the kick, and a fifth before the bar line."""
    part: list[Note] = []
    beats = sorted({note[0] for note in kicks} | {4.0 * bar + 3.0 for bar in range(1, 15)})
    for beat, after in zip(beats, [*beats[1:], LAST_BEAT], strict=True):
        root = TONES[chord_at(beat)][0] - 12
        key = root + (7 if beat % 4.0 == 3.0 else 0)
        part.append((beat, min(after - beat, 1.4) * 0.92 if beat < ENDING else 6.0, key, 96))
    return part


def guitar_part() -> list[Note]:
    """Eighths on three strings: muted in the verse, open in the chorus."""
    part: list[Note] = []
    for eighth in range(8, 120):
        beat = eighth / 2.0
        chorus = beat >= CHORUS
        if not chorus and eighth % 8 in (0, 5):
            continue
        keys = TONES[chord_at(beat)][1:] if chorus else TONES[chord_at(beat)][1:3]
        length, velocity = (0.46, 92 if eighth % 2 == 0 else 76) if chorus else (0.22, 74)
        part += [(beat + 0.012 * string, length, key, velocity) for string, key in enumerate(keys)]
    return part + [(ENDING + 0.015 * k, 6.2, key, 100) for k, key in enumerate(TONES["D"])]


def piano_part() -> list[Note]:
    """Held chords, with a push before the next."""
    part: list[Note] = []
    ends = [start for start, _ in CHORDS[1:]] + [LAST_BEAT]
    for (start, name), end in zip(CHORDS, ends, strict=True):
        keys = [key + 12 for key in TONES[name][1:]]
        part += [(start, (end - start) * 0.8, key, 70) for key in keys]
        if end - start >= 4.0 and start < ENDING:
            part += [(start + 2.5, 1.2, key, 58) for key in keys[1:]]
    return part


def humanised(part: Sequence[Note], rng: np.random.Generator, late_s: float = 0.0) -> list[Note]:
    """Hands are not clocks: some 7 ms and some velocity off, and a player's own lateness."""
    return [
        (
            max(0.0, beat + (late_s + rng.normal(0.0, 0.007)) / BEAT_S),
            length,
            key,
            int(np.clip(velocity + rng.normal(0.0, 5.0), 1, 127)),
        )
        for beat, length, key, velocity in part
    ]


# ---------------------------------------------------------------- sounds


def frames_of(seconds: float) -> int:
    """Seconds in frames."""
    return round(seconds * RATE_HZ)


TAKE_FRAMES = frames_of(LEAD_IN_S + ENDING * BEAT_S + RING_S)


def fluid(part: Sequence[Note], program: int, soundfont: Path, *, drums: bool = False) -> Sound:
    """A part played by the soundfont, dry: ``(2, frames)``."""
    file = mido.MidiFile(ticks_per_beat=960)
    track = mido.MidiTrack()
    file.tracks.append(track)
    channel = 9 if drums else 0
    track.append(mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(BPM)))
    track.append(mido.Message("program_change", program=program, channel=channel))
    lead = LEAD_IN_S / BEAT_S
    events = [(lead + beat, "note_on", key, velocity) for beat, _, key, velocity in part]
    events += [(lead + beat + length, "note_off", key, 0) for beat, length, key, _ in part]
    now = 0
    for beat, kind, key, velocity in sorted(events, key=lambda event: (event[0], event[1])):
        tick = round(960 * beat)
        track.append(mido.Message(kind, note=key, velocity=velocity, channel=channel, time=tick - now))
        now = tick
    with tempfile.TemporaryDirectory() as folder:
        midi, wav = Path(folder) / "part.mid", Path(folder) / "part.wav"
        file.save(midi)
        options = ["-n", "-i", "-q", "-R", "0", "-C", "0", "-g", "0.5", "-r", str(RATE_HZ), "-F", str(wav)]
        subprocess.run(["fluidsynth", *options, str(soundfont), str(midi)], check=True, capture_output=True)
        sound, _ = soundfile.read(wav, always_2d=True)
    return fitted(sound.T)


def fitted(sound: Sound) -> Sound:
    """Cut or padded to the length of the take, the end faded."""
    out = np.zeros((sound.shape[0], TAKE_FRAMES))
    count = min(TAKE_FRAMES, sound.shape[1])
    out[:, :count] = sound[:, :count]
    fade = frames_of(0.4)
    out[:, -fade:] *= np.linspace(1.0, 0.0, fade) ** 2
    return out


def dying_away(sound: Sound, falls_by_e_s: float) -> Sound:
    """The last chord falls as strings do; the soundfont's loop would stand still."""
    since_s = np.arange(len(sound)) / RATE_HZ - (LEAD_IN_S + ENDING * BEAT_S + 0.4)
    return np.asarray(sound * np.exp(-np.maximum(since_s, 0.0) / falls_by_e_s), dtype=np.float64)


def amplifier(sound: Sound, drive: float, top_hz: float) -> Sound:
    """A small valve amplifier and its loudspeaker: soft clipping, little under 80 Hz and above `top_hz`."""
    driven = np.tanh(drive * sound / rms_while_playing(sound)) / drive
    low_cut = signal.butter(2, 75.0, "highpass", fs=RATE_HZ, output="sos")
    high_cut = signal.butter(4, top_hz, "lowpass", fs=RATE_HZ, output="sos")
    return np.asarray(signal.sosfilt(high_cut, signal.sosfilt(low_cut, driven)), dtype=np.float64)


_FRAME_S = 0.005
_SHORTEST_VOWEL_S = 0.09
_ATTACK_S = 0.04


@dataclass(frozen=True, slots=True, kw_only=True)
class SpokenWord:
    """A spoken word, per 5 ms: ``(frames, bins)`` power spectra and noise shares, voicing, and where its vowel is."""

    spectrum: Sound
    noise: Sound
    voiced: NDArray[np.bool_]
    vowel_begin: int
    vowel_end: int


def spoken(word: str, voice: str) -> SpokenWord:
    """A word spoken by espeak-ng, taken apart by WORLD."""
    with tempfile.TemporaryDirectory() as folder:
        wav = Path(folder) / "word.wav"
        subprocess.run(["espeak-ng", "-v", voice, "-s", "125", "-p", "55", "-w", str(wav), word], check=True)
        sound, rate_hz = soundfile.read(wav)
    sound = signal.resample_poly(sound, RATE_HZ, rate_hz)
    loud = np.flatnonzero(np.abs(sound) > 0.01 * np.abs(sound).max())
    sound = np.ascontiguousarray(sound[max(0, loud[0] - 400) : loud[-1] + 800])
    f0, times = pyworld.harvest(sound, RATE_HZ, f0_floor=60.0, f0_ceil=500.0, frame_period=_FRAME_S * 1000.0)
    spectrum = pyworld.cheaptrick(sound, f0, times, RATE_HZ)
    noise = pyworld.d4c(sound, f0, times, RATE_HZ)
    voiced = f0 > 0.0
    # A vowel is what is voiced and strong above the hum of nasals.
    hz = np.linspace(0.0, RATE_HZ / 2.0, spectrum.shape[1])
    power = spectrum[:, (hz > 350.0) & (hz < 3500.0)].sum(axis=1) * voiced
    power = np.convolve(power, np.hanning(9)[1:-1] / np.hanning(9).sum(), mode="same")
    weak = np.flatnonzero(power < 0.15 * power.max())
    peak = int(np.argmax(power))
    begin = int(weak[weak < peak].max(initial=-1)) + 1
    end = int(weak[weak > peak].min(initial=len(power)))
    return SpokenWord(spectrum=spectrum, noise=noise, voiced=voiced, vowel_begin=begin, vowel_end=end)


def stretched(word: SpokenWord, want: int) -> Sound:
    """Which place of the word sounds in each of `want` frames: consonants at their own pace, the vowel as needed.

    Its attack keeps its pace, so that it speaks on the beat, and its last third, so that a
    diphthong is held on its first half, as singers do.
    """
    begin, end, have = word.vowel_begin, word.vowel_end, len(word.voiced)
    room = max(want - begin, 1)
    vowel = max(room - (have - end), min(round(_SHORTEST_VOWEL_S / _FRAME_S), room))
    attack = min(begin + round(_ATTACK_S / _FRAME_S), end)
    knee = max(end - (end - begin) // 3, attack)
    if vowel > end - begin:
        held = np.linspace(attack, knee, vowel - (attack - begin) - (end - knee), endpoint=False)
        middle = np.concatenate(
            (np.arange(begin, attack, dtype=np.float64), held, np.arange(knee, end, dtype=np.float64))
        )
    else:
        middle = np.linspace(begin, end, vowel, endpoint=False)
    close = np.linspace(end, have - 1, room - vowel) if room > vowel else np.zeros(0)
    return np.concatenate((np.arange(begin, dtype=np.float64), middle, close))[:want]


def between(frames: Sound, places: Sound) -> Sound:
    """Frames ``(frames, bins)`` at places between them."""
    first = np.minimum(places.astype(np.intp), len(frames) - 1)
    second = np.minimum(first + 1, len(frames) - 1)
    part = (places - first)[:, None]
    return np.ascontiguousarray((1.0 - part) * frames[first] + part * frames[second])


def sung(words: Sequence[tuple[str, float, float, int]], voice: str, octave: int, rng: np.random.Generator) -> Sound:
    """Spoken words on a melody: vowels on the beat and stretched to the notes, pitch with glide and vibrato."""
    out = np.zeros(TAKE_FRAMES)
    said = {text: spoken(text, voice) for text in sorted({text for text, *_ in words})}
    # The vowel, not the consonant before it, is sung on the beat.
    vowels_s = [LEAD_IN_S + beat * BEAT_S + rng.normal(0.004, 0.008) for _, beat, _, _ in words]
    starts_s = [at - said[text].vowel_begin * _FRAME_S for at, (text, *_) in zip(vowels_s, words, strict=True)]
    last_hz = 0.0
    for (text, beat, length, key), vowel_s, start_s, next_s in zip(
        words, vowels_s, starts_s, [*starts_s[1:], np.inf], strict=True
    ):
        word = said[text]
        end_s = min(LEAD_IN_S + (beat + length) * BEAT_S, next_s + 0.01)
        places = stretched(word, round((end_s - start_s) / _FRAME_S))
        hz = 440.0 * 2.0 ** ((key + octave - 69) / 12.0)
        sung_s = np.arange(len(places)) * _FRAME_S - (vowel_s - start_s)
        glide = float(np.clip(12.0 * np.log2((last_hz or hz * 0.94) / hz), -3.0, 3.0))
        cents = 100.0 * glide * np.exp(-np.maximum(sung_s, 0.0) / 0.035)
        cents += 28.0 * np.clip((sung_s - 0.25) / 0.3, 0.0, 1.0) * np.sin(2.0 * np.pi * 5.4 * sung_s + rng.random())
        cents += 6.0 * np.cumsum(rng.normal(0.0, 0.12, len(places)))
        melody = np.where(word.voiced[np.round(places).astype(np.intp)], hz * 2.0 ** (cents / 1200.0), 0.0)
        spectrum, noise = between(word.spectrum, places), between(word.noise, places)
        note = pyworld.synthesize(melody, spectrum, noise, RATE_HZ, _FRAME_S * 1000.0)
        note[: frames_of(0.004)] *= np.linspace(0.0, 1.0, frames_of(0.004))
        note[-frames_of(0.015) :] *= np.linspace(1.0, 0.0, frames_of(0.015))
        vowel = note[frames_of(vowel_s - start_s) :]
        note *= 0.1 / rms_while_playing(vowel) * 10.0 ** (rng.normal(0.0, 0.8) / 20.0)
        start = frames_of(start_s)
        out[start : start + len(note)] += note[: TAKE_FRAMES - start]
        last_hz = hz
    return out


# ---------------------------------------------------------------- the room

ROOM_M = (5.6, 4.3, 2.5)
RT60_S = 0.32
SOURCES_M: dict[str, tuple[float, float, float]] = {
    "kick": (2.7, 3.5, 0.35), "snare": (2.4, 3.6, 0.75), "cymbals": (2.8, 3.6, 1.15),
    "bass": (1.3, 3.7, 0.4), "guitar": (0.5, 2.2, 0.45), "trumpet": (4.6, 2.0, 1.45),
    "lead": (1.9, 1.3, 1.6), "harmony": (3.6, 1.2, 1.6), "left": (0.4, 0.4, 1.7), "right": (5.2, 0.4, 1.7),
}  # fmt: skip
MICROPHONES_M: dict[str, tuple[tuple[float, float, float], float, float]] = {
    "kick": ((2.7, 3.2, 0.35), 90.0, 90.0), "snare": ((2.36, 3.5, 0.83), 70.0, 125.0),
    "overhead": ((2.65, 3.55, 2.0), 0.0, 180.0), "guitar": ((0.58, 2.2, 0.45), 180.0, 90.0),
    "trumpet": ((4.35, 1.9, 1.42), 20.0, 90.0),
    "lead": ((1.9, 1.36, 1.58), 270.0, 90.0), "harmony": ((3.6, 1.26, 1.58), 270.0, 90.0),
}  # fmt: skip
"""Place, and where it points: azimuth and colatitude in degrees (180: straight down)."""
LEVELS_DB = {
    "kick": 101.0, "snare": 101.0, "cymbals": 96.0, "bass": 97.0, "guitar": 97.0, "trumpet": 92.0,
    "lead": 86.0, "harmony": 84.0,
}  # fmt: skip
"""Sound level at one metre while it plays (common practice, no source)."""
LOUDSPEAKERS_DB = {"lead": 91.0, "harmony": 89.0, "piano": 88.0}


def responses() -> dict[tuple[str, str], Sound]:
    """Impulse response from every source to every microphone."""
    absorption, order = pra.inverse_sabine(RT60_S, ROOM_M)
    room = pra.ShoeBox(ROOM_M, fs=RATE_HZ, materials=pra.Material(absorption), max_order=min(order, 12))
    for place in SOURCES_M.values():
        room.add_source(list(place))
    patterns = [
        Cardioid(orientation=DirectionVector(azimuth=azimuth, colatitude=colatitude, degrees=True))
        for _, azimuth, colatitude in MICROPHONES_M.values()
    ]
    room.add_microphone_array(np.array([place for place, _, _ in MICROPHONES_M.values()]).T, directivity=patterns)
    room.compute_rir()
    return {
        (microphone, source): np.asarray(room.rir[i][k])
        for i, microphone in enumerate(MICROPHONES_M)
        for k, source in enumerate(SOURCES_M)
    }


def rms_while_playing(sound: Sound) -> float:
    """Effective value over the 50 ms pieces within 30 dB of the loudest."""
    size = RATE_HZ // 20
    power = np.mean(sound[: len(sound) // size * size].reshape(-1, size) ** 2, axis=1)
    return float(np.sqrt(np.mean(power[power > power.max() * 1e-3])))


def at_level(sound: Sound, level_db: float) -> Sound:
    """Scaled so that 94 dB is an effective value of 1."""
    gain: float = 10.0 ** ((level_db - 94.0) / 20.0) / rms_while_playing(sound)
    return sound * gain


def recorded(dry: Mapping[str, Sound]) -> tuple[dict[str, Sound], dict[str, Sound]]:
    """What each microphone hears, and of that its own source alone."""
    paths = responses()
    heard = {name: np.zeros(TAKE_FRAMES) for name in MICROPHONES_M}
    own = {name: np.zeros(TAKE_FRAMES) for name in MICROPHONES_M}
    kit = ("kick", "snare", "cymbals")

    def play(sound: Sound, place: str, source: str) -> None:
        for name in MICROPHONES_M:
            image = signal.oaconvolve(sound, paths[name, place])[:TAKE_FRAMES]
            heard[name] += image
            if source == name or (source in kit and name in ("kick", "snare", "overhead")):
                own[name] += image

    for source, level_db in LEVELS_DB.items():
        play(at_level(dry[source], level_db), source, source)
    for source, level_db in LOUDSPEAKERS_DB.items():
        for place in ("left", "right"):
            play(at_level(dry[source], level_db - 3.0), place, source)
    return heard, own


# ---------------------------------------------------------------- the desk

INPUTS: tuple[tuple[str, str, str, str], ...] = (
    ("kick", "kick", "kick", "Orla"),
    ("snare", "snare", "snare", "Orla"),
    ("overhead", "overhead", "overhead", "Orla"),
    ("bass", "bass", "bass", "Tamsin"),
    ("guitar", "guitar", "electric guitar", "Bram"),
    ("piano", "electric piano", "keys", "Ivo"),
    ("trumpet", "trumpet", "brass", "Joss"),
    ("lead", "lead vocal", "lead vocal", "Mirela"),
    ("harmony", "harmony vocal", "backing vocal", "Ivo"),
    ("spare", "spare", "other", ""),
)
"""Key, name, role and player, in the order of the desk's inputs."""
PEAKS_DBFS = {
    "kick": -9.0, "overhead": -12.0, "bass": -41.0, "guitar": -11.0, "piano": -14.0, "trumpet": -13.0,
    "lead": -10.0, "harmony": -12.0,
}  # fmt: skip
SNARE_OVER_DB = 4.5
"""The snare's loudest hit would need this much more room than there is."""
HISS_DBFS = -92.0


def write_take(
    heard: Mapping[str, Sound], own: Mapping[str, Sound], folder: Path, truth: Path | None, rng: np.random.Generator
) -> None:
    """Preamp gains, hiss, 16 bits, FLAC; the truth, if wanted, in the same scale."""
    folder.mkdir(parents=True, exist_ok=True)
    names: dict[str, str] = {}
    roles: dict[str, str] = {}
    for number, (key, name, role, _) in enumerate(INPUTS, 1):
        file = f"input-{number:02d}"
        names[name], roles[name] = f"{file}.wav", role
        if key == "spare":
            sound, image = np.zeros((TAKE_FRAMES, 1)), np.zeros((TAKE_FRAMES, 1))
        else:
            sound, image = np.atleast_2d(heard[key]).T, np.atleast_2d(own[key]).T
            peak_db = SNARE_OVER_DB if key == "snare" else PEAKS_DBFS[key]
            # A single plosive or overtone must not set the gain.
            gain = 10.0 ** (peak_db / 20.0) / float(np.percentile(np.abs(sound), 99.999))
            sound, image = sound * gain, image * gain
            sound = sound + rng.normal(0.0, 10.0 ** (HISS_DBFS / 20.0), sound.shape)
        samples = np.clip(np.round(sound * 32768.0), -32768, 32767).astype(np.int16)
        soundfile.write(folder / f"{file}.flac", samples, RATE_HZ, subtype="PCM_16")
        if truth is not None:
            truth.mkdir(parents=True, exist_ok=True)
            # soundfile would write the time of day into a float file.
            wavfile.write(truth / f"{file}.wav", RATE_HZ, image.astype(np.float32))
    if truth is not None:
        facts: dict[str, Any] = {"rate_hz": RATE_HZ, "files": names, "roles": roles}
        (truth / "truth.json").write_text(json.dumps(facts, indent=1), encoding="utf-8")
    (folder / "inputs.toml").write_text(input_list(), encoding="utf-8")


def input_list() -> str:
    """The band's input list."""
    lines = ["# Who stands at which input. morningmix looks for this file beside the tracks."]
    for number, (_, name, role, player) in enumerate(INPUTS, 1):
        lines += ["", "[[input]]", f'file = "input-{number:02d}.flac"', f'name = "{name}"', f'role = "{role}"']
        lines += [f'player = "{player}"'] if player else []
    return "\n".join(lines) + "\n"


def build(folder: Path, soundfont: Path, truth: Path | None) -> None:
    """All of it."""
    rng = np.random.default_rng(SEED)
    written = drum_parts(rng)
    drums = {name: humanised(part, rng) for name, part in written.items()}
    dry: dict[str, Sound] = {name: fluid(part, 0, soundfont, drums=True).mean(axis=0) for name, part in drums.items()}
    bass = fluid(humanised(bass_part(written["kick"]), rng, 0.004), 33, soundfont).mean(axis=0)
    dry["bass"] = amplifier(bass, 0.5, 4500.0)
    guitar = fluid(humanised(guitar_part(), rng, -0.003), 27, soundfont).mean(axis=0)
    dry["guitar"] = dying_away(amplifier(guitar, 1.4, 5000.0), 1.5)
    trumpet = [(beat, length, key, 96) for beat, length, key in TRUMPET]
    dry["trumpet"] = fluid(humanised(trumpet, rng, 0.006), 56, soundfont).mean(axis=0)
    piano = fluid(humanised(piano_part(), rng, 0.002), 4, soundfont)
    dry["piano"] = piano.mean(axis=0)
    dry["lead"] = sung(LEAD, "en-us+f2", 0, rng)
    dry["harmony"] = sung(HARMONY, "en-us+m3", -12, rng)
    heard, own = recorded(dry)
    heard |= {"bass": bass, "piano": piano}
    own |= {"bass": bass, "piano": piano}
    write_take(heard, own, folder, truth, rng)


def main() -> None:
    """Parse the command line and build."""
    parser = argparse.ArgumentParser(description="Build the demo.")
    parser.add_argument("--soundfont", type=Path, default=Path("/usr/share/sounds/sf2/FluidR3_GM.sf2"))
    parser.add_argument("--out", type=Path, default=Path(__file__).parent / "shed-night")
    parser.add_argument("--truth", type=Path, help="also write what each input would have heard of its own source")
    arguments = parser.parse_args()
    build(arguments.out, arguments.soundfont, arguments.truth)


if __name__ == "__main__":
    main()
