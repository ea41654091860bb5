"""The inputs of a song one by one, for a page that sums them: each behind its fader, before pan, room and limiters.

What comes after that is the same for many inputs, so a page does it itself, and a room and a limiter follow whoever is
turned down. `gain_lines` are the gain of the limiters over time.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from morningmix.audio.scratch import Scratch, ScratchWriter
from morningmix.dsp.control import loudness_hop_frames, peaks_db, step_frames, step_peaks
from morningmix.dsp.filter import FilterStage
from morningmix.dsp.reverb import impulse_response
from morningmix.laws.filters import tilt
from morningmix.laws.pan import balance, constant_power
from morningmix.model.plan import MasterPlan, SongPlan, TrackPlan
from morningmix.model.recording import Recording
from morningmix.render.families import BLOCK_HOPS, Families, FamilySum, Rendered, fade, frames_of
from morningmix.render.master import master_curve_db, measure_sum, trimmed
from morningmix.render.strip import open_strip
from morningmix.units import Block, db_to_gain

HEADROOM_DB = 12.0
"""Inputs are handed over so much softer: what peaks over full scale before the limiter is not clipped (design
choice)."""
_CENTRE = constant_power(0.0)[0]
_NEAR_DB = 0.005
"""How far a gain line may be from the gain (design choice): inaudible, and a hundredth of its points."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Placing:
    """What a page does to one input; makes up for `HEADROOM_DB`."""

    track: int
    """Index of the plan's track."""
    left: float
    right: float
    send: float
    """Of the mean of left and right to the room; 0: dry."""


def placing(plan: SongPlan, track: int, channels: int) -> Placing:
    """Where an input of one or two channels goes."""
    planned = plan.tracks[track]
    left, right = _sides(planned, channels)
    up = db_to_gain(HEADROOM_DB)
    return Placing(
        track=track,
        left=left * up,
        right=right * up,
        send=0.0 if planned.send_db is None or plan.reverb is None else db_to_gain(planned.send_db),
    )


def _sides(track: TrackPlan, channels: int) -> tuple[float, float]:
    if channels == 2:
        return balance(track.pan)
    left, right = constant_power(track.pan)
    return left / _CENTRE, right / _CENTRE


@dataclass(frozen=True, slots=True, kw_only=True)
class InputFiles:
    """Where a family goes, and its inputs: one by one, or together as one part."""

    family: Scratch
    inputs: tuple[Scratch, ...]
    """In the order of the plan; empty where they go together."""
    together: Scratch | None
    gain_db: float
    """Trim of the family and gain of the mix."""


