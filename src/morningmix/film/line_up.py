"""Where a clip lies in a take, and how its clock runs against the recorder's.

Envelopes say roughly where the clip may lie; phase says which of these places it is, and exactly where. The
envelopes of a song are much the same every time a band plays it, but only one performance has the same phases.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from morningmix.film.arrivals import at_camera
from morningmix.film.coarse import LARGEST_DRIFT, candidates
from morningmix.film.envelope import Envelope
from morningmix.film.fine import WINDOW_S, Delays, Fit, Line, delays, fitted, strongest_line
from morningmix.film.room import Room, stood
from morningmix.film.sounds import Sound
from morningmix.model.film import Lined

ACCEPTED = 0.6
"""Confidence. Chosen between 0.65, of clips with talk in made rehearsals, and 0.4, of beats that coincide."""
WORTH_A_CLOSER_LOOK = 0.4
"""Confidence. Talk may hide so much of a clip that only the room tells that it belongs there."""
_CANDIDATES = 6
_FIRST_WINDOWS, _BASE_WINDOWS, _WINDOWS = 16, 12, 64
_COARSE_S, _FINE_S = 0.06, 0.02
"""How far the place may be from where it is expected: by the envelopes, and by a first line."""
_APART_S = 0.1
"""Two places further apart than this are two."""


def envelope_of(sound: Sound) -> NDArray[np.float32]:
    """Envelope of all of a sound, as `line_up` needs it of the take."""
    meter = Envelope(sound.rate_hz)
    for block in sound.blocks():
        meter.update(block)
    return meter.result()


def line_up(file: str, clip: Sound, take: Sound, take_envelope: NDArray[np.float32]) -> Lined:
    """Where a clip lies in a take.

    `offset_s` goes by the earliest arrival, the direct sound of the player who is nearest to the camera: that is the
    nearest to what the camera saw, until `by_the_clock` takes the way of that sound off. Raises `RecordingsError` where
    one of them cannot be read.
    """
    middle_s = clip.duration_s / 2.0
    places: list[tuple[float, Line]] = []
    for offset_s, _ in candidates(envelope_of(clip), take_envelope, _CANDIDATES):
        guess = Line(clip_s=middle_s, at_s=offset_s + middle_s, slope=1.0)
        line, strength = strongest_line(_compared(clip, take, guess, _FIRST_WINDOWS, exact=False), _BASE_WINDOWS)
        places.append((strength, line))
    if not places:
        return Lined(file=file, offset_s=0.0, drift_ppm=0.0, confidence=0.0, accepted=False)
    strength, line = max(places, key=lambda place: place[0])
    rival = max((other for other, its in places if abs(_offset_s(its) - _offset_s(line)) > _APART_S), default=0.0)
    found = _compared(clip, take, line, _WINDOWS, exact=True)
    fit = fitted(found, strongest_line(found, _WINDOWS)[0])
    confidence = _confidence(found, fit) * float(np.clip(4.0 * (1.0 - rival / max(strength, 1e-9)), 0.0, 1.0))
    return Lined(
        file=file,
        offset_s=round(_offset_s(fit.line), 6),
        drift_ppm=round((1.0 / fit.line.slope - 1.0) * 1e6, 3),
        confidence=round(confidence, 3),
        accepted=confidence >= ACCEPTED,
    )


def by_the_clock(lined: Lined, clip: Sound, inputs: Sequence[Sound], room: Room | None) -> Lined:
    """The same place, more exactly: each input compared by itself.

    The clip's clock comes out nearer, and the way of the sound to the camera is taken off where the room tells how long
    that is; a clip that has a place in the room is accepted. Raises `RecordingsError` where a recording cannot be read.
    """
    line = Line(clip_s=0.0, at_s=lined.offset_s, slope=1.0 / lined.clock)
    heard = at_camera(inputs, clip, line)
    at_s = float(line.take_s(np.array(heard.clip_s)))
    line = Line(clip_s=heard.clip_s, at_s=at_s, slope=line.slope - heard.turn)
    camera = None if room is None else stood(room, heard.arrivals)
    return replace(
        lined,
        offset_s=round(_offset_s(line) - (0.0 if camera is None else camera.late_s), 6),
        drift_ppm=round((1.0 / line.slope - 1.0) * 1e6, 3),
        confidence=lined.confidence if camera is None else max(lined.confidence, ACCEPTED),
        accepted=lined.accepted or camera is not None,
        nearest_m=None if camera is None else round(camera.nearest_m, 1),
    )


def _offset_s(line: Line) -> float:
    return line.at_s - line.slope * line.clip_s


def _compared(clip: Sound, take: Sound, line: Line, most: int, *, exact: bool) -> Delays:
    """Windows all over what clip and take have in common by a line, compared with the take."""
    half_s = WINDOW_S / 2.0
    first_s = max(0.0, line.clip_s - line.at_s / line.slope)
    last_s = min(clip.duration_s, line.clip_s + (take.duration_s - line.at_s) / line.slope)
    count = int(np.clip((last_s - first_s) / half_s - 1.0, 1, most))
    middles_s = np.linspace(first_s + half_s, last_s - half_s, count) if count > 1 else [(first_s + last_s) / 2.0]
    furthest_s = max(abs(first_s - line.clip_s), abs(last_s - line.clip_s))
    within_s = _FINE_S if exact else _COARSE_S + LARGEST_DRIFT * furthest_s
    return delays(clip, take, list(middles_s), line, within_s)


def _confidence(found: Delays, fit: Fit) -> float:
    """How much of the music in the take the clip hears in phase, as far as there is enough of it.

    Quiet windows count less: what is said there at the camera may be louder.
    """
    loud = max(float(np.percentile(found.levels, 90.0)), 1e-9)
    weights = np.minimum(1.0, found.levels / loud)
    heard = float(weights[fit.agrees].sum())
    return heard / max(float(weights.sum()), 1e-9) * (1.0 - float(0.5**heard))
