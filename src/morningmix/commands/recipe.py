"""The command `recipe`: measure a take and write its recipe."""

from __future__ import annotations

from morningmix.analysis.analyse import analyse
from morningmix.commands.order import Order, home_for, source_of, workers_of, working_in
from morningmix.commands.result import Result, result_of
from morningmix.workers.progress import Progress, no_progress


def write_recipe(order: Order, progress: Progress = no_progress) -> Result:
    """Measure a take and write its recipe if there is none. Mixes nothing."""
    home = home_for(order)
    with working_in(home):
        analysed_takes = analyse(source_of(order), home, workers_of(order), progress)
    return result_of(analysed_takes, ())
