"""A song's families as short MP3s that a page decodes while it plays: small to send, little in memory at a time.

Each piece is encoded by itself, with a margin before and after it, so that pieces can be cross-faded. Browsers'
decoders delay sound differently, so a click at a known place is encoded in the same way and goes along.
"""

from __future__ import annotations

import base64
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from morningmix.audio.encode import mp3_piece
from morningmix.audio.header import read_file
from morningmix.audio.read import open_recording
from morningmix.units import Block

RATE_HZ = 32_000
"""Sample rate of the pieces: a higher one would only add hiss at bit rates that a chat accepts (design choice)."""
PIECE_S, MARGIN_S = 10.0, 0.1
CLICK_AT_S = 0.1
_MOST_BYTES = 14_300_000
"""Size of all pieces as text, so that the page stays under 15 MB."""
_KBPS = (32, 40, 48, 56, 64, 80, 96, 112)
_MONO_SHARE = 0.6
"""Bit rate of a mono piece relative to a stereo piece."""
_SILENT = 10.0 ** (-75.0 / 20.0)
_NO_SIDES = 10.0 ** (-50.0 / 10.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pieces:
    """The pieces of several stems, and what a page has to know about them."""

    click: str
    """MP3 in base64, like all sound here: an impulse `CLICK_AT_S` from the start."""
    of: tuple[tuple[str, ...], ...]
    """Per stem; "" where it is silent."""
    kbps: int


def cut(stems: Sequence[Path]) -> Pieces:
    """Encode all stems at the best bit rate that fits. Raises `RecordingsError` for a stem that cannot be read."""
    with ThreadPoolExecutor(max(1, min(4, os.cpu_count() or 1))) as pool:
        weight = sum(pool.map(lambda stem: sum(map(_weight, _cut(stem))), stems))
        kbps = _affordable(weight)
        coded = pool.map(lambda stem: tuple(_coded(piece, kbps) for piece in _cut(stem)), stems)
        return Pieces(click=_click(kbps), of=tuple(coded), kbps=kbps)


def _affordable(weight: float) -> int:
    """The bit rate of a stereo piece at which pieces of this total weight fit."""
    most = _MOST_BYTES * 0.75 * 8.0 / 1000.0 / max(weight, 1e-9) / (PIECE_S + 2.0 * MARGIN_S)
    return _step(most)


def _click(kbps: int) -> str:
    click = np.zeros((1, round(3.0 * CLICK_AT_S * RATE_HZ)), np.float32)
    click[:, round(CLICK_AT_S * RATE_HZ)] = 0.9
    return _text(mp3_piece(click, RATE_HZ, kbps))


def _cut(stem: Path) -> Iterator[Block]:
    """Pieces ``(2, frames)`` with their margins; silence before the start and after the end of the song."""
    recording = read_file(stem)
    piece, margin = round(PIECE_S * RATE_HZ), round(MARGIN_S * RATE_HZ)
    left = round(recording.frames * RATE_HZ / recording.rate_hz)
    with open_recording(recording, RATE_HZ) as reader:
        before = np.zeros((2, 2 * margin), np.float32)
        before[:, margin:] = reader.read(margin)
        while left > 0:
            # What was read ahead for the end of one piece starts the next.
            block = np.concatenate((before, reader.read(piece)), axis=1)
            yield block
            before = block[:, -2 * margin :]
            left -= piece


def _weight(piece: Block) -> float:
    if np.abs(piece).max() < _SILENT:
        return 0.0
    return _MONO_SHARE if _is_mono(piece) else 1.0


def _is_mono(piece: Block) -> bool:
    sides, middle = np.square(piece[0] - piece[1]).sum(), np.square(piece[0] + piece[1]).sum()
    return bool(sides < _NO_SIDES * middle)


def _step(kbps: float) -> int:
    return max((step for step in _KBPS if step <= kbps), default=_KBPS[0])


def _coded(piece: Block, kbps: int) -> str:
    weight = _weight(piece)
    if not weight:
        return ""
    if weight < 1.0:
        return _text(mp3_piece(piece.mean(axis=0, keepdims=True), RATE_HZ, _step(kbps * _MONO_SHARE)))
    return _text(mp3_piece(piece, RATE_HZ, kbps))


def _text(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")
