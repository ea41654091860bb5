"""The command `check`: what the recorder got."""

from __future__ import annotations

from morningmix.analysis.analyse import analyse
from morningmix.commands.order import Order, home_for, source_of, workers_of, working_in
from morningmix.commands.result import Result, recorded_when, result_of
from morningmix.files.findings import FINDINGS, write_findings
from morningmix.workers.progress import Progress, no_progress


def check(order: Order, progress: Progress = no_progress) -> Result:
    """Measure a take and find what is wrong. Writes the findings into the mix folder, and otherwise only the cache.

    Bleed is not removed, which would take most of the time; drowned vocals are reported after a mix only.
    """
    home = home_for(order)
    with working_in(home):
        analysed_takes = analyse(
            source_of(order), home, workers_of(order), progress, write_recipe=False, take_bleed_out=False
        )
        result = result_of(analysed_takes, ())
        write_findings(home.root / FINDINGS, recorded_when(analysed_takes), result.findings)
    return result
