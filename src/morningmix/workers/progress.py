"""Progress callbacks."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, float], None]
"""Told the step and the share of it that is done, 0..1."""


def step_progress(progress: Progress, step: str, total: float) -> Callable[[float], None]:
    """Turns seconds of sound done into the share of a step."""
    done = 0.0

    def told(seconds: float) -> None:
        nonlocal done
        done += seconds
        progress(step, min(1.0, done / total) if total > 0.0 else 1.0)

    return told


def no_progress(step: str, step_progress: float) -> None:
    """Says nothing."""
