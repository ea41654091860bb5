"""The parts of a song as short MP3s that a page decodes while it plays: small to send, little in memory at a time.

Each piece is encoded by itself, with a margin before and after it, so that pieces can be cross-faded. Browsers'
decoders delay sound differently, so a click at a known place is encoded in the same way and goes along.
"""

from __future__ import annotations

import base64
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from morningmix.audio.encode import mp3_piece
from morningmix.audio.read import open_recording
from morningmix.model.recording import Recording
from morningmix.units import Block

RATE_HZ = 32_000
"""Sample rate at which a page plays: a higher one would only add hiss at bit rates that a chat accepts (design
choice)."""
PIECE_S, MARGIN_S = 10.0, 0.1
CLICK_AT_S = 0.1
_MOST_BYTES = 13_900_000
"""Size of all pieces as text, so that the page stays under 15 MB with its room and gains."""
_TEXT_BYTES_PER_BYTE = 4.0 / 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rung:
    """How good a part can be."""

    mono_kbps: int
    stereo_kbps: int
    rate_hz: int = RATE_HZ

    def kbps(self, channels: int) -> int:
        return (0, self.mono_kbps, self.stereo_kbps)[channels]


_RUNGS = (
    _Rung(mono_kbps=24, stereo_kbps=32, rate_hz=24_000),
    _Rung(mono_kbps=32, stereo_kbps=48),
    _Rung(mono_kbps=40, stereo_kbps=56),
    _Rung(mono_kbps=40, stereo_kbps=64),
    _Rung(mono_kbps=48, stereo_kbps=80),
    _Rung(mono_kbps=56, stereo_kbps=96),
    _Rung(mono_kbps=64, stereo_kbps=112),
)
"""Bit rates from the lowest on (design choice)."""
_SILENT = 10.0 ** (-75.0 / 20.0)
_NO_SIDES = 10.0 ** (-50.0 / 10.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Coded:
    """One part as pieces."""

    pieces: tuple[str, ...]
    """MP3 in base64, like all sound here; "" where it is silent."""
    rate_hz: int
    kbps: tuple[int, int]
    """Of a mono and of a stereo piece."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pieces:
    """The pieces of several parts, and what a page has to know about them."""

    clicks: dict[int, str]
    """By sample rate: an impulse `CLICK_AT_S` from the start."""
    of: tuple[Coded, ...]


def cut(sounds: Sequence[Recording], softer: float = 1.0, first: Sequence[bool] = ()) -> Pieces:
    """Encode all parts at the best bit rates that fit; those that are `first` get better ones before the others.

    `softer` is the gain that the parts were given, which counts for what is silence. Raises `RecordingsError` for a
    part that cannot be read.
    """
    with ThreadPoolExecutor(max(1, min(4, os.cpu_count() or 1))) as pool:
        silent = _SILENT * softer
        channels = list(pool.map(lambda sound: [_channels(piece, silent) for piece in _cut(sound, RATE_HZ)], sounds))
        rungs = _affordable(channels, first)
        coded = pool.map(_coded, sounds, channels, rungs)
        return Pieces(clicks={rung.rate_hz: _click(rung) for rung in rungs}, of=tuple(coded))


def _affordable(channels: Sequence[Sequence[int]], first: Sequence[bool]) -> list[_Rung]:
    """Rung after rung for one part after the other, as long as all fit."""
    most = _MOST_BYTES / _TEXT_BYTES_PER_BYTE * 8.0 / 1000.0 / (PIECE_S + 2.0 * MARGIN_S)

    def kbps(part: int, rung: int) -> int:
        return sum(_RUNGS[rung].kbps(count) for count in channels[part])

    found = [0] * len(channels)
    total = sum(kbps(part, 0) for part in range(len(channels)))
    order = sorted(range(len(channels)), key=lambda part: not (first and first[part]))
    for rung in range(1, len(_RUNGS)):
        for part in order:
            more = kbps(part, rung) - kbps(part, rung - 1)
            if found[part] == rung - 1 and total + more <= most:
                found[part] = rung
                total += more
    return [_RUNGS[rung] for rung in found]


def _click(rung: _Rung) -> str:
    click = np.zeros((1, round(3.0 * CLICK_AT_S * rung.rate_hz)), np.float32)
    click[:, round(CLICK_AT_S * rung.rate_hz)] = 0.9
    return _text(mp3_piece(click, rung.rate_hz, rung.mono_kbps))


def _cut(recording: Recording, rate_hz: int) -> Iterator[Block]:
    """Pieces ``(channels, frames)`` with their margins; silence before the start and after the end of the song."""
    piece, margin = round(PIECE_S * rate_hz), round(MARGIN_S * rate_hz)
    left = round(recording.frames * rate_hz / recording.rate_hz)
    with open_recording(recording, rate_hz) as reader:
        before = np.zeros((recording.channels, 2 * margin), np.float32)
        before[:, margin:] = reader.read(margin)
        while left > 0:
            # What was read ahead for the end of one piece starts the next.
            block = np.concatenate((before, reader.read(piece)), axis=1)
            yield block
            before = block[:, -2 * margin :]
            left -= piece


def _channels(piece: Block, silent: float) -> int:
    """How many channels a piece needs; 0: none."""
    if np.abs(piece).max() < silent:
        return 0
    return 1 if len(piece) == 1 or _is_mono(piece) else 2


def _is_mono(piece: Block) -> bool:
    sides, middle = np.square(piece[0] - piece[1]).sum(), np.square(piece[0] + piece[1]).sum()
    return bool(sides < _NO_SIDES * middle)


def _coded(sound: Recording, channels: Sequence[int], rung: _Rung) -> Coded:
    pieces = []
    for piece, count in zip(_cut(sound, rung.rate_hz), channels, strict=True):
        if count == 1:
            piece = piece.mean(axis=0, keepdims=True)
        pieces.append(_text(mp3_piece(piece, rung.rate_hz, rung.kbps(count))) if count else "")
    return Coded(pieces=tuple(pieces), rate_hz=rung.rate_hz, kbps=(rung.mono_kbps, rung.stereo_kbps))


def _text(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")
