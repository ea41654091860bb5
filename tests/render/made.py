"""Families rendered and written by jobs, for what tests the renderer."""

from __future__ import annotations

from functools import partial
from itertools import count
from pathlib import Path

from lanes import lane_here
from morningmix.audio.scratch import Scratch
from morningmix.dsp.control import loudness_hop_frames
from morningmix.model.measured import SumFacts
from morningmix.model.plan import MasterPlan, SongPlan
from morningmix.model.recording import Recording
from morningmix.render.families import (
    BLOCK_HOPS,
    Families,
    family_names,
    frames_of,
    joined,
    measure_gram,
    render_family,
)
from morningmix.render.master import master_curve_db, trimmed, write_mix, write_stem
from morningmix.render.output import Output, SongFiles
from morningmix.workers.jobs import Job, Lane

NUMBERS = count()


def render_families(
    plan: SongPlan,
    recordings: tuple[Recording, ...],
    folder: Path,
    *,
    tracks_output: Output | None = None,
    lane: Lane | None = None,
    block_hops: int = BLOCK_HOPS,
) -> Families:
    """All families of a song, each rendered by a job."""

    def scratch() -> Scratch:
        path = folder / f"{next(NUMBERS)}.scratch"
        return Scratch(path=path, rate_hz=plan.rate_hz, channels=2, frames=frames_of(plan))

    calls = [
        partial(render_family, plan, recordings, name, scratch(), tracks_output, block_hops)
        for name in family_names(plan)
    ]
    rendered = (lane or lane_here()).all([Job(what="render", call=call, cost=1.0) for call in calls])
    sounds = [family.sound for family in rendered]
    hops = frames_of(plan) // loudness_hop_frames(plan.rate_hz)
    return joined(plan, rendered, measure_gram(plan, sounds, 0, hops, block_hops))


def write_master(
    families: Families,
    master: MasterPlan,
    facts: SumFacts,
    files: SongFiles,
    *,
    lane: Lane | None = None,
    block_hops: int = BLOCK_HOPS,
) -> tuple[Path, ...]:
    """Paths of the mix and the stems, each stem written by a job."""
    curve_db = master_curve_db(facts, master)
    calls = [
        partial(write_stem, family, curve_db, files.stems, name, master.dither_seed + place, block_hops)
        for place, (name, family) in enumerate(zip(families.names, trimmed(families, master.trims), strict=True))
    ]
    (lane or lane_here()).all([Job(what="write", call=call, cost=1.0) for call in calls])
    write_mix(families, files, block_hops)
    return (files.mix.path(files.title), *(files.stems.path(name) for name in families.names))
