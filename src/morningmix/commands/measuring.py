"""Measure the takes of an order; the first part of most commands."""

from __future__ import annotations

from morningmix.analysis.analyse import COMPARING_COST, analyse, look
from morningmix.analysis.analysed import AnalysedTake
from morningmix.commands.order import Order, source_of
from morningmix.measure.take import MEASURING_COST
from morningmix.storage.home import Home
from morningmix.workers.jobs import Lane, Run

_COMPARISONS = 4


def measured_takes(order: Order, home: Home, run: Run, *, write_recipe: bool = True) -> tuple[AnalysedTake, ...]:
    """The takes, measured and named, their microphones as they were recorded. Raises as `analysis.analyse` does."""
    _, takes = look(source_of(order), home)
    run.meter.expect(
        sum(take.duration_s * (MEASURING_COST * len(take.recordings) + _COMPARISONS * COMPARING_COST) for take in takes)
    )
    return analyse(source_of(order), home, Lane(run), write_recipe=write_recipe)
