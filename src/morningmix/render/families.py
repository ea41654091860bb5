"""Render all inputs of a song in one pass: every track through its strip, summed into families on disk.

The same pass measures the K-weighted Gram matrix of the families per 0.1 s, from which the loudness of any balance of
them follows exactly, and the peaks of the drums.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Future
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from morningmix.audio.write import FloatScratch, IntegerWriter
from morningmix.dsp.control import loudness_hop_frames, peaks_db, step_frames, step_peaks
from morningmix.dsp.dither import Dither
from morningmix.dsp.filter import FilterStage
from morningmix.dsp.meter import KWeighting
from morningmix.dsp.reverb import ReverbStage
from morningmix.laws.filters import tilt
from morningmix.model.plan import READABLE_FAMILIES, SongPlan
from morningmix.model.recording import Recording
from morningmix.render.output import Output, file_names
from morningmix.render.passes import Pass
from morningmix.render.strip import open_strip
from morningmix.units import Block, db_to_gain
from morningmix.workers.prefetch import after, cancel_or_wait

_TRACK_SEED = 1000

Weighted = Future[NDArray[np.float64]]
"""A family's next block, K-weighted, once it is rendered."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Families:
    """The families of a song before the master: sound on disk, and what was measured of it."""

    names: tuple[str, ...]
    rate_hz: int
    frames: int
    sound: tuple[FloatScratch, ...]
    gram: NDArray[np.float64]
    """``(hops, families, families)``: K-weighted power per 0.1 s, left and right added."""
    drum_peaks_db: NDArray[np.float32] | None
    """Largest sample of the drums per control step, dBFS; None without drums."""
    reduction_db: tuple[tuple[str, NDArray[np.float32]], ...]
    """Per input with a compressor, its gain, mean per 0.1 s."""

    def close(self) -> None:
        """Delete the sound."""
        for scratch in self.sound:
            scratch.close()


