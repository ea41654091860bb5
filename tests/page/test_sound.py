"""Pieces of sound: they join to the whole, also where an input was cleaned or does not sound."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
import soundfile  # an outside writer and reader of the sound
from numpy.typing import NDArray

from morningmix.audio.takes import find_take
from morningmix.errors import UsageError
from morningmix.model.measured import Cleaned
from morningmix.model.recording import Recording, Take
from morningmix.model.slots import Slots
from morningmix.page.sound import cleaned_piece, piece_of, pieces_of

RATE_HZ = 8_000
SECONDS = 9.5


@pytest.fixture
def take(tmp_path: Path) -> Take:
    rng = np.random.default_rng(1)
    soundfile.write(tmp_path / "a.wav", rng.uniform(-1, 1, round(SECONDS * RATE_HZ)), RATE_HZ, subtype="PCM_16")
    soundfile.write(tmp_path / "b.wav", rng.uniform(-1, 1, (3 * RATE_HZ, 2)), RATE_HZ, subtype="PCM_16")
    soundfile.write(tmp_path / "c.wav", rng.uniform(-1, 1, 2 * RATE_HZ), 2 * RATE_HZ, subtype="PCM_24")
    return find_take(tmp_path)


def read(piece: bytes) -> NDArray[np.float64]:
    sound, rate_hz = soundfile.read(io.BytesIO(piece), always_2d=True)
    assert rate_hz == RATE_HZ
    return np.asarray(sound)


def whole(take: Take, recording: Recording) -> NDArray[np.float64]:
    return np.concatenate([read(piece_of(take, recording, number)) for number in range(pieces_of(take))])


def test_pieces_join_to_the_recording_and_silence_follows(take: Take) -> None:
    for recording, name in zip(take.recordings[:2], ("a.wav", "b.wav"), strict=True):
        wanted, _ = soundfile.read(take.folder / name, always_2d=True)
        sound = whole(take, recording)
        assert len(sound) == take.frames
        assert np.array_equal(sound[: len(wanted)], wanted)
        assert not sound[len(wanted) :].any()


def test_another_rate_becomes_the_takes(take: Take) -> None:
    sound = whole(take, take.recordings[2])
    assert np.sqrt(np.mean(sound[:RATE_HZ] ** 2)) > 0.3
    assert not sound[RATE_HZ + 100 :].any()


@pytest.mark.parametrize("number", [-1, 3, 10**9])
def test_a_piece_that_is_not_there_is_refused(number: int, take: Take) -> None:
    assert pieces_of(take) == 3
    with pytest.raises(UsageError, match="no sound"):
        piece_of(take, take.recordings[0], number)


def test_a_cleaned_input_sounds_where_it_was_cleaned(take: Take) -> None:
    stretch = Recording(lanes=take.recordings[2].lanes, at_frame=RATE_HZ * 3)
    other = Recording(lanes=take.recordings[1].lanes, at_frame=round(4.5 * RATE_HZ))
    slots = Slots(
        powers=np.zeros(1, np.float32),
        peaks=np.zeros(1, np.float32),
        spectra=np.zeros((1, 1), np.float32),
        spectrum_of=np.zeros(1, np.uint16),
    )
    cleaned = Cleaned(
        sounds=(((3.0, 4.0), stretch), ((4.5, 7.5), other)),
        subtracted=True,
        bleed_sources=(),
        slots=slots,
        hop_s=0.1,
        clear_db=np.zeros(1, np.float32),
    )
    first, second, last = (read(cleaned_piece(take, cleaned, number)) for number in range(3))
    assert not first[: 3 * RATE_HZ - 100].any()
    assert first[3 * RATE_HZ : 4 * RATE_HZ].any()
    assert not second[: RATE_HZ // 2 - 100].any()
    wanted, _ = soundfile.read(take.folder / "b.wav")
    assert np.array_equal(second[RATE_HZ // 2 : 7 * RATE_HZ // 2], wanted)
    assert not last.any()
