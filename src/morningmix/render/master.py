"""The sum of a song's families: measured once, then written as stems and as their exact sum."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from morningmix.audio.encode import encode_mp3
from morningmix.audio.header import read_file
from morningmix.audio.read import open_recording
from morningmix.audio.scratch import Scratch, recording_of
from morningmix.dsp.control import loudness_hop_frames, peaks_db, step_frames, step_peaks
from morningmix.dsp.dither import Dither
from morningmix.dsp.meter import KWeighting
from morningmix.dsp.truepeak import TruePeakEnvelope
from morningmix.laws.limiting import expand, limiter_gain_db
from morningmix.model.measured import SumFacts
from morningmix.model.plan import MasterPlan, Trims
from morningmix.render.families import BLOCK_HOPS, Families
from morningmix.render.output import Output, SongFiles
from morningmix.storage.home import output_errors
from morningmix.units import Block, db_to_gain

_SUM_PARTS, _LEAST_PART_HOPS, _SETTLE_HOPS = 4, 300, 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Trimmed:
    """One family at its trim, the drums' peaks held; every pass gives the same samples."""

    sound: Scratch
    gain: np.float32
    drum_curve_db: NDArray[np.float32] | None

    @contextmanager
    def blocks(self, block_hops: int, first_hop: int = 0, last_hop: int | None = None) -> Iterator[Iterator[Block]]:
        """Block after block, of all of it or from one hop of 0.1 s to another. Raises `RecordingsError`."""
        sound, hop = self.sound, loudness_hop_frames(self.sound.rate_hz)
        longest, step = block_hops * hop, step_frames(sound.rate_hz)
        end = sound.frames if last_hop is None else min(last_hop * hop, sound.frames)
        with open_recording(recording_of([sound]), sound.rate_hz, first_hop * hop) as reader:

            def block(start: int) -> Block:
                frames = min(longest, end - start)
                read = reader.read(frames)
                read *= self.gain
                if self.drum_curve_db is not None:
                    read *= expand(self.drum_curve_db, step, start, frames)
                return read

            yield (block(start) for start in range(first_hop * hop, end, longest))


def trimmed(families: Families, plan: Trims) -> tuple[Trimmed, ...]:
    """Every family at its trim, in the order of `Families.names`."""
    trims = dict(plan.trims_db)
    curve = None
    if plan.drum_peak_dbfs is not None and families.drum_peaks_db is not None:
        curve = limiter_gain_db(
            families.drum_peaks_db,
            plan.drum_peak_dbfs - trims.get("drums", 0.0),
            plan.drum_lookahead_s,
            plan.drum_release_s,
            step_frames(families.rate_hz) / families.rate_hz,
        )
    return tuple(
        Trimmed(
            sound=sound,
            gain=np.float32(db_to_gain(trims.get(name, 0.0))),
            drum_curve_db=curve if name == "drums" else None,
        )
        for name, sound in zip(families.names, families.sound, strict=True)
    )


def measure_sum(families: Families, trims: Trims, ceiling_dbfs: float, block_hops: int = BLOCK_HOPS) -> SumFacts:
    """Peaks and K-weighted power per control step of the trimmed sum, before the master's gain."""
    stems, parts = trimmed(families, trims), sum_parts(families)
    threshold = sum_threshold(trims, ceiling_dbfs)
    return joined_sum(
        families,
        [measure_part(stems, families.rate_hz, families.frames, threshold, part, block_hops) for part in parts],
    )


