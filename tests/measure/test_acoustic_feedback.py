"""Acoustic feedback is found, and held notes are left alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of the files under test
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from lanes import lane_here
from morningmix.analysis import cached
from morningmix.analysis.analyse import analyse
from morningmix.analysis.analysed import AnalysedTake
from morningmix.decide.findings import find_faults
from morningmix.measure.acoustic_feedback import FeedbackMeter, measure_feedback
from morningmix.model.measured import AcousticFeedback
from morningmix.model.recording import Recording, Take
from morningmix.storage.home import home_of
from morningmix.units import Block

RATE_HZ = 48_000
SECONDS = 20


def feedback_in(sound: Block, blocks: list[int] | None = None, rate_hz: int = RATE_HZ) -> tuple[AcousticFeedback, ...]:
    meter = FeedbackMeter(rate_hz)
    start = 0
    for length in [*(blocks or []), sound.shape[1]]:
        if start < sound.shape[1]:
            meter.update(sound[0, start : start + length])
        start += length
    return meter.result()


def note(f0_hz: float, seconds: float, rate_hz: int, harmonics: int = 10, vibrato_cents: float = 0.0) -> Block:
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    wobble = f0_hz * (2.0 ** (vibrato_cents / 1200.0) - 1.0) * np.sin(2.0 * np.pi * 5.5 * t)
    phase = 2.0 * np.pi * np.cumsum(f0_hz + wobble) / rate_hz
    sound = sum(np.sin(k * phase) / k for k in range(1, harmonics + 1))
    return np.asarray(0.2 * sound * np.minimum(1.0, 20.0 * (seconds - t)), np.float32)[None]


def voice_like(rate_hz: int = RATE_HZ, seed: int = 1) -> Block:
    """Sung notes with vibrato and rests over noise; the notes are at about -26 dBFS."""
    rng = np.random.default_rng(seed)
    sound = 0.003 * rng.standard_normal((1, SECONDS * rate_hz)).astype(np.float32)
    for at in range(0, SECONDS, 2):
        sung = note(rng.uniform(150.0, 500.0), 1.2, rate_hz, vibrato_cents=40.0)
        sound[:, at * rate_hz : at * rate_hz + sung.shape[1]] += 0.25 * sung
    return sound


def feedback_tone(hz: float, peak: float, seconds: float, rate_hz: int = RATE_HZ) -> NDArray[np.float32]:
    """Feedback tone that grows by 60 dB over a third of its length, then stays."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    grown = np.minimum(1.0, 10.0 ** (-3.0 * (1.0 - 3.0 * t / seconds)))
    return np.asarray(peak * grown * np.sin(2.0 * np.pi * hz * t), np.float32)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("hz", [310.0, 1_250.0, 3_900.0])
@pytest.mark.parametrize("peak", [0.316, 1.0])
def test_feedback_is_found_with_time_and_frequency(rate_hz: int, hz: float, peak: float) -> None:
    sound = voice_like(rate_hz)
    tone = feedback_tone(hz, peak, 1.5, rate_hz)
    start = round(7.3 * rate_hz)
    sound[0, start : start + len(tone)] += tone
    (found,) = feedback_in(np.clip(sound, -1.0, 1.0), rate_hz=rate_hz)
    assert found.hz == pytest.approx(hz, rel=0.005)
    # From before it is fully grown (at 7.8 s) to its end.
    assert 7.3 <= found.start_s < 7.8
    assert found.end_s == pytest.approx(8.8, abs=0.1)


@pytest.mark.parametrize(
    "music",
    [
        voice_like(),
        np.tile(note(440.0, 2.0, RATE_HZ), 10),
        np.tile(note(1_000.0, 2.0, RATE_HZ, harmonics=1), 10),
        np.pad(note(880.0, 2.0, RATE_HZ, harmonics=4), ((0, 0), (9 * RATE_HZ, 9 * RATE_HZ))),
        np.pad(note(880.0, 2.0, RATE_HZ, harmonics=1, vibrato_cents=30.0), ((0, 0), (9 * RATE_HZ, 9 * RATE_HZ))),
        np.pad(note(880.0, 0.3, RATE_HZ, harmonics=1), ((0, 0), (9 * RATE_HZ, 9 * RATE_HZ))),
        np.zeros((1, SECONDS * RATE_HZ), np.float32),
        np.random.default_rng(1).uniform(-0.5, 0.5, (2, SECONDS * RATE_HZ)).astype(np.float32),
    ],
    ids=["voice", "held notes", "always a tone", "one note", "vibrato alone", "a beep", "silence", "noise"],
)
def test_music_is_not_taken_for_feedback(music: Block) -> None:
    assert feedback_in(music) == ()


