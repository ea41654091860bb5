"""The command `recipe`: measure a take and write its recipe."""

from __future__ import annotations

from morningmix.analysis.analyse import analyse
from morningmix.analysis.kept import with_cached
from morningmix.commands.order import Callbacks, Order, home_for, running, source_of, working_in
from morningmix.commands.result import Result, result_of
from morningmix.workers.jobs import Lane


def write_recipe(order: Order, callbacks: Callbacks | None = None) -> Result:
    """Listen to a take and write its recipe if there is none; mixes nothing."""
    home = home_for(order)
    with working_in(home), running(order, callbacks or Callbacks()) as run:
        return result_of(with_cached(analyse(source_of(order), home, Lane(run))), ())
