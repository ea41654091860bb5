"""The sum of a song's families: measured once, then written as stems and as their exact sum."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from morningmix.dsp.control import loudness_hop_frames, peaks_db, step_frames, step_peaks
from morningmix.dsp.dither import Dither
from morningmix.dsp.meter import KWeighting
from morningmix.dsp.truepeak import TruePeakEnvelope
from morningmix.laws.limiting import expand, limiter_gain_db
from morningmix.model.measured import SumFacts
from morningmix.model.plan import MasterPlan, Trims
from morningmix.render.families import Families
from morningmix.render.output import SongFiles
from morningmix.render.passes import Pass
from morningmix.units import Block, db_to_gain
from morningmix.workers.prefetch import prefetch


@dataclass(frozen=True, slots=True)
class _Trimmed:
    """Families at their trims, the drums' peaks held; every pass gives the same samples."""

    families: Families
    gains: tuple[np.float32, ...]
    drum_curve_db: NDArray[np.float32] | None
    step: int

    @contextmanager
    def blocks(self, run: Pass) -> Iterator[Iterator[tuple[int, int, list[Block]]]]:
        """Blocks in order, read one ahead: first frame, frames, and each family in the order of `Families.names`."""
        longest = run.block_frames(self.families.rate_hz)
        starts = range(0, self.families.frames, longest)
        stretches = [(start, min(longest, self.families.frames - start)) for start in starts]
        with closing(prefetch(run.pool, self._read, stretches)) as read:
            yield ((start, frames, blocks) for (start, frames), blocks in zip(stretches, read, strict=True))

    def _read(self, stretch: tuple[int, int]) -> list[Block]:
        start, frames = stretch
        blocks = []
        for name, scratch, gain in zip(self.families.names, self.families.sound, self.gains, strict=True):
            block = scratch.read(start, frames)
            block *= gain
            if name == "drums" and self.drum_curve_db is not None:
                block *= expand(self.drum_curve_db, self.step, start, frames)
            blocks.append(block)
        return blocks


def _trimmed(families: Families, plan: Trims) -> _Trimmed:
    trims = dict(plan.trims_db)
    step = step_frames(families.rate_hz)
    curve = None
    if plan.drum_peak_dbfs is not None and families.drum_peaks_db is not None:
        curve = limiter_gain_db(
            families.drum_peaks_db,
            plan.drum_peak_dbfs - trims.get("drums", 0.0),
            plan.drum_lookahead_s,
            plan.drum_release_s,
            step / families.rate_hz,
        )
    gains = tuple(np.float32(db_to_gain(trims.get(name, 0.0))) for name in families.names)
    return _Trimmed(families, gains, curve, step)


def measure_sum(families: Families, trims: Trims, ceiling_dbfs: float, run: Pass) -> SumFacts:
    """Peaks and K-weighted power per control step of the trimmed sum, before the master's gain."""
    rate_hz = families.rate_hz
    trimmed = _trimmed(families, trims)
    step, hop = step_frames(rate_hz), loudness_hop_frames(rate_hz)
    # True peaks matter from a little under the ceiling on; 3 dB are room for what limiting makes up in gain.
    of_sum = TruePeakEnvelope(2, step, db_to_gain(ceiling_dbfs - trims.gain_db - 3.0), families.frames)
    weighting = KWeighting(rate_hz, 2)
    # Preallocated: over two hours each is 30 MB, and twice that while pieces are joined.
    steps = -(-families.frames // step)
    stem_peaks, powers = np.zeros(steps, np.float32), np.zeros(steps, np.float32)

    def weigh(total: Block, here: slice) -> None:
        squares = np.square(weighting.process(total)).sum(axis=0)
        powers[here] = np.add.reduceat(squares, np.arange(0, len(squares), step)) / step

    def peaks(blocks: Sequence[Block], here: slice) -> None:
        for block in blocks:
            np.maximum(stem_peaks[here], step_peaks(block, step), out=stem_peaks[here])

    with trimmed.blocks(run) as read:
        for start, frames, blocks in read:
            here = slice(start // step, -(-(start + frames) // step))
            total = np.zeros((2, frames), np.float32)
            for block in blocks:
                total += block
            for job in [
                run.pool.submit(weigh, total, here),
                run.pool.submit(of_sum.update, total),
                run.pool.submit(peaks, blocks, here),
            ]:
                job.result()
            run.progress(frames / rate_hz)
    key = of_sum.result()
    np.maximum(key, stem_peaks, out=key)
    return SumFacts(step_s=step / rate_hz, steps_per_hop=hop // step, sidechain_db=peaks_db(key), powers=powers)


def write_master(
    families: Families, plan: MasterPlan, facts: SumFacts, files: SongFiles, run: Pass
) -> tuple[Path, ...]:
    """Write mix and stems; returns their paths, the mix first.

    Each stem is quantised with its own dither, and the mix is the sum of those integers, so mix minus stems is zero.
    The master's curve is one for all, so what holds for the sum at the limiter holds for every file.
    """
    rate_hz, mix, stems = families.rate_hz, files.mix, files.stems
    trimmed = _trimmed(families, plan.trims)
    curve_db = _limiter_curve(facts, plan)
    curve_db += np.float32(plan.gain_db)
    step = step_frames(rate_hz)
    dithers = [Dither(plan.dither_seed + index, 2, mix.bits) for index in range(len(families.names))]
    with ExitStack() as stack:
        mix_writer = stack.enter_context(mix.writer(files.title, rate_hz, 2, families.frames))
        writers = [stack.enter_context(stems.writer(name, rate_hz, 2, families.frames)) for name in families.names]

        def stem(job: tuple[int, Block, NDArray[np.float32]]) -> NDArray[np.int32]:
            index, block, gain = job
            block *= gain
            samples = dithers[index].process(block)
            writers[index].write(samples)
            return samples

        for start, frames, blocks in stack.enter_context(trimmed.blocks(run)):
            gain = expand(curve_db, step, start, frames)
            jobs = [(index, block, gain) for index, block in enumerate(blocks)]
            total = np.zeros((2, frames), np.int32)
            for samples in run.pool.map(stem, jobs):
                total += samples
            mix_writer.write(total)
            run.progress(frames / rate_hz)
    return (mix.path(files.title), *(stems.path(name) for name in families.names))


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
