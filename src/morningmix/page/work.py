"""Long work for the page, one piece at a time: in a thread that hands jobs to worker processes, never in the server."""

from __future__ import annotations

import time
import traceback
from collections.abc import Callable
from threading import Lock, Thread

from morningmix.commands.order import Callbacks, runner_for
from morningmix.errors import BusyError, known_error
from morningmix.page.events import Events
from morningmix.workers.jobs import Runner

_BETWEEN_S = 0.2
"""Between two reports of progress."""

Piece = Callable[[Runner, Callbacks], None]
"""Does the work with a runner and tells the callbacks."""


class Work:
    """Runs pieces of work, tells the pages how far they are, and calls `ended` after each."""

    def __init__(self, events: Events, ended: Callable[[], None] = lambda: None) -> None:
        self._events, self._ended = events, ended
        self._lock = Lock()
        self._thread: Thread | None = None
        self._runner: Runner | None = None
        self._began_s = self._said_s = 0.0
        self._what = ""
        self._stopped = False

    @property
    def running(self) -> bool:
        """Whether something is being worked on."""
        with self._lock:
            return self._thread is not None

    def start(self, what: str, piece: Piece) -> None:
        """Begin a piece of work. Raises `BusyError` while another one runs."""
        with self._lock:
            if self._thread is not None:
                raise BusyError(f"One thing at a time: still {self._what}. Try again when it is done.")
            self._what, self._began_s, self._said_s = what, time.monotonic(), 0.0
            self._thread = Thread(target=self._run, args=(what, piece), daemon=True)
            self._thread.start()

    def stop(self) -> None:
        """Give up what runs; what it was making stays as it was before."""
        self._stopped = True
        thread, runner = self._thread, self._runner
        if runner is not None:
            runner.stop()
        # An interrupt may have come before it was started.
        if thread is not None and thread.is_alive():
            thread.join(timeout=10.0)

    def _run(self, what: str, piece: Piece) -> None:
        self._events.tell("work", running=True, what=what, step=what, fraction=0.0, left_s=None)
        problem = None
        try:
            with runner_for(None, None, self._note) as runner:
                self._runner = runner
                piece(runner, Callbacks(progress=self._progress, note=self._note))
        except BaseException as error:
            known = known_error(error)
            if known is None and self._stopped:
                return
            if known is None:
                traceback.print_exc()
                says = str(error) or type(error).__name__
                problem = f"This should not happen, and is a mistake in the program: {says}"
            else:
                problem = str(known)
        with self._lock:
            self._thread = self._runner = None
            self._events.tell("work", running=False, what=what, problem=problem)
        self._ended()

    def _note(self, line: str) -> None:
        self._events.tell("note", says=line)

    def _progress(self, step: str, fraction: float) -> None:
        now_s = time.monotonic()
        if now_s - self._said_s < _BETWEEN_S:
            return
        self._said_s = now_s
        left_s = (now_s - self._began_s) * (1.0 - fraction) / fraction if fraction >= 0.05 else None
        self._events.tell("work", running=True, what=self._what, step=step, fraction=fraction, left_s=left_s)