def test_short_sound_has_no_feedback() -> None:
    assert feedback_in(np.zeros((1, 100), np.float32)) == ()


@settings(max_examples=15, deadline=None)
@given(blocks=st.lists(st.integers(1, 200_000), max_size=8))
def test_any_cut_into_blocks_gives_the_same(blocks: list[int]) -> None:
    sound = SUNG_WITH_FEEDBACK
    assert feedback_in(sound, blocks) == WHOLE


SUNG_WITH_FEEDBACK = voice_like()
SUNG_WITH_FEEDBACK[0, 5 * RATE_HZ : 7 * RATE_HZ] += feedback_tone(2_100.0, 0.6, 2.0)
WHOLE = feedback_in(SUNG_WITH_FEEDBACK)
NOISE = 0.1 * np.random.default_rng(2).standard_normal(SECONDS * RATE_HZ)


def heard_with(folder: Path, role: str, other: NDArray[np.floating] = NOISE) -> AnalysedTake:
    tracks = folder / "tracks"
    tracks.mkdir(parents=True)
    soundfile.write(tracks / "a.wav", SUNG_WITH_FEEDBACK.T, RATE_HZ, subtype="PCM_24")
    soundfile.write(tracks / "b.wav", other.T, RATE_HZ, subtype="PCM_24")
    (tracks / "inputs.toml").write_text(
        f'[[input]]\nfile = "a.wav"\nname = "a"\nrole = "{role}"\n\n[[input]]\nfile = "b.wav"\nname = "b"\n'
        'role = "electric guitar"\n',
        encoding="utf-8",
    )
    return analyse(tracks, home_of(tracks, folder, folder / "home"), lane_here())[0]


def test_feedback_in_a_vocal_is_reported_and_left_out_of_its_level(tmp_path: Path) -> None:
    assert len(WHOLE) == 1
    heard = heard_with(tmp_path, "lead vocal")
    input_ = heard.inputs[0]
    assert input_.facts.feedback == WHOLE
    (finding,) = [
        found for found in find_faults(heard.inputs, heard.take, heard.measured, {}) if found.kind == "feedback"
    ]
    assert "at 0:05 (" in finding.says
    assert "2.1 kHz" in finding.says
    as_instrument = heard_with(tmp_path / "2", "keys").inputs[0]
    assert as_instrument.facts.slots.peaks[50:70].max() > 0.59
    assert input_.facts.slots.peaks.max() < 0.3
    assert input_.facts.peak_dbfs < 20.0 * np.log10(0.3)


def test_the_others_are_asked_for_the_tone_only_where_there_is_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[tuple[str, ...]] = []

    def measured(take: Take, recording: Recording) -> tuple[AcousticFeedback, ...]:
        asked.append(recording.files)
        return measure_feedback(take, recording)

    monkeypatch.setattr(cached, "measure_feedback", measured)
    heard = heard_with(tmp_path, "lead vocal", 0.5 * SUNG_WITH_FEEDBACK)
    assert [tone.also_in for tone in heard.inputs[0].facts.feedback] == [1]
    assert asked == [("a.wav",), ("b.wav",)]
    asked.clear()
    heard_with(tmp_path / "2", "keys")
    assert asked == []


def test_a_steady_tone_in_an_instrument_is_intended(tmp_path: Path) -> None:
    heard = heard_with(tmp_path, "keys")
    assert heard.inputs[0].facts.feedback == ()
    assert not [
        found for found in find_faults(heard.inputs, heard.take, heard.measured, {}) if found.kind == "feedback"
    ]


