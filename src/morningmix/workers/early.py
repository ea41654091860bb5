"""Start a run's processes while the run itself is still being loaded."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
from collections.abc import Sequence
from contextlib import suppress


def load_early(workers: int | None, modules: Sequence[str]) -> None:
    """Let the fork server load modules on another core while this process loads its own.

    Does nothing on Windows, for one worker, or where the system refuses another process: the first worker says so.
    """
    if sys.platform == "win32" or workers == 1 or os.cpu_count() == 1:
        return
    from multiprocessing import forkserver, resource_tracker

    with suppress(OSError):
        multiprocessing.get_context("forkserver").set_forkserver_preload(list(modules))
        # An interrupt is for the run alone: the fork server inherits the mask, which starting the tracker would undo.
        resource_tracker.ensure_running()
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            forkserver.ensure_running()
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)
