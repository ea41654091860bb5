"""Acoustic feedback is found, music is left alone, and feedback is kept out of measurements and the mix."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of the files under test
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from morningmix.analysis.analyse import analyse
from morningmix.analysis.analysed import AnalysedTake
from morningmix.decide.findings import find_faults
from morningmix.measure.faults import FeedbackMeter
from morningmix.model.measured import AcousticFeedback
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


def heard_with(folder: Path, role: str) -> AnalysedTake:
    tracks = folder / "tracks"
    tracks.mkdir(parents=True)
    soundfile.write(tracks / "a.wav", SUNG_WITH_FEEDBACK.T, RATE_HZ, subtype="PCM_24")
    soundfile.write(tracks / "b.wav", 0.1 * np.random.default_rng(2).standard_normal(SECONDS * RATE_HZ), RATE_HZ)
    (tracks / "inputs.toml").write_text(
        f'[[input]]\nfile = "a.wav"\nname = "a"\nrole = "{role}"\n\n[[input]]\nfile = "b.wav"\nname = "b"\n'
        'role = "electric guitar"\n',
        encoding="utf-8",
    )
    return analyse(tracks, home_of(tracks, folder, folder / "home"), 1, lambda *_: None)[0]


def test_feedback_in_a_voice_is_reported_and_not_measured(tmp_path: Path) -> None:
    assert len(WHOLE) == 1
    heard = heard_with(tmp_path, "lead vocal")
    one = heard.inputs[0]
    assert one.facts.feedback == WHOLE
    (finding,) = [
        found for found in find_faults(heard.inputs, heard.take, heard.measured, {}) if found.kind == "feedback"
    ]
    assert "at 0:05." in finding.says
    assert "2.1 kHz" in finding.says
    as_instrument = heard_with(tmp_path / "2", "keys").inputs[0]
    assert as_instrument.facts.slots.peaks[50:70].max() > 0.59
    assert one.facts.slots.peaks.max() < 0.3
    assert one.facts.peak_dbfs < 20.0 * np.log10(0.3)


def test_a_steady_tone_in_an_instrument_is_intended(tmp_path: Path) -> None:
    heard = heard_with(tmp_path, "keys")
    assert heard.inputs[0].facts.feedback == ()
    assert not [
        found for found in find_faults(heard.inputs, heard.take, heard.measured, {}) if found.kind == "feedback"
    ]
