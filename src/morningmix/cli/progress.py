"""Progress on the error stream: a bar where a person watches, a line now and then where none does."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from threading import RLock
from typing import Any

from morningmix.model.names import visible

_QUIET_S = 10.0
"""Between two lines where there is no terminal (design choice)."""


class Bar:
    """One bar for a whole run."""

    def __init__(self, *, shown: bool) -> None:
        self._shown, self._watched = shown, sys.stderr.isatty()
        self._bar: Any = None
        self._task: Any = None
        self._lock = RLock()
        self._began_s = self._said_s = time.monotonic()

    def __enter__(self) -> Bar:
        if self._shown and self._watched:
            from rich.console import Console
            from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

            self._bar = Progress(
                TextColumn("{task.description}", markup=False),
                BarColumn(),
                TimeRemainingColumn(),
                console=Console(stderr=True),
                transient=True,
            )
            self._task = self._bar.add_task("starting", total=1.0)
            self._bar.start()
        return self

    def show(self, step: str, fraction: float) -> None:
        """Show the step, and how far the whole run is. May be called from any thread."""
        words = visible(step)
        with self._lock:
            if self._bar is not None:
                self._bar.update(self._task, description=words, completed=fraction)
            elif self._shown and step and time.monotonic() - self._said_s >= _QUIET_S:
                self._said_s = time.monotonic()
                print(f"{words}: {100.0 * fraction:.0f} % done{self._left(fraction)}", file=sys.stderr, flush=True)

    def _left(self, fraction: float) -> str:
        if fraction < 0.05:
            return ""
        left_s = (time.monotonic() - self._began_s) * (1.0 - fraction) / fraction
        return f", about {left_s / 60.0:.0f} min left" if left_s > 90.0 else f", about {left_s:.0f} s left"

    def note(self, line: str) -> None:
        """Print a line above the bar."""
        with self._lock:
            if self._bar is not None:
                self._bar.console.print(visible(line), markup=False, highlight=False, soft_wrap=True)
            elif self._shown:
                print(visible(line), file=sys.stderr, flush=True)

    @contextmanager
    def aside(self) -> Iterator[None]:
        """Take the bar away while something is printed."""
        with self._lock:
            if self._bar is not None:
                self._bar.stop()
            yield
            if self._bar is not None:
                self._bar.start()

    def __exit__(self, *error: object) -> None:
        if self._bar is not None:
            self._bar.stop()