class _Family:
    """One family while it is summed: its tracks in the plan's order, its part of the reverb, its meters."""

    def __init__(self, name: str, plan: SongPlan, scratch: FloatScratch, frames: int) -> None:
        self.tracks = [index for index, track in enumerate(plan.tracks) if track.family == name]
        self._sends = [
            None if (send := plan.tracks[index].send_db) is None else np.float32(db_to_gain(send))
            for index in self.tracks
        ]
        room = plan.reverb if any(send is not None for send in self._sends) else None
        self._reverb = ReverbStage(room, plan.rate_hz) if room else None
        self._tilt = FilterStage(tilt(plan.tilt_db, plan.rate_hz), 2) if plan.tilt_db else None
        self._weighting = KWeighting(plan.rate_hz, 2)
        self._step = step_frames(plan.rate_hz)
        self.drum_peaks_db = np.zeros(-(-frames // self._step), np.float32) if name == "drums" else None
        self.scratch = scratch

    def process(self, placed: Sequence[Block], fade: NDArray[np.float32] | None) -> NDArray[np.float64]:
        """Sum, add the room, tilt, fade, store; returns the K-weighted sum ``(2, frames)``."""
        total = np.zeros_like(placed[0])
        for block in placed:
            total += block
        if self._reverb is not None:
            sent = np.zeros_like(total)
            for block, send in zip(placed, self._sends, strict=True):
                if send is not None:
                    sent += block * send
            total += self._reverb.process(sent)
        if self._tilt is not None:
            total = self._tilt.process(total)
        if fade is not None:
            total *= fade
        if self.drum_peaks_db is not None:
            levels_db = peaks_db(step_peaks(total, self._step))
            first = self.scratch.frames // self._step
            self.drum_peaks_db[first : first + len(levels_db)] = levels_db
        self.scratch.write(total)
        return self._weighting.process(total)


def render_families(
    plan: SongPlan,
    recordings: Sequence[Recording],
    scratch_folder: Path,
    run: Pass,
    *,
    tracks_output: Output | None = None,
) -> Families:
    """Render one song's tracks into families. `recordings` are in the order of the plan's tracks.

    With `tracks_output`, every track is written there too, at working level. The caller closes the families. Raises
    `RecordingsError` and `OutputError`.
    """
    rate_hz = plan.rate_hz
    start_frame = round(plan.start_s * rate_hz)
    frames = round(plan.end_s * rate_hz) - start_frame
    names = tuple(name for name in READABLE_FAMILIES if any(track.family == name for track in plan.tracks))
    hop, block_frames = loudness_hop_frames(rate_hz), run.block_frames(rate_hz)
    # Preallocated, so that memory does not fragment and joining pieces needs no second copy.
    gram = np.zeros((frames // hop, len(names), len(names)))
    with ExitStack() as kept, ExitStack() as open_now:
        scratches = tuple(kept.enter_context(FloatScratch(scratch_folder, 2)) for _ in names)
        families = [_Family(name, plan, scratch, frames) for name, scratch in zip(names, scratches, strict=True)]
        strips = {
            index: open_now.enter_context(open_strip(track, recordings[index], rate_hz, start_frame, frames))
            for index, track in enumerate(plan.tracks)
            if track.sounds
        }
        track_files = file_names([track.name for track in plan.tracks])
        writers = {
            index: open_now.enter_context(
                _TrackWriter(track_files[index], index, recordings[index], tracks_output, plan, frames)
            )
            for index in strips
            if tracks_output is not None
        }

        def render(index: int, count: int) -> Block:
            strip = strips[index]
            track = strip.to_level.process(strip.source.read(count))
            if index in writers:
                writers[index].write(track)
            return strip.to_family.process(track)

        def weighted_family(job: tuple[_Family, int, int]) -> NDArray[np.float64]:
            family, start, count = job
            placed = [render(index, count) for index in family.tracks]
            return family.process(placed, _fade(plan, start, count, frames))

        def take_in(start: int, jobs: Mapping[int, Weighted]) -> None:
            if jobs:
                weighted = [jobs[place].result() for place in range(len(families))]
                products = _gram(weighted, hop)
                gram[start // hop : start // hop + len(products)] = products
                run.progress(weighted[0].shape[1] / rate_hz)

        # The largest first, and one block ahead, so that no thread idles while the last family is rendered.
        order = sorted(range(len(families)), key=lambda place: -len(families[place].tracks))
        last: dict[int, Weighted] = {}
        ahead: dict[int, Weighted] = {}
        try:
            for start in range(0, frames, block_frames):
                count = min(block_frames, frames - start)
                last, ahead = ahead, {}
                for place in order:
                    job = (families[place], start, count)
                    ahead[place] = run.pool.submit(after, last.get(place), weighted_family, job)
                take_in(start - block_frames, last)
            take_in((frames - 1) // block_frames * block_frames, ahead)
        finally:
            cancel_or_wait([*last.values(), *ahead.values()])
        kept.pop_all()
    return Families(
        names=names,
        rate_hz=rate_hz,
        frames=frames,
        sound=scratches,
        gram=gram,
        drum_peaks_db=next((family.drum_peaks_db for family in families if family.drum_peaks_db is not None), None),
        reduction_db=tuple(
            (plan.tracks[index].name, strip.reduction_db) for index, strip in strips.items() if len(strip.reduction_db)
        ),
    )


def _fade(plan: SongPlan, start: int, count: int, frames: int) -> NDArray[np.float32] | None:
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


def _gram(weighted: Sequence[NDArray[np.float64]], hop: int) -> NDArray[np.float64]:
    """Products of all pairs, mean per hop; a last hop that is not whole is dropped."""
    hops = weighted[0].shape[1] // hop
    stacked = np.stack([w[:, : hops * hop].reshape(2, hops, hop) for w in weighted])
    by_hop = np.ascontiguousarray(stacked.transpose(2, 0, 1, 3)).reshape(hops, len(weighted), 2 * hop)
    products: NDArray[np.float64] = by_hop @ by_hop.transpose(0, 2, 1) / hop
    return products


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
