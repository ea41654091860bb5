"""Recurring faults: what the mix folders beside this one say was wrong in earlier rehearsals."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from morningmix.files.findings import FINDINGS, read_findings
from morningmix.model.found import Finding, FoundThen
from morningmix.model.names import plain
from morningmix.model.recording import Take

_NTH = ("second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")
_MOST_HOMES = 500
_MOST_WEEKS = 8


def recorded_at(takes: Sequence[Take], date: str | None) -> str:
    """Date of a rehearsal, ISO 8601: from its recipe, else when the last of its files was written."""
    if date is not None:
        return date
    written = max(
        part.path.stat().st_mtime for take in takes for recording in take.recordings for part in recording.parts
    )
    return datetime.datetime.fromtimestamp(written, datetime.UTC).isoformat(timespec="seconds")


def rehearsals_before(root: Path, when: str) -> list[FoundThen]:
    """Findings of earlier rehearsals, from the mix folders beside `root`, the latest first."""
    return [then for _, then in _before(root, when)]


def homes_before(root: Path, when: str) -> list[Path]:
    """Mix folders of earlier rehearsals beside `root`, the latest first."""
    return [home for home, _ in _before(root, when)]


def _before(root: Path, when: str) -> list[tuple[Path, FoundThen]]:
    beside = sorted(root.parent.glob(f"*/{FINDINGS}"))[:_MOST_HOMES]
    found = [(path.parent, read_findings(path)) for path in beside if path.parent != root]
    earlier = [(home, then) for home, then in found if then is not None and then.when < when]
    return sorted(earlier, key=lambda each: each[1].when)[::-1]


def say_again(findings: Sequence[Finding], before: Sequence[FoundThen]) -> tuple[Finding, ...]:
    """The findings; those that the last rehearsals in a row had too say so."""
    return tuple(_again(finding, before) for finding in findings)


def _again(finding: Finding, before: Sequence[FoundThen]) -> Finding:
    times = next((at for at, then in enumerate(before) if finding.fault not in then.faults), len(before))
    if not times:
        return finding
    nth = _NTH[times - 1] if times <= len(_NTH) else f"{times + 1}th"
    return replace(finding, says=f"{finding.says.rstrip('.')}. This is the {nth} rehearsal in a row.")


def over_weeks(findings: Sequence[Finding], when: str, before: Sequence[FoundThen]) -> tuple[FoundThen, ...]:
    """The last rehearsals with this one, at most eight, the earliest first; those of one day count as one."""
    now = FoundThen(
        when=when,
        faults=frozenset(finding.fault for finding in findings),
        names={plain(finding.name): finding.name for finding in findings},
    )
    days: dict[str, FoundThen] = {}
    for then in (*reversed(before), now):
        day = then.when[:10]
        earlier = days.get(day, then)
        days[day] = replace(then, faults=earlier.faults | then.faults, names={**earlier.names, **then.names})
    return tuple(days.values())[-_MOST_WEEKS:]
