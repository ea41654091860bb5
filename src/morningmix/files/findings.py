"""findings.json: what was found in a rehearsal and when that was, kept in its mix folder."""

from __future__ import annotations

import datetime
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ValidationError  # noqa: TID251 - this room may

from morningmix.errors import RecipeError
from morningmix.model.found import Finding, FoundThen
from morningmix.model.names import plain, visible
from morningmix.storage.text import read_text, write_text_whole

FINDINGS = "findings.json"

_FORMER_KINDS = {"howl": "feedback", "turned": "gain step"}
"""Kinds as earlier versions wrote them, and their names today."""


def _when(text: str) -> str:
    date = datetime.datetime.fromisoformat(text).date()
    if not text.startswith(date.isoformat()):
        raise ValueError("must begin with a date such as 2026-11-19")
    return text


class _Row(BaseModel):
    input: str
    kind: Annotated[str, AfterValidator(lambda kind: _FORMER_KINDS.get(kind, kind))]


class _File(BaseModel):
    when: Annotated[str, AfterValidator(_when)]
    findings: list[_Row]


def write_findings(path: Path, when: str, findings: Sequence[Finding]) -> None:
    """Write them, worst first. Raises `OutputError`."""
    rows = [{"input": finding.name, "kind": finding.kind, "says": visible(finding.says)} for finding in findings]
    write_text_whole(path, json.dumps({"when": when, "findings": rows}, indent=1, ensure_ascii=False) + "\n")


def read_findings(path: Path) -> FoundThen | None:
    """What was found then; None for a file that this program did not write."""
    try:
        file = _File.model_validate_json(read_text(path))
    except (RecipeError, ValidationError):
        return None
    return FoundThen(
        when=file.when,
        faults=frozenset((plain(row.input), row.kind) for row in file.findings),
        names={plain(row.input): row.input for row in file.findings},
    )