def render_inputs(plan: SongPlan, recordings: Sequence[Recording], name: str, files: InputFiles) -> Rendered:
    """Render one family as `render_family` does, and its inputs.

    An input is as loud as in the mix without limiters, less `HEADROOM_DB`, and has no pan yet. Inputs together have pan
    and room. Raises `RecordingsError`, `OutputError`.
    """
    rate_hz, frames, step = plan.rate_hz, frames_of(plan), step_frames(plan.rate_hz)
    family = FamilySum(name, plan)
    # A page puts the lows of the whole in the middle.
    together = FamilySum(name, replace(plan, mono_below_hz=None))
    gain = np.float32(db_to_gain(files.gain_db - HEADROOM_DB))
    longest = BLOCK_HOPS * loudness_hop_frames(rate_hz)
    peaks = np.zeros(-(-frames // step), np.float32) if name == "drums" else None
    with ExitStack() as stack:
        whole = stack.enter_context(ScratchWriter(files.family))
        writers = [stack.enter_context(ScratchWriter(one)) for one in files.inputs]
        writer_together = stack.enter_context(ScratchWriter(files.together)) if files.together else None
        strips = [
            stack.enter_context(
                open_strip(
                    replace(plan.tracks[index], pan=0.0),
                    recordings[index],
                    rate_hz,
                    round(plan.start_s * rate_hz),
                    frames,
                )
            )
            for index in family.tracks
        ]
        channels = [recordings[index].channels for index in family.tracks]
        sides = [
            np.array(_sides(plan.tracks[index], count), np.float32)[:, None]
            for index, count in zip(family.tracks, channels, strict=True)
        ]
        tilts = [FilterStage(tilt(plan.tilt_db, rate_hz), count) if plan.tilt_db else None for count in channels]
        for start in range(0, frames, longest):
            count = min(longest, frames - start)
            blocks = [strip.to_family.process(strip.to_level.process(strip.source.read(count))) for strip in strips]
            placed = [block * side for block, side in zip(blocks, sides, strict=True)]
            for writer, block, tilted, wide in zip(writers, blocks, tilts, channels, strict=False):
                own = block[:wide]
                writer.write((own if tilted is None else tilted.process(own)) * gain)
            if writer_together is not None:
                writer_together.write(together.process(placed, None) * gain)
            total = family.process(placed, fade(plan, start, count, frames))
            if peaks is not None:
                levels_db = peaks_db(step_peaks(total, step))
                peaks[start // step : start // step + len(levels_db)] = levels_db
            whole.write(total)
    return Rendered(sound=files.family, drum_peaks_db=peaks, reduction_db=())


def room(plan: SongPlan) -> Block | None:
    """Impulse response of the room for the mean of left and right, ``(2, frames)``; None where all are dry."""
    if plan.reverb is None or all(track.send_db is None for track in plan.tracks if track.sounds):
        return None
    response = impulse_response(plan.reverb, plan.rate_hz)
    return FilterStage(tilt(plan.tilt_db, plan.rate_hz), 2).process(response) if plan.tilt_db else response


def limiter_gains(
    families: Families, master: MasterPlan, ceiling_dbfs: float
) -> tuple[NDArray[np.float32], NDArray[np.float32] | None]:
    """Gain of the master per control step, dB, and that of the drums' own limiter; None where there is none.

    Raises `RecordingsError`.
    """
    curve_db = master_curve_db(measure_sum(families, master.trims, ceiling_dbfs), master)
    drums = next((one.drum_curve_db for one in trimmed(families, master.trims) if one.drum_curve_db is not None), None)
    return curve_db, drums


def gain_line(curve_db: NDArray[np.float32], plan: SongPlan, *, faded: bool) -> tuple[tuple[int, float], ...]:
    """A gain that falls and rises, dB per control step, as few points: step, and linear gain at its beginning.

    Between points it is linear, and within `_NEAR_DB` of `laws.limiting.expand`. With `faded`, the song's
    fades are in it.
    """
    before = np.concatenate((curve_db[:1], curve_db))
    after = np.concatenate((curve_db, curve_db[-1:]))
    gains = 10.0 ** (np.minimum(before, after).astype(np.float64) / 20.0)
    at_s = np.arange(len(gains)) * (step_frames(plan.rate_hz) / plan.rate_hz)
    left_s = np.maximum(0.0, frames_of(plan) / plan.rate_hz - at_s)
    for long_s, way_s in ((plan.fade_in_s, at_s), (plan.fade_out_s, left_s)):
        if faded and long_s:
            gains *= 0.5 - 0.5 * np.cos(np.pi * np.minimum(1.0, way_s / long_s))
    return tuple((place, round(float(gains[place]), 5)) for place in _corners(gains))


def _corners(gains: NDArray[np.float64]) -> list[int]:
    """Places between which a line stays within `_NEAR_DB` of all gains between them, the first and the last too."""
    near = np.maximum(gains, 0.01) * (db_to_gain(_NEAR_DB) - 1.0)
    low, high = (gains - near).tolist(), (gains + near).tolist()
    values = gains.tolist()
    found = [0]
    steepest, flattest = float("inf"), float("-inf")
    start = 0
    for place in range(1, len(values)):
        far = place - start
        most, least = (high[place] - values[start]) / far, (low[place] - values[start]) / far
        slope = (values[place] - values[start]) / far
        if not flattest <= slope <= steepest:
            start = place - 1
            found.append(start)
            most, least = high[place] - values[start], low[place] - values[start]
            steepest, flattest = most, least
        else:
            steepest, flattest = min(steepest, most), max(flattest, least)
    return [*found, len(values) - 1]
