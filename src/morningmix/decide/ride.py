"""Fader rides of the vocals: every sung line as loud against the band as the next.

Levels are means over about 3 s of singing, all vocals together: where harmonies join in, all of them come down a little
instead of covering the band. Whoever sings while no lead does, leads. Where nobody sings the fader rests, so that bleed
is never raised.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.laws.track_power import Powers, mask_to_spans
from morningmix.model.plan import Reason

WINDOW_S = 3.0
MOST_DB = 3.0
"""Most that a ride moves a fader (design choice); a backing vocal that sings alone may also come up to the lead's
level."""
_POINT_S, _REST_S, _RAMP_S = 0.5, 1.5, 0.3
_LEAST_SUNG = 0.25
_TINY = 1e-12

Points = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Voice:
    """One vocal at its fader, before the recipe's settings."""

    powers: Powers
    """K-weighted: ``(slots,)``."""
    sings: NDArray[np.bool_]
    leads: bool
    level_lu: float
    """Level of its role; a backing vocal that sings alone comes up to that of the lead."""


def decide_rides(voices: Mapping[int, Voice], whole: Powers, slot_s: float) -> Mapping[int, tuple[Points, Reason]]:
    """Points (s, dB) per voice, straight lines between them; `whole` is the power of everything, ``(slots,)``."""
    window = max(1, round(WINDOW_S / slot_s))
    sung = np.any([voice.sings for voice in voices.values()], axis=0)
    if np.count_nonzero(sung) < 2 * window:
        return {}
    together: Powers = np.sum([voice.powers * voice.sings for voice in voices.values()], axis=0)
    over_db = 10.0 * np.log10((_mean(together, sung, window) + _TINY) / (_mean(whole, sung, window) + _TINY))
    usual_db = float(np.median(over_db[sung]))
    leads = [voice for voice in voices.values() if voice.leads]
    led = _near(np.any([voice.sings for voice in leads], axis=0), window) if leads else np.ones(len(whole), np.bool_)
    rides: dict[int, tuple[Points, Reason]] = {}
    for index, voice in voices.items():
        lift_db = np.where(led, 0.0, max(0.0, max((input_.level_lu for input_ in leads), default=0.0) - voice.level_lu))
        lifted_db = np.clip(usual_db - over_db - lift_db, -MOST_DB, MOST_DB) + lift_db
        if voice.sings.any():
            rides[index] = _points(lifted_db, voice.sings, slot_s), _reason(lifted_db[voice.sings])
    return rides


def _mean(powers: Powers, sings: NDArray[np.bool_], window: int) -> Powers:
    """Mean over the sung slots of the window around each slot."""
    share = scipy.ndimage.uniform_filter1d(sings.astype(np.float64), window, mode="constant")
    mean: Powers = scipy.ndimage.uniform_filter1d(powers * sings, window, mode="constant") / np.maximum(
        share, 1.0 / window
    )
    return mean


def _near(leads: NDArray[np.bool_], window: int) -> NDArray[np.bool_]:
    """Where a lead sings for at least a quarter of the window around."""
    near: NDArray[np.bool_] = (
        scipy.ndimage.uniform_filter1d(leads.astype(np.float64), window, mode="constant") > _LEAST_SUNG
    )
    return near


def _points(ride_db: NDArray[np.float64], sings: NDArray[np.bool_], slot_s: float) -> Points:
    step = max(1, round(_POINT_S / slot_s))
    points: list[tuple[float, float]] = []
    for start_s, end_s in mask_to_spans(sings, slot_s):
        first, last = round(start_s / slot_s), round(end_s / slot_s) - 1
        if not points or start_s - points[-1][0] > _REST_S:
            if points:
                points.append((points[-1][0] + _RAMP_S, 0.0))
            points.append((max(0.0, start_s - _RAMP_S), 0.0))
        slots = sorted({*range(first, last, step), last})
        points += [(slot * slot_s, float(ride_db[slot])) for slot in slots]
    if points:
        points.append((points[-1][0] + _RAMP_S, 0.0))
    return tuple((round(at_s, 2), round(db, 2)) for at_s, db in points)


def _reason(sung_db: Sequence[float] | NDArray[np.float64]) -> Reason:
    low, high = float(np.min(sung_db)), float(np.max(sung_db))
    return Reason(
        what="ride",
        because=f"quiet and loud lines brought closer together ({low:+.1f} to {high:+.1f} dB)",
        source="design choice",
    )