def sum_parts(families: Families) -> list[tuple[int, int]]:
    """Stretches of a song, in hops of 0.1 s, for `measure_part`."""
    hops = -(-families.frames // loudness_hop_frames(families.rate_hz))
    parts = min(_SUM_PARTS, max(1, hops // _LEAST_PART_HOPS))
    return list(pairwise(hops * part // parts for part in range(parts + 1)))


def sum_threshold(trims: Trims, ceiling_dbfs: float) -> float:
    """Magnitude from which on true peaks matter: a little under the ceiling.

    3 dB are room for what limiting makes up in gain.
    """
    return db_to_gain(ceiling_dbfs - trims.gain_db - 3.0)


def measure_part(
    stems: Sequence[Trimmed],
    rate_hz: int,
    frames: int,
    threshold: float,
    part: tuple[int, int],
    block_hops: int = BLOCK_HOPS,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Sidechain in dBFS and K-weighted power of a part of a sum of `frames`, each ``(steps,)``, as in `SumFacts`."""
    step, hop = step_frames(rate_hz), loudness_hop_frames(rate_hz)
    # With a second before, in which filters settle, and a hop after, because peaks lie between samples.
    first, last = max(0, part[0] - _SETTLE_HOPS), part[1] + 1
    start, stop = first * hop, min(last * hop, frames)
    of_sum = TruePeakEnvelope(2, step, threshold, stop - start)
    weighting = KWeighting(rate_hz, 2)
    # Preallocated: over two hours each is 30 MB, and twice that while pieces are joined.
    steps = -(-(stop - start) // step)
    stem_peaks, powers = np.zeros(steps, np.float32), np.zeros(steps, np.float32)
    block_frames = block_hops * hop
    with ExitStack() as stack:
        readers = [stack.enter_context(one.blocks(block_hops, first, last)) for one in stems]
        for at in range(0, stop - start, block_frames):
            total = np.zeros((2, min(block_frames, stop - start - at)), np.float32)
            here = slice(at // step, -(-(at + total.shape[1]) // step))
            for reader in readers:
                block = next(reader)
                total += block
                np.maximum(stem_peaks[here], step_peaks(block, step), out=stem_peaks[here])
            squares = np.square(weighting.process(total)).sum(axis=0)
            powers[here] = np.add.reduceat(squares, np.arange(0, len(squares), step)) / step
            of_sum.update(total)
    key = of_sum.result()
    np.maximum(key, stem_peaks, out=key)
    wanted = slice((part[0] - first) * (hop // step), (part[1] - first) * (hop // step))
    return peaks_db(key[wanted]), powers[wanted]


def joined_sum(families: Families, parts: Sequence[tuple[NDArray[np.float32], NDArray[np.float32]]]) -> SumFacts:
    """The sum from all its parts, in their order."""
    step, hop = step_frames(families.rate_hz), loudness_hop_frames(families.rate_hz)
    return SumFacts(
        step_s=step / families.rate_hz,
        steps_per_hop=hop // step,
        sidechain_db=np.concatenate([sidechain_db for sidechain_db, _ in parts]),
        powers=np.concatenate([powers for _, powers in parts]),
    )


def master_curve_db(facts: SumFacts, plan: MasterPlan) -> NDArray[np.float32]:
    """Gain of the master per control step, limiter included: one for all, so mix and stems stay in step."""
    curve_db = _limiter_curve(facts, plan)
    curve_db += np.float32(plan.gain_db)
    return curve_db


def write_stem(
    family: Trimmed, curve_db: NDArray[np.float32], output: Output, name: str, seed: int, block_hops: int = BLOCK_HOPS
) -> None:
    """Write one stem, quantised with its own dither. Raises `RecordingsError` and `OutputError`."""
    sound = family.sound
    step = step_frames(sound.rate_hz)
    dither = Dither(seed, 2, output.bits)
    start = 0
    with ExitStack() as stack:
        writer = stack.enter_context(output.writer(name, sound.rate_hz, 2, sound.frames))
        for block in stack.enter_context(family.blocks(block_hops)):
            block *= expand(curve_db, step, start, block.shape[1])
            writer.write(dither.process(block))
            start += block.shape[1]


def write_mix(families: Families, files: SongFiles, block_hops: int = BLOCK_HOPS) -> None:
    """Write the mix as the sum of the integers of its stems, so that mix minus stems is zero.

    Raises `RecordingsError` and `OutputError`.
    """
    recordings = [read_file(files.stems.path(name)) for name in families.names]
    rate_hz, frames, output = families.rate_hz, families.frames, files.mix
    block_frames = block_hops * loudness_hop_frames(rate_hz)
    scale = np.float32(1 << (output.bits - 1))
    with ExitStack() as stack:
        readers = [stack.enter_context(open_recording(recording, rate_hz)) for recording in recordings]
        writer = stack.enter_context(output.writer(files.title, rate_hz, 2, frames))
        for start in range(0, frames, block_frames):
            count = min(block_frames, frames - start)
            total = np.zeros((2, count), np.int32)
            for reader in readers:
                # Exact: float32 holds every integer of 24 bits.
                total += (reader.read(count) * scale).astype(np.int32)
            writer.write(total)


def write_mp3(
    families: Families, trims: Trims, curve_db: NDArray[np.float32], path: Path, block_hops: int = BLOCK_HOPS
) -> None:
    """Write the mix as an MP3, from the same families as the stems and without their dither.

    So it need not wait for them: encoding takes longest. Raises `OutputError`.
    """
    rate_hz, frames = families.rate_hz, families.frames
    block_frames, step = block_hops * loudness_hop_frames(rate_hz), step_frames(rate_hz)
    with ExitStack() as stack:
        readers = [stack.enter_context(one.blocks(block_hops)) for one in trimmed(families, trims)]

        def mixed() -> Iterator[Block]:
            for start in range(0, frames, block_frames):
                total = np.zeros((2, min(block_frames, frames - start)), np.float32)
                for reader in readers:
                    total += next(reader)
                yield total * expand(curve_db, step, start, total.shape[1])

        with output_errors(path.parent):
            path.parent.mkdir(parents=True, exist_ok=True)
        encode_mp3(mixed(), path, rate_hz=rate_hz)


def _limiter_curve(facts: SumFacts, plan: MasterPlan) -> NDArray[np.float32]:
    return limiter_gain_db(
        facts.sidechain_db, plan.ceiling_dbfs - plan.gain_db, plan.lookahead_s, plan.release_s, facts.step_s
    )


def limiter_per_hop(facts: SumFacts, plan: MasterPlan) -> NDArray[np.float32]:
    """Lowest gain of the limiter in each 0.1 s, dB: ``(hops,)``."""
    curve_db = _limiter_curve(facts, plan)
    starts = np.arange(0, len(curve_db), facts.steps_per_hop)
    lowest: NDArray[np.float32] = np.minimum.reduceat(curve_db, starts) if len(curve_db) else curve_db
    return lowest
