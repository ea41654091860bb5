"""What was wrong last time too: the mix folders beside this one remember what was found in them."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from morningmix.files.findings import FINDINGS, FoundThen, fault, read_findings
from morningmix.model.found import Finding
from morningmix.model.recording import Take

_NTH = ("second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")
_MOST_HOMES = 500


def recorded_at(takes: Sequence[Take], date: str | None) -> str:
    """When a rehearsal was, ISO 8601: as its recipe says, else when the last of its files was last written."""
    if date is not None:
        return date
    written = max(part.path.stat().st_mtime for take in takes for one in take.recordings for part in one.parts)
    return datetime.datetime.fromtimestamp(written, datetime.UTC).isoformat(timespec="seconds")


def rehearsals_before(root: Path, when: str) -> list[FoundThen]:
    """What was found in the mix folders beside `root` before, the latest first."""
    beside = sorted(root.parent.glob(f"*/{FINDINGS}"))[:_MOST_HOMES]
    found = [read_findings(path) for path in beside if path.parent != root]
    return sorted((one for one in found if one is not None and one.when < when), key=lambda one: one.when)[::-1]


def say_again(findings: Sequence[Finding], before: Sequence[FoundThen]) -> tuple[Finding, ...]:
    """The findings, those of the last rehearsals in a row said to be so."""
    return tuple(_again(finding, before) for finding in findings)


def _again(finding: Finding, before: Sequence[FoundThen]) -> Finding:
    times = next((at for at, then in enumerate(before) if fault(finding) not in then.faults), len(before))
    if not times:
        return finding
    nth = _NTH[times - 1] if times <= len(_NTH) else f"{times + 1}th"
    return replace(finding, says=f"{finding.says.rstrip('.')}. This is the {nth} rehearsal in a row.")
