"""The trace of a run: which job ran when and where, and what it waited for."""

from __future__ import annotations

import json
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Event:
    """One job that was done."""

    what: str
    start_s: float
    end_s: float
    worker: int
    number: int
    needs: tuple[int, ...]
    """Numbers of the jobs that had to be done before."""


@dataclass(slots=True)
class Trace:
    """All jobs of a run, as they ended."""

    events: list[Event] = field(default_factory=list)

    def add(self, event: Event) -> None:
        """Keep a job; may be called from any thread."""
        self.events.append(event)

    def text(self) -> str:
        """The trace as JSON in the Trace Event Format of the Chrome browser ("X" events, times in microseconds)."""
        first_s = min((event.start_s for event in self.events), default=0.0)
        rows = [
            {
                "name": event.what,
                "ph": "X",
                "ts": round(1e6 * (event.start_s - first_s)),
                "dur": round(1e6 * (event.end_s - event.start_s)),
                "pid": 1,
                "tid": event.worker,
                "args": {"number": event.number, "needs": list(event.needs)},
            }
            for event in sorted(self.events, key=lambda event: event.start_s)
        ]
        return json.dumps({"traceEvents": rows}, indent=0) + "\n"
