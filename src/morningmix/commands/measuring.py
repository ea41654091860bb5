"""Measure the takes of an order; the first part of most commands."""

from __future__ import annotations

from morningmix.analysis.analyse import COMPARING_COST, analyse, look
from morningmix.analysis.analysed import AnalysedTake
from morningmix.commands.order import Order, source_of
from morningmix.measure.take import MEASURING_COST
from morningmix.storage.home import Home
from morningmix.workers.jobs import Lane, Run

_COMPARISONS = 4


def measured_takes(
    order: Order, home: Home, run: Run, *, write_recipe: bool = True, later_cost: float = 0.0
) -> tuple[AnalysedTake, ...]:
    """The takes, measured and named, their microphones as they were recorded. Raises as `analysis.analyse` does.

    `later_cost` is what comes after it, in seconds of one core per second of a take, for the progress.
    """
    _, takes = look(source_of(order), home)
    comparing = _COMPARISONS * COMPARING_COST + later_cost
    run.meter.expect(sum(take.duration_s * (MEASURING_COST * len(take.recordings) + comparing) for take in takes))
    return analyse(source_of(order), home, Lane(run), write_recipe=write_recipe)
