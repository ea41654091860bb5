"""What was found in a rehearsal, remembered for the next."""

from __future__ import annotations

import json
from pathlib import Path

from morningmix.files.findings import read_findings, write_findings
from morningmix.model.found import Finding

WHEN = "2026-11-19"


def finding(name: str, kind: str) -> Finding:
    return Finding(name=name, kind=kind, says=f"Something about {name}.", weight=1.0)


def test_findings_read_back_as_they_were_written(tmp_path: Path) -> None:
    found = (finding("Lead Vocal", "feedback"), finding("bass", "gain step"))
    write_findings(tmp_path / "findings.json", WHEN, found)
    then = read_findings(tmp_path / "findings.json")
    assert then is not None
    assert (then.when, then.faults) == (WHEN, {each.fault for each in found})


def test_kinds_of_earlier_versions_have_the_names_of_today(tmp_path: Path) -> None:
    rows = [{"input": "lead vocal", "kind": kind, "says": ""} for kind in ("howl", "turned", "hum")]
    (tmp_path / "findings.json").write_text(json.dumps({"when": WHEN, "findings": rows}), encoding="utf-8")
    then = read_findings(tmp_path / "findings.json")
    assert then is not None
    assert then.faults == {finding("lead vocal", kind).fault for kind in ("feedback", "gain step", "hum")}
