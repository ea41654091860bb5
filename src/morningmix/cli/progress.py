"""Progress on the error stream."""

from __future__ import annotations

import sys
from typing import Any

from morningmix.model.names import visible


class Bar:
    """Progress on the error stream if a person is watching there."""

    def __init__(self, *, shown: bool, of: tuple[int, int] = (1, 1)) -> None:
        self._shown = shown and sys.stderr.isatty()
        self._which = "" if of[1] == 1 else f"{of[0]} of {of[1]}: "
        self._rich: Any = None
        self._tasks: dict[str, Any] = {}

    def __enter__(self) -> Bar:
        if self._shown:
            from rich.console import Console
            from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

            self._rich = Progress(
                TextColumn("{task.description}", markup=False),
                BarColumn(),
                TimeRemainingColumn(),
                console=Console(stderr=True),
                transient=True,
            )
            self._rich.start()
        return self

    def show(self, step: str, fraction: float) -> None:
        """Show how far a step of the work is, 0..1."""
        if self._rich is not None:
            if step not in self._tasks:
                self._tasks[step] = self._rich.add_task(visible(f"{self._which}{step}"), total=1.0)
            self._rich.update(self._tasks[step], completed=fraction)

    def __exit__(self, *error: object) -> None:
        if self._rich is not None:
            self._rich.stop()
