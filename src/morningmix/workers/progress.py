"""Progress callbacks."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, float], None]
"""Receives the name of the step and the fraction done, 0..1."""


def step_progress(progress: Progress, step: str, total: float) -> Callable[[float], None]:
    """Progress callback in seconds of sound that reports the fraction of a step."""
    done = 0.0

    def on_seconds(seconds: float) -> None:
        nonlocal done
        done += seconds
        progress(step, min(1.0, done / total) if total > 0.0 else 1.0)

    return on_seconds


def no_progress(step: str, fraction: float) -> None:
    """Ignore progress."""
