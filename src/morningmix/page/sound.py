"""Short pieces of sound as a browser asks for them, decoded on demand: any place of a long take plays at once."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from morningmix.audio.read import read_stretch
from morningmix.audio.write import wav_piece
from morningmix.commands.listen import HeardTake
from morningmix.decide.gain import match_gain
from morningmix.errors import UsageError
from morningmix.laws.track_power import k_powers
from morningmix.model.measured import Cleaned
from morningmix.model.recording import Recording, Take
from morningmix.report.recording import input_in_take
from morningmix.units import Block, db_to_gain

PIECE_S = 4.0
"""Length of a piece: half a megabyte of stereo sound (design choice)."""
_TOGETHER_DB = -3.0
"""Level of the rough sum of a take: room for inputs at the working level to play at once (design choice)."""


def pieces_of(take: Take) -> int:
    """How many pieces a take has."""
    return max(1, int(np.ceil(take.duration_s / PIECE_S)))


def piece_of(take: Take, recording: Recording, number: int) -> bytes:
    """A piece of one recording as a WAV file; silence where it does not sound. Raises `RecordingsError`, `UsageError`.

    Pieces follow each other without a gap; the last one is as long as what is left of the take.
    """
    return wav_piece(read_stretch(recording, take.rate_hz, *_frames(take, number)), take.rate_hz)


def cleaned_piece(take: Take, cleaned: Cleaned, number: int) -> bytes:
    """A piece of an input without the others, where it has been cleaned; silence elsewhere. Raises likewise."""
    first, last = _frames(take, number)
    sounds = [
        read_stretch(sound, take.rate_hz, first, last)
        for (start_s, end_s), sound in cleaned.sounds
        if start_s * take.rate_hz < last and end_s * take.rate_hz > first
    ]
    silence: Block = np.zeros((1, last - first), np.float32)
    return wav_piece(sum(sounds, silence), take.rate_hz)


def sum_piece(heard: HeardTake, number: int) -> bytes:
    """A piece of all inputs of a take together, each at the same loudness, to find one's way by. Raises likewise."""
    take = heard.analysed.take
    first, last = _frames(take, number)
    total: Block = np.zeros((1, last - first), np.float32)
    for recording, gain in _gains(heard):
        total += gain * read_stretch(recording, take.rate_hz, first, last).mean(axis=0, keepdims=True)
    return wav_piece(total, take.rate_hz)


def _frames(take: Take, number: int) -> tuple[int, int]:
    if not 0 <= number < pieces_of(take):
        raise UsageError("The take has no sound there.")
    length = round(PIECE_S * take.rate_hz)
    return number * length, min((number + 1) * length, take.frames)


@lru_cache(maxsize=16)
def _gains(heard: HeardTake) -> tuple[tuple[Recording, np.float32], ...]:
    analysed = heard.analysed
    found = []
    for input_ in analysed.inputs:
        if input_.preset.family and not input_.facts.silent:
            playing = input_in_take(input_, analysed.singing, analysed.measured).playing
            gain_db, _ = match_gain(input_.facts, k_powers(input_.facts, analysed.measured, ()), playing)
            recording = analysed.take.recordings[input_.index]
            found.append((recording, np.float32(db_to_gain(gain_db + _TOGETHER_DB))))
    return tuple(found)
