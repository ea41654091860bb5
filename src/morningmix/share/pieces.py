"""The parts of a song as short MP3s that a page decodes while it plays: small to send, little in memory at a time.

Each piece is encoded by itself, with a margin before and after it, so that pieces can be cross-faded. Browsers'
decoders delay sound differently, so a click at a known place is encoded in the same way and goes along.
"""

from __future__ import annotations

import base64
import math
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from morningmix.audio.convert import converted
from morningmix.audio.encode import mp3_piece
from morningmix.audio.read import open_recording
from morningmix.model.recording import Recording
from morningmix.units import Block

RATE_HZ = 32_000
"""Sample rate at which a page plays: a higher one would only add hiss at bit rates that a chat accepts (design
choice)."""
PIECE_S, MARGIN_S = 10.0, 0.1
CLICK_AT_S = 0.1
_MOST_BYTES = 14_300_000
"""Size of all pieces as text, so that the page stays under 15 MB with its room and gains."""
_BEST_KBPS = 80
"""More than a channel takes at the best quality below (measured: 65)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rung:
    """How well a part is coded."""

    mono: str | int
    stereo: str | int
    rate_hz: int

    def quality(self, channels: int) -> str | int:
        """LAME's quality, or kbit/s."""
        return self.mono if channels == 1 else self.stereo


RUNGS = (
    Rung(mono=24, stereo=32, rate_hz=24_000),
    Rung(mono="V9", stereo="V9", rate_hz=24_000),
    Rung(mono="V8", stereo="V8", rate_hz=24_000),
    Rung(mono="V8", stereo="V8", rate_hz=RATE_HZ),
    Rung(mono="V7", stereo="V7", rate_hz=RATE_HZ),
    Rung(mono="V5", stereo="V5", rate_hz=RATE_HZ),
)
"""From the smallest on (design choice). A mono input takes 24, 29, 34, 41, 45 and 60 kbit/s on average while it plays
(measured on ten inputs)."""
_SILENT = 10.0 ** (-75.0 / 20.0)
_NO_SIDES = 10.0 ** (-50.0 / 10.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Coded:
    """One part as pieces."""

    pieces: tuple[str, ...]
    """MP3 in base64, like all sound here; "" where it is silent."""
    rung: Rung


@dataclass(frozen=True, slots=True, kw_only=True)
class Pieces:
    """The pieces of several parts, and what a page has to know about them."""

    clicks: dict[int, str]
    """By sample rate: an impulse `CLICK_AT_S` from the start."""
    of: tuple[Coded, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Survey:
    """What is known of a part before it is coded."""

    channels: tuple[int, ...]
    """How many each piece needs; 0: none."""
    loudest: Block
    rate_hz: int

    def bytes_at(self, rung: Rung) -> float:
        """How large it will be, about: every piece as its loudest."""
        sounding = [count for count in self.channels if count]
        if not sounding:
            return 0.0
        quality = rung.quality(max(sounding))
        if isinstance(quality, int):
            return len(sounding) * _piece_bytes(quality)
        block = self.loudest if max(sounding) == 2 else self.loudest.mean(axis=0, keepdims=True)
        block = np.concatenate(list(converted([block], self.rate_hz, rung.rate_hz, len(block))), axis=1)
        return len(sounding) * len(mp3_piece(block, rung.rate_hz, quality))


def cut(sounds: Sequence[Recording], softer: float = 1.0, first: Sequence[bool] = ()) -> Pieces:
    """Encode all parts as well as fits; those that are `first` get better before the others.

    `softer` is the gain that the parts were given, which counts for what is silence. Raises `RecordingsError` for a
    part that cannot be read.
    """
    with ThreadPoolExecutor(max(1, min(4, os.cpu_count() or 1))) as pool:
        surveys = list(pool.map(lambda sound: _survey(sound, _SILENT * softer), sounds))
        rungs = [len(RUNGS) - 1] * len(sounds)
        channels = sum(sum(survey.channels) for survey in surveys)
        if _text_bytes(channels * _piece_bytes(_BEST_KBPS)) > _MOST_BYTES:
            sizes = list(pool.map(lambda survey: [survey.bytes_at(rung) for rung in RUNGS], surveys))
            rungs = _affordable(sizes, first)
        coded = list(pool.map(_coded, sounds, surveys, [RUNGS[rung] for rung in rungs]))
        # Estimates may be short.
        while sum(map(_size, coded)) > _MOST_BYTES and any(rungs):
            largest = max((part for part, rung in enumerate(rungs) if rung), key=lambda part: _size(coded[part]))
            rungs[largest] -= 1
            coded[largest] = _coded(sounds[largest], surveys[largest], RUNGS[rungs[largest]])
        return Pieces(clicks={one.rung.rate_hz: _click(one.rung) for one in coded}, of=tuple(coded))


def fits(parts: int, wide: int, seconds: float) -> bool:
    """Whether so many parts, `wide` of them in stereo, fit on a page at the lowest bit rates if they never rest."""
    lowest = RUNGS[0]
    assert isinstance(lowest.mono, int)
    assert isinstance(lowest.stereo, int)
    pieces = math.ceil(seconds / PIECE_S)
    size = (parts - wide) * _piece_bytes(lowest.mono) + wide * _piece_bytes(lowest.stereo)
    return _text_bytes(pieces * size) <= _MOST_BYTES


def _affordable(sizes: Sequence[Sequence[float]], first: Sequence[bool]) -> list[int]:
    """Rung after rung for one part after the other, as long as all fit; `sizes` by part and rung, in bytes."""
    found = [0] * len(sizes)
    total = sum(part[0] for part in sizes)
    order = sorted(range(len(sizes)), key=lambda part: not (first and first[part]))
    for rung in range(1, len(RUNGS)):
        for part in order:
            more = sizes[part][rung] - sizes[part][rung - 1]
            if found[part] == rung - 1 and _text_bytes(total + more) <= _MOST_BYTES:
                found[part] = rung
                total += more
    return found


def _piece_bytes(kbps: float) -> float:
    return 1000.0 / 8.0 * kbps * (PIECE_S + 2.0 * MARGIN_S)


def _text_bytes(size: float) -> float:
    """Of base64."""
    return 4.0 / 3.0 * size


def _size(coded: Coded) -> int:
    return sum(map(len, coded.pieces))


def _click(rung: Rung) -> str:
    click = np.zeros((1, round(3.0 * CLICK_AT_S * rung.rate_hz)), np.float32)
    click[:, round(CLICK_AT_S * rung.rate_hz)] = 0.9
    return _text(mp3_piece(click, rung.rate_hz, rung.mono))


def _survey(sound: Recording, silent: float) -> _Survey:
    channels: list[int] = []
    loudest, most = np.zeros((1, 0), np.float32), -1.0
    for piece in _cut(sound, sound.rate_hz):
        channels.append(_channels(piece, silent))
        if channels[-1] and (peak := float(np.square(piece).mean())) > most:
            loudest, most = piece, peak
    return _Survey(channels=tuple(channels), loudest=loudest, rate_hz=sound.rate_hz)


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


def _coded(sound: Recording, survey: _Survey, rung: Rung) -> Coded:
    pieces = []
    for piece, count in zip(_cut(sound, rung.rate_hz), survey.channels, strict=True):
        if count == 1:
            piece = piece.mean(axis=0, keepdims=True)
        pieces.append(_text(mp3_piece(piece, rung.rate_hz, rung.quality(count))) if count else "")
    return Coded(pieces=tuple(pieces), rung=rung)


def _text(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")