def test_a_tone_that_is_there_at_once_is_no_feedback() -> None:
    sound = voice_like()
    sound[0, 5 * RATE_HZ : 7 * RATE_HZ] += feedback_tone(1_300.0, 0.5, 6.0)[4 * RATE_HZ :]
    assert feedback_in(sound) == ()


def test_feedback_at_two_pitches_is_found_twice() -> None:
    sound = voice_like()
    for at_s, hz in ((5, 700.0), (7, 1_900.0)):
        sound[0, at_s * RATE_HZ : (at_s + 2) * RATE_HZ] += feedback_tone(hz, 0.5, 2.0)
    assert [round(one.hz, -1) for one in feedback_in(sound)] == [700.0, 1_900.0]


def test_a_quiet_tone_is_no_feedback() -> None:
    """Under -40 dBFS nobody hears it over a band."""
    for peak, found in ((0.008, False), (0.03, True)):
        sound = 0.01 * voice_like()
        sound[0, 5 * RATE_HZ : 6 * RATE_HZ] += feedback_tone(2_100.0, peak, 1.0)
        assert bool(feedback_in(sound)) == found


@pytest.mark.parametrize(("drift_hz_per_s", "found"), [(0.2, True), (4.0, False)])
def test_feedback_stands_still_to_a_hertz(drift_hz_per_s: float, found: bool) -> None:
    sound = voice_like()
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    envelope = 0.5 * np.minimum(1.0, 10.0 ** (-3.0 * (1.0 - 1.5 * t)))
    tone = envelope * np.sin(2.0 * np.pi * (900.0 * t + 0.5 * drift_hz_per_s * t**2))
    sound[0, 5 * RATE_HZ : 7 * RATE_HZ] += tone.astype(np.float32)
    assert bool(feedback_in(sound)) == found


def test_a_tone_that_grows_with_its_octave_is_a_note() -> None:
    for octave, found in ((0.0, True), (0.05, False)):
        sound = voice_like()
        for hz, level in ((900.0, 1.0), (1_800.0, octave)):
            sound[0, 5 * RATE_HZ : 7 * RATE_HZ] += level * feedback_tone(hz, 0.5, 2.0)
        assert bool(feedback_in(sound)) == found


# ---------------------------------------------------------------- held notes and planted feedback

LOW_HZ = 24_000


def wander(rng: np.random.Generator, frames: int, hz: float) -> NDArray[np.float64]:
    """A slow random curve of about unit size."""
    points = rng.standard_normal(max(4, round(frames / LOW_HZ * hz)))
    return np.interp(np.linspace(0, len(points) - 1, frames), np.arange(len(points)), points)


def held_note(rng: np.random.Generator, kind: str) -> NDArray[np.float64]:
    """A held note at a peak of about 1: its harmonics, pitch, breath and attack as of that kind of source."""
    frames = round(rng.uniform(0.8, 2.5) * LOW_HZ)
    t = np.arange(frames) / LOW_HZ
    lowest_hz, highest_hz, most_harmonics, wanders_cents = {
        "voice": (110.0, 880.0, 20, (0.0, 3.0, 8.0)),
        "flute": (262.0, 2_000.0, 4, (1.0, 3.0, 6.0)),
        "strings": (98.0, 1_200.0, 20, (0.0, 1.0, 3.0)),
        "whistle": (500.0, 3_000.0, 1, (5.0, 10.0)),
    }[kind]
    f0_hz = np.exp(rng.uniform(np.log(lowest_hz), np.log(highest_hz)))
    cents = rng.choice(wanders_cents) * wander(rng, frames, 8.0)
    cents += rng.choice([0.0, 0.0, 30.0]) * np.sin(2.0 * np.pi * 5.5 * t)
    phase = 2.0 * np.pi * np.cumsum(f0_hz * 2.0 ** (cents / 1200.0)) / LOW_HZ
    slope_db = {"voice": rng.uniform(-12.0, -8.0), "flute": -15.0, "strings": -6.0, "whistle": 0.0}[kind]
    orders = np.arange(1, 1 + min(most_harmonics, int(5_500.0 / f0_hz)))
    levels_db = slope_db * np.log2(orders) + np.where(orders > 1, rng.uniform(-5.0, 3.0, len(orders)), 0.0)
    sound = (10.0 ** (levels_db / 20.0)) @ np.sin(orders[:, None] * phase + rng.uniform(0.0, 6.0, (len(orders), 1)))
    sound += 0.01 * rng.standard_normal(frames)
    attack_s = rng.choice([0.02, 0.05, 0.1, 0.3])
    # At once, as an exponential, as half a cosine, or as an even swell in decibels after a soft beginning.
    rises = (
        np.minimum(1.0, t / attack_s),
        1.0 - np.exp(-2.0 * t / attack_s),
        0.5 - 0.5 * np.cos(np.pi * np.minimum(1.0, t / attack_s)),
        10.0 ** (-np.maximum(0.0, 1.0 - t / 0.5)) * np.minimum(1.0, t / 0.03),
    )
    return rises[rng.integers(4)] * sound * np.minimum(1.0, (t[-1] - t) / 0.1) / np.abs(sound).max()


