"""Decibels, times and how we print them."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

Block = NDArray[np.float32]
"""A block of sound: float32, C-contiguous, ``(channels, frames)``; a frame is one sample across channels."""

SILENCE_DB = -120.0
"""Levels at or under this count as digital silence when a power has to be written as decibels."""


def db_to_gain(level_db: float) -> float:
    """Amplitude factor of a level in dB."""
    return float(10.0 ** (level_db / 20.0))


def power_db(power: float) -> float:
    """Level in dB of a power, at least `SILENCE_DB`."""
    return max(SILENCE_DB, 10.0 * math.log10(power)) if power > 0.0 else SILENCE_DB


def amplitude_db(amplitude: float) -> float:
    """Level in dB of an amplitude, at least `SILENCE_DB`."""
    return max(SILENCE_DB, 20.0 * math.log10(amplitude)) if amplitude > 0.0 else SILENCE_DB


def powers_db(power: NDArray[Any]) -> NDArray[np.float64]:
    """`power_db` of every element."""
    floor = 10.0 ** (SILENCE_DB / 10.0)
    levels: NDArray[np.float64] = 10.0 * np.log10(np.maximum(power, floor, dtype=np.float64))
    return levels


def clock(seconds: float) -> str:
    """``3:12.5`` or ``1:03:12.5``, as recipes write times.

    >>> clock(192.5), clock(3792.5), clock(59.98)
    ('3:12.5', '1:03:12.5', '1:00.0')
    """
    tenths = round(seconds * 10)
    minutes, rest = divmod(tenths, 600)
    hours, minutes = divmod(minutes, 60)
    tail = f"{rest // 10:02d}.{rest % 10}"
    return f"{hours}:{minutes:02d}:{tail}" if hours else f"{minutes}:{tail}"
