"""findings.json: what was found in a rehearsal, kept in its home."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from morningmix.facts import Finding
from morningmix.files.text import write_text_whole

FINDINGS = "findings.json"


def write_findings(path: Path, findings: Sequence[Finding]) -> None:
    """Write them, worst first. Raises `OutputError`."""
    rows = [{"input": one.name, "kind": one.kind, "says": one.says} for one in findings]
    write_text_whole(path, json.dumps({"findings": rows}, indent=1, ensure_ascii=False) + "\n")