def planted(rng: np.random.Generator) -> tuple[NDArray[np.float64], float]:
    """Feedback that grows by 80 dB until its loop clips, at a peak of 1, then dies away; and its frequency."""
    hz, db_per_s = np.exp(rng.uniform(np.log(280.0), np.log(4_500.0))), rng.choice([25.0, 50.0, 100.0, 180.0])
    lasts_s = 80.0 / db_per_s + rng.uniform(0.4, 1.5)
    t = np.arange(round((lasts_s + 0.3) * LOW_HZ)) / LOW_HZ
    amplitude = 10.0 ** ((db_per_s * t - 80.0) / 20.0)
    driven = np.minimum(amplitude, rng.choice([1.0, 1.5, 3.0])) * np.sin(2.0 * np.pi * hz * t)
    clipped = np.clip(driven, -1.0, 1.0) if rng.random() < 0.5 else np.tanh(driven)
    return clipped * 10.0 ** (-np.maximum(0.0, t - lasts_s) * 10.0), hz


def band(rng: np.random.Generator, seconds: float) -> NDArray[np.float64]:
    """What a vocal microphone picks up of a band: a singer's notes, chords and drums."""
    frames = round(seconds * LOW_HZ)
    sound = 0.003 * rng.standard_normal(frames)
    for _ in range(round(1.5 * seconds)):
        at = rng.integers(0, frames - LOW_HZ // 2)
        sung = held_note(rng, str(rng.choice(["voice", "strings"])))[: frames - at]
        sound[at : at + len(sung)] += 10.0 ** (rng.uniform(-36.0, -20.0) / 20.0) * sung
        hit = rng.standard_normal(LOW_HZ // 8) * np.exp(-np.arange(LOW_HZ // 8) / 600.0)
        sound[at : at + len(hit)] += 0.06 * hit
    return sound


@pytest.mark.parametrize("kind", ["voice", "flute", "strings", "whistle"])
def test_no_held_note_is_taken_for_feedback(kind: str) -> None:
    rng = np.random.default_rng(40)
    music = band(rng, 6.0)
    for number in range(20):
        sung = held_note(rng, kind)
        behind = np.roll(music, rng.integers(len(music))) if number % 2 else 1e-3 * rng.standard_normal(len(music))
        sound = behind.copy()
        sound[2 * LOW_HZ : 2 * LOW_HZ + len(sung)] += 10.0 ** (rng.uniform(-24.0, -2.0) / 20.0) * sung
        found = feedback_in(np.asarray(sound[None], np.float32), rate_hz=LOW_HZ)
        assert found == (), f"note {number}"


def test_eleven_of_twelve_planted_tones_are_found_under_music() -> None:
    rng = np.random.default_rng(41)
    music = band(rng, 10.0)
    missed = 0
    for _ in range(24):
        tone, hz = planted(rng)
        sound = np.roll(music, rng.integers(len(music)))
        sound[2 * LOW_HZ : 2 * LOW_HZ + len(tone)] += 10.0 ** (rng.uniform(-14.0, -1.0) / 20.0) * tone
        found = feedback_in(np.asarray(np.clip(sound, -1.0, 1.0)[None], np.float32), rate_hz=LOW_HZ)
        missed += not any(abs(one.hz - hz) < 2.0 for one in found)
    assert missed <= 2
