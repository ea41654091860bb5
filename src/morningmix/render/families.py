"""Render the inputs of a song family by family: every track through its strip, summed into a family on disk.

From the families' K-weighted Gram matrix per 0.1 s the loudness of any balance of them follows exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from morningmix.audio.read import open_recording
from morningmix.audio.scratch import Scratch, ScratchWriter, recording_of
from morningmix.audio.write import IntegerWriter
from morningmix.dsp.control import loudness_hop_frames, peaks_db, step_frames, step_peaks
from morningmix.dsp.dither import Dither
from morningmix.dsp.filter import FilterStage, LowsInTheMiddle
from morningmix.dsp.meter import KWeighting
from morningmix.dsp.reverb import ReverbStage
from morningmix.laws.filters import tilt
from morningmix.model.plan import READABLE_FAMILIES, SongPlan
from morningmix.model.recording import Recording
from morningmix.render.output import Output, file_names
from morningmix.render.strip import open_strip
from morningmix.units import Block, db_to_gain

BLOCK_HOPS = 20
"""Default length of a block, in hops of 0.1 s. What comes out does not depend on it."""
_TRACK_SEED = 1000
_GRAM_HOPS, _SETTLE_HOPS = 600, 10
"""Length of a stretch that is compared at a time, and how long before it K-weighting begins, to have settled."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rendered:
    """One family: sound on disk, and what was measured of it."""

    sound: Scratch
    drum_peaks_db: NDArray[np.float32] | None
    """Largest sample of the drums per control step, dBFS; None for any other family."""
    reduction_db: tuple[tuple[str, NDArray[np.float32]], ...]
    """Per input with a compressor, its gain, mean per 0.1 s, in the order of the plan."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Families:
    """The families of a song before the master: sound on disk, and what was measured of it."""

    names: tuple[str, ...]
    rate_hz: int
    frames: int
    sound: tuple[Scratch, ...]
    gram: NDArray[np.float64]
    """``(hops, families, families)``: K-weighted power per 0.1 s, left and right added."""
    drum_peaks_db: NDArray[np.float32] | None
    """Largest sample of the drums per control step, dBFS; None without drums."""
    reduction_db: tuple[tuple[str, NDArray[np.float32]], ...]
    """Per input with a compressor, its gain, mean per 0.1 s."""

    def close(self) -> None:
        """Delete the sound."""
        for scratch in self.sound:
            scratch.remove()


def family_names(plan: SongPlan) -> tuple[str, ...]:
    """The families that a song has, in the order in which they are summed."""
    return tuple(name for name in READABLE_FAMILIES if any(track.family == name for track in plan.tracks))


def frames_of(plan: SongPlan) -> int:
    """Length of a song."""
    return round(plan.end_s * plan.rate_hz) - round(plan.start_s * plan.rate_hz)


def joined(plan: SongPlan, rendered: Sequence[Rendered], gram: NDArray[np.float64]) -> Families:
    """The families of a song, rendered one by one in the order of `family_names`."""
    reductions = dict(pair for one in rendered for pair in one.reduction_db)
    return Families(
        names=family_names(plan),
        rate_hz=plan.rate_hz,
        frames=frames_of(plan),
        sound=tuple(one.sound for one in rendered),
        gram=gram,
        drum_peaks_db=next((one.drum_peaks_db for one in rendered if one.drum_peaks_db is not None), None),
        reduction_db=tuple((track.name, reductions[track.name]) for track in plan.tracks if track.name in reductions),
    )


class FamilySum:
    """One family being summed: its part of the reverb, and its tilt."""

    def __init__(self, name: str, plan: SongPlan) -> None:
        self.tracks = [index for index, track in enumerate(plan.tracks) if track.family == name]
        self._sends = [
            None if (send := plan.tracks[index].send_db) is None else np.float32(db_to_gain(send))
            for index in self.tracks
        ]
        room = plan.reverb if any(send is not None for send in self._sends) else None
        self._reverb = ReverbStage(room, plan.rate_hz) if room else None
        self._tilt = FilterStage(tilt(plan.tilt_db, plan.rate_hz), 2) if plan.tilt_db else None
        self._lows = LowsInTheMiddle(plan.mono_below_hz, plan.rate_hz) if plan.mono_below_hz is not None else None

    def process(self, placed: Sequence[Block], fade: NDArray[np.float32] | None) -> Block:
        """Sum, add the room, put the lows in the middle, tilt, fade."""
        total = np.zeros_like(placed[0])
        for block in placed:
            total += block
        if self._reverb is not None:
            sent = np.zeros_like(total)
            for block, send in zip(placed, self._sends, strict=True):
                if send is not None:
                    sent += block * send
            total += self._reverb.process(sent)
        if self._lows is not None:
            total = self._lows.process(total)
        if self._tilt is not None:
            total = self._tilt.process(total)
        if fade is not None:
            total *= fade
        return total


def render_family(
    plan: SongPlan,
    recordings: Sequence[Recording],
    name: str,
    sound: Scratch,
    tracks_output: Output | None = None,
    block_hops: int = BLOCK_HOPS,
) -> Rendered:
    """Render one family of a song into `sound`. `recordings` are in the order of the plan's tracks.

    With `tracks_output`, every track is written there too, at working level. Raises `RecordingsError`, `OutputError`.
    """
    rate_hz, frames = plan.rate_hz, frames_of(plan)
    start_frame = round(plan.start_s * rate_hz)
    block_frames = block_hops * loudness_hop_frames(rate_hz)
    family = FamilySum(name, plan)
    step = step_frames(rate_hz)
    peaks = np.zeros(-(-frames // step), np.float32) if name == "drums" else None
    track_files = file_names([track.name for track in plan.tracks])
    with ExitStack() as stack:
        writer = stack.enter_context(ScratchWriter(sound))
        strips = {
            index: stack.enter_context(open_strip(plan.tracks[index], recordings[index], rate_hz, start_frame, frames))
            for index in family.tracks
        }
        track_writers = {
            index: stack.enter_context(
                _TrackWriter(track_files[index], index, recordings[index], tracks_output, plan, frames)
            )
            for index in strips
            if tracks_output is not None
        }

        def render(index: int, count: int) -> Block:
            strip = strips[index]
            track = strip.to_level.process(strip.source.read(count))
            if index in track_writers:
                track_writers[index].write(track)
            return strip.to_family.process(track)

        for start in range(0, frames, block_frames):
            count = min(block_frames, frames - start)
            total = family.process([render(index, count) for index in family.tracks], fade(plan, start, count, frames))
            if peaks is not None:
                levels_db = peaks_db(step_peaks(total, step))
                peaks[start // step : start // step + len(levels_db)] = levels_db
            writer.write(total)
    return Rendered(
        sound=sound,
        drum_peaks_db=peaks,
        reduction_db=tuple(
            (plan.tracks[index].name, strip.reduction_db) for index, strip in strips.items() if len(strip.reduction_db)
        ),
    )


def gram_pieces(plan: SongPlan) -> list[tuple[int, int]]:
    """Stretches of a song, in hops, for `measure_gram`."""
    hops = frames_of(plan) // loudness_hop_frames(plan.rate_hz)
    return [(first, min(first + _GRAM_HOPS, hops)) for first in range(0, hops, _GRAM_HOPS)]


def measure_gram(
    plan: SongPlan, sounds: Sequence[Scratch], first: int, last: int, block_hops: int = BLOCK_HOPS
) -> NDArray[np.float64]:
    """K-weighted Gram matrix of families per 0.1 s, hops `first` to `last`: ``(hops, families, families)``.

    Raises `RecordingsError`.
    """
    rate_hz, hop = plan.rate_hz, loudness_hop_frames(plan.rate_hz)
    gram = np.zeros((last - first, len(sounds), len(sounds)))
    weighting = [KWeighting(rate_hz, 2) for _ in sounds]
    early = max(0, first - _SETTLE_HOPS)
    with ExitStack() as stack:
        readers = [stack.enter_context(open_recording(recording_of([sound]), rate_hz, early * hop)) for sound in sounds]
        for stage, reader in zip(weighting, readers, strict=True):
            stage.process(reader.read((first - early) * hop))
        for at in range(first, last, block_hops) if sounds else ():
            count = min(block_hops, last - at)
            weighted = np.empty((count, len(sounds), 2, hop))
            for place, (stage, reader) in enumerate(zip(weighting, readers, strict=True)):
                weighted[:, place] = stage.process(reader.read(count * hop)).reshape(2, count, hop).swapaxes(0, 1)
            by_hop = weighted.reshape(count, len(sounds), 2 * hop)
            gram[at - first : at - first + count] = by_hop @ by_hop.transpose(0, 2, 1) / hop
    return gram


def fade(plan: SongPlan, start: int, count: int, frames: int) -> NDArray[np.float32] | None:
    """Gain of the frames from `start` on, half a cosine at either end of the song; None where it is 1 throughout."""
    fade_in, fade_out = round(plan.fade_in_s * plan.rate_hz), round(plan.fade_out_s * plan.rate_hz)
    if start >= fade_in and start + count <= frames - fade_out:
        return None
    at = np.arange(start, start + count) + 0.5
    way = np.ones(count)
    if fade_in:
        way = np.minimum(way, at / fade_in)
    if fade_out:
        way = np.minimum(way, (frames - at) / fade_out)
    gain: NDArray[np.float32] = (0.5 - 0.5 * np.cos(np.pi * way)).astype(np.float32)
    return gain


class _TrackWriter:
    """Writes one cleaned track, dithered."""

    def __init__(
        self, name: str, index: int, recording: Recording, output: Output | None, plan: SongPlan, frames: int
    ) -> None:
        assert output is not None
        self._dither = Dither(_TRACK_SEED + index, recording.channels, output.bits)
        self._writer: IntegerWriter = output.writer(name, plan.rate_hz, recording.channels, frames)

    def write(self, track: Block) -> None:
        self._writer.write(self._dither.process(track))

    def __enter__(self) -> _TrackWriter:
        return self

    def __exit__(self, *error: object) -> None:
        self._writer.close()
