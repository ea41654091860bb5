"""Lanes whose jobs run in the tests' own process."""

from __future__ import annotations

from morningmix.workers.jobs import Here, Lane, Run
from morningmix.workers.progress import Meter, Progress, no_progress
from morningmix.workers.trace import Trace


def lane_here(progress: Progress = no_progress) -> Lane:
    """A lane of a run with one worker, which is this process."""
    return Lane(Run(runner=Here(), meter=Meter(progress), trace=Trace()))
