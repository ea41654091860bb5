"""Start a run's processes while the run itself is still being loaded."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
from collections.abc import Sequence
from contextlib import suppress

if sys.platform != "win32":
    from multiprocessing import forkserver, resource_tracker


def load_early(workers: int | None, modules: Sequence[str]) -> None:
    """Let the fork server load modules on another core while this process loads its own.

    Does nothing on Windows, for one worker, or where the system refuses another process: the first worker says so.
    """
    if sys.platform != "win32" and workers != 1 and os.cpu_count() != 1:
        with suppress(OSError):
            multiprocessing.get_context("forkserver").set_forkserver_preload(list(modules))
            # Starting the tracker ends a mask. The fork server inherits it: an interrupt is for the run alone.
            resource_tracker.ensure_running()
            before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
            try:
                forkserver.ensure_running()
            finally:
                signal.pthread_sigmask(signal.SIG_SETMASK, before)
