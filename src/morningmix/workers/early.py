"""Begin with a run's processes before the run itself is loaded."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
from collections.abc import Sequence
from contextlib import suppress


def load_early(workers: int | None, modules: Sequence[str]) -> None:
    """Let the fork server load modules while this process still loads its own; another core has nothing to do yet."""
    if sys.platform == "win32" or workers == 1 or os.cpu_count() == 1:
        return
    from multiprocessing import forkserver, resource_tracker

    multiprocessing.get_context("forkserver").set_forkserver_preload(list(modules))
    # An interrupt is for the run alone: the fork server inherits the mask, which starting the tracker would undo.
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        # Where the system refuses another process, the first worker says so.
        with suppress(OSError):
            forkserver.ensure_running()
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
