"""Bytes, texts and JSON that somebody damaged, or made up."""

from __future__ import annotations

import copy
import json
from typing import Any

import numpy as np

Rng = np.random.Generator

VALUES: tuple[Any, ...] = (
    *(None, True, False, 0, 1, -1, 2, 0.5, -0.0, 1e-9, 48_000, 1e9, 1e12, 1e300, -1e300, 2**31, 2**63, 2**64, 10**400),
    *(float("nan"), float("inf"), -float("inf"), "", " ", "x", "NaN", "\0", "\u202e", "\x1b[2J", "\x9b31m", "🎸", "/"),
    *("..", ".", "../../../take", "../../../beside", "/etc/passwd", "~", "C:\\x", "con", "a" * 5000, "\ud800"),
    *([], {}, [[]], [None], [1, 2], {"a": 1}, [[0.0, 1e9]], [[-1.0, 1.0]], [1e300] * 3),
)


def one_of(rng: Rng, things: Any) -> Any:
    """One of several things."""
    return things[int(rng.integers(len(things)))]


def flipped(rng: Rng, data: bytes) -> bytes:
    """Data cut short, zeroed, flipped in places, longer, empty, or something else altogether."""
    out = bytearray(data)
    kind = int(rng.integers(8))
    at = int(rng.integers(len(out) + 1))
    if kind == 0:
        del out[at:]
    elif kind == 1:
        out[at : at + int(rng.integers(1, 400))] = bytes(min(400, len(out) - at))
    elif kind == 2:
        for _ in range(int(rng.integers(1, 8))):
            if out:
                out[int(rng.integers(len(out)))] ^= 1 << int(rng.integers(8))
    elif kind == 3:
        out += rng.bytes(int(rng.integers(1, 300)))
    elif kind == 4:
        out = bytearray()
    elif kind == 5:
        out = bytearray(rng.bytes(len(out)))
    elif kind == 6:
        out = bytearray(len(out))
    else:
        del out[at : at + int(rng.integers(1, 100))]
    return bytes(out)


def json_changed(rng: Rng, text: str) -> str:
    """A JSON text in which one value is another, is missing, or stands where it does not belong."""
    document = copy.deepcopy(json.loads(text))
    for _ in range(int(one_of(rng, (1, 1, 1, 2)))):
        places = list(_places(document))
        if not places:
            return json.dumps(one_of(rng, VALUES))
        # Most of a recall sheet is words; numbers are where the trouble is.
        numbers = [(holder, key) for holder, key in places if isinstance(holder[key], int | float | list)]
        holder, key = one_of(rng, numbers if numbers and rng.random() < 0.7 else places)
        kind = int(rng.integers(10))
        if kind < 6:
            holder[key] = _another(rng, holder[key])
        elif kind == 6:
            del holder[key]
        elif kind == 7:
            other, name = one_of(rng, places)
            holder[key] = copy.deepcopy(other[name])
        elif kind == 8 and isinstance(holder, dict):
            holder[str(one_of(rng, ("extra", "", "title", "a" * 300, "\x1b")))] = one_of(rng, VALUES)
        elif isinstance(holder, list):
            holder.insert(int(rng.integers(len(holder) + 1)), copy.deepcopy(one_of(rng, (holder[key], *VALUES))))
        else:
            holder[key] = _another(rng, holder[key])
    return json.dumps(document)


def _another(rng: Rng, value: Any) -> Any:
    if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e300 and rng.random() < 0.6:
        return one_of(
            rng,
            (-value, value * 10, value * 1e6, value + 1, value - 1, value / 1e6, 0, -1, 1e9, 1e300, 10**30, 1.5, 2**31),
        )
    if isinstance(value, str) and rng.random() < 0.5:
        return one_of(
            rng, (value[:-1], value * 2, value.upper(), f"../{value}", f"/{value}", value + "\n", value * 300)
        )
    return one_of(rng, VALUES)


def _places(document: Any) -> Any:
    items = (
        document.items() if isinstance(document, dict) else enumerate(document if isinstance(document, list) else ())
    )
    for key, value in list(items):
        yield document, key
        if isinstance(value, dict | list):
            yield from _places(value)
