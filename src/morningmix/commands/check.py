"""The command `check`: what the recorder got."""

from __future__ import annotations

from morningmix.analysis.analyse import analyse
from morningmix.analysis.kept import with_cached
from morningmix.commands.order import Callbacks, Order, home_for, running, source_of, working_in
from morningmix.commands.result import Result, recorded_when, result_of
from morningmix.files.findings import FINDINGS, write_findings
from morningmix.workers.jobs import Lane


def check(order: Order, callbacks: Callbacks | None = None) -> Result:
    """What the recorder got; writes the findings into the home, and nothing else but the cache.

    Bleed is not removed, which would take most of the time; drowned vocals are reported after a mix only.
    """
    home = home_for(order)
    with working_in(home), running(order, callbacks or Callbacks()) as run:
        analysed_takes = with_cached(analyse(source_of(order), home, Lane(run), write_recipe=False))
        result = result_of(analysed_takes, ())
        write_findings(home.root / FINDINGS, recorded_when(analysed_takes), result.findings)
    return result
