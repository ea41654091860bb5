"""One input of a song as a page plays it while somebody turns it: processed up to its fader, any few seconds at once.

What comes after the fader, a page does itself: shelves, fader, moves, pan, room and tilt (`live_track`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from morningmix.dsp.control import GainLine, step_frames
from morningmix.dsp.filter import side_high_pass
from morningmix.dsp.gain import LineGain
from morningmix.dsp.reverb import impulse_response
from morningmix.laws.filters import Sos, tilt
from morningmix.laws.pan import balance, constant_power
from morningmix.model.plan import Reverb, SongPlan, TrackPlan
from morningmix.model.recording import Recording
from morningmix.render.families import FamilySum
from morningmix.render.strip import Strip, open_strip
from morningmix.units import Block, db_to_gain

HEADROOM_DB = 12.0
"""Pieces are handed over so much softer: what peaks over full scale at working level is not clipped (design choice)."""
_SETTLE_S = 3.0
"""A piece begins so long before it is heard: compressors and filters have settled by then (design choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveTrack:
    """What a page does to one input, behind the sound that it is given."""

    track: int
    """Index of the plan's track."""
    name: str
    family: str
    gain: float
    """Fader, trim of the family and gain of the mix; makes up for `HEADROOM_DB`."""
    left: float
    right: float
    send: float
    """To the room, behind the fader; 0: dry."""
    low_db: float
    high_db: float
    moves: tuple[tuple[float, float, float, float], ...]
    """From and to (s), level (dB) and ramp (s)."""


def live_tracks(
    plan: SongPlan, recordings: Sequence[Recording], trims_db: Sequence[tuple[str, float]], gain_db: float
) -> tuple[LiveTrack, ...]:
    """Every track that sounds, in the order of the plan. `recordings` are in that order too."""
    trims = dict(trims_db)
    return tuple(
        _live_track(place, track, recording.channels, trims.get(track.family, 0.0) + gain_db)
        for place, (track, recording) in enumerate(zip(plan.tracks, recordings, strict=True))
        if track.sounds
    )


def _live_track(place: int, track: TrackPlan, channels: int, gain_db: float) -> LiveTrack:
    shelves = {each.kind: each.gain_db for each in track.filters if each.is_shelf}
    left, right = constant_power(track.pan) if channels == 1 else balance(track.pan)
    return LiveTrack(
        track=place,
        name=track.name,
        family=track.family,
        gain=db_to_gain(track.fader_db + gain_db + HEADROOM_DB),
        left=left,
        right=right,
        send=0.0 if track.send_db is None else db_to_gain(track.send_db),
        low_db=shelves.get("low_shelf", 0.0),
        high_db=shelves.get("high_shelf", 0.0),
        moves=tuple((move.from_s, move.to_s, move.level_db, move.ramp_s) for move in track.moves),
    )


def live_piece(plan: SongPlan, track: TrackPlan, recording: Recording, first: int, frames: int) -> Block:
    """Frames of the song from `first` on, ``(channels, frames)``: a track up to its fader, with its ride.

    `HEADROOM_DB` softer than in the mix. Raises `RecordingsError`.
    """
    early = _early(plan, first)
    with _begun(plan, track, recording, first - early, early + frames) as (begun, strip):
        sound = strip.to_level.process(strip.source.read(early + frames))
    if begun.ride:
        sound = LineGain([GainLine(begun.ride)], plan.rate_hz).process(sound)
    piece: Block = sound[:, early:] * np.float32(db_to_gain(-HEADROOM_DB))
    return piece


def family_stretch(plan: SongPlan, recordings: Sequence[Recording], name: str, first: int, frames: int) -> Block:
    """Frames of the song from `first` on of one family as it is summed, ``(2, frames)``.

    `recordings` are in the order of the plan's tracks. Raises `RecordingsError`.
    """
    early = _early(plan, first)
    family = FamilySum(name, plan)
    placed = []
    for index in family.tracks:
        with _begun(plan, plan.tracks[index], recordings[index], first - early, early + frames) as (_, strip):
            sound = strip.to_level.process(strip.source.read(early + frames))
            placed.append(strip.to_family.process(sound))
    total: Block = family.process(placed, None)[:, early:]
    return total


def _early(plan: SongPlan, first: int) -> int:
    """How many frames before a piece it begins: whole control steps."""
    step = step_frames(plan.rate_hz)
    return min(first, round(_SETTLE_S * plan.rate_hz)) // step * step


@contextmanager
def _begun(
    plan: SongPlan, track: TrackPlan, recording: Recording, begin: int, frames: int
) -> Iterator[tuple[TrackPlan, Strip]]:
    """A track from a frame of the song on, and its strip."""
    begun = _later(track, begin / plan.rate_hz)
    start = round(plan.start_s * plan.rate_hz) + begin
    with open_strip(begun, recording, plan.rate_hz, start, frames) as strip:
        yield begun, strip


def _later(track: TrackPlan, by_s: float) -> TrackPlan:
    """The track as it is from `by_s` on: everything that happens in it happens so much sooner."""
    gate, step = track.gate, track.gain_step
    return replace(
        track,
        gate=gate and replace(gate, open_s=tuple((start - by_s, end - by_s) for start, end in gate.open_s)),
        gain_step=step and (step[0] - by_s, step[1]),
        ducked_s=tuple((start - by_s, end - by_s) for start, end in track.ducked_s),
        moves=tuple(replace(move, from_s=move.from_s - by_s, to_s=move.to_s - by_s) for move in track.moves),
        ride=tuple((at_s - by_s, level_db) for at_s, level_db in track.ride),
    )


Coefficients = list[tuple[list[float], list[float]]]
"""Filters one behind the other: what is fed forward and fed back by each, of second order."""


def live_tilt(plan: SongPlan) -> Coefficients:
    """The tilt of the whole mix."""
    return _coefficients(tilt(plan.tilt_db, plan.rate_hz)) if plan.tilt_db else []


def live_sides(plan: SongPlan) -> Coefficients:
    """What half the difference of left and right passes, so that the lows are in the middle."""
    return [] if plan.mono_below_hz is None else _coefficients(side_high_pass(plan.mono_below_hz, plan.rate_hz))


def _coefficients(sos: Sos) -> Coefficients:
    return [(row[:3].tolist(), row[3:].tolist()) for row in sos]


def live_room(plan: Reverb, rate_hz: int) -> NDArray[np.float32]:
    """Impulse response of the room for the sum of left and right, halved: ``(2, frames)``."""
    return impulse_response(plan, rate_hz)
