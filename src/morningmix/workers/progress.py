"""Progress of a whole run."""

from __future__ import annotations

from collections.abc import Callable
from threading import Lock

Progress = Callable[[str, float], None]
"""Receives the name of the step and the fraction done of the whole run, 0..1."""


class Meter:
    """Adds up what is done of a run. The fraction never falls, whatever turns out to be left."""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self._lock = Lock()
        self._step = ""
        self._done, self._expected, self._shown = 0.0, 0.0, 0.0

    def expect(self, cost: float) -> None:
        """Say how much work is left from here on, in seconds of one core."""
        with self._lock:
            self._expected = self._done + cost
            self._show()

    def step(self, words: str) -> None:
        """Say what is being done now."""
        with self._lock:
            self._step = words
            self._show()

    def did(self, cost: float) -> None:
        """Count work that is done. May be called from any thread."""
        with self._lock:
            self._done += cost
            self._show()

    def _show(self) -> None:
        if self._expected > 0.0:
            self._shown = max(self._shown, min(1.0, self._done / self._expected))
        self._progress(self._step, self._shown)


def no_progress(step: str, fraction: float) -> None:
    """Ignore progress."""
