"""Pieces of a song's page: as loud as they were, in step, at every quality; and how many parts fit."""

from __future__ import annotations

import io

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside reader of what was written

from morningmix.audio.encode import mp3_piece, wav_bytes
from morningmix.share.pieces import RUNGS, Rung, fits


@pytest.mark.parametrize("rung", RUNGS)
def test_a_piece_is_as_loud_as_its_sound(rung: Rung) -> None:
    at = np.arange(2 * rung.rate_hz) / rung.rate_hz
    tone = (0.2 * np.sin(2.0 * np.pi * 440.0 * at)).astype(np.float32)
    for channels in (1, 2):
        data = mp3_piece(np.tile(tone, (channels, 1)), rung.rate_hz, rung.quality(channels))
        sound, rate_hz = soundfile.read(io.BytesIO(data), always_2d=True)
        assert (rate_hz, sound.shape[1]) == (rung.rate_hz, channels)
        middle = sound[rate_hz // 2 : -rate_hz // 2]
        assert 20.0 * np.log10(np.sqrt(2.0 * np.square(middle).mean()) / 0.2) == pytest.approx(0.0, abs=0.15)


def test_a_room_keeps_its_level_at_another_rate() -> None:
    room = np.zeros((2, 4800), np.float32)
    room[0, 480:960] = 0.01
    room[1, 960:1440] = -0.02
    data, gain = wav_bytes(room, 48_000, 32_000)
    sound, rate_hz = soundfile.read(io.BytesIO(data))
    assert rate_hz == 32_000
    assert len(sound) == 3200
    assert sound[480, 0] * gain == pytest.approx(0.01, rel=0.02)
    assert sound[800, 1] * gain == pytest.approx(-0.02, rel=0.02)


def test_ten_inputs_of_five_minutes_fit_and_sixteen_do_not() -> None:
    assert fits(10, 0, 300.0)
    assert fits(10, 1, 300.0)
    assert not fits(16, 0, 300.0)
    assert fits(16, 0, 200.0)
