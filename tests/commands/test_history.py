"""What the homes beside a rehearsal remember of it."""

from __future__ import annotations

import json
import os
from pathlib import Path

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of the files under test

from end_to_end.said import run_here
from morningmix.commands.history import over_weeks, rehearsals_before, say_again
from morningmix.files.findings import read_findings
from morningmix.model.found import Finding, FoundThen
from synthetic import write_take

CLIPPED = Finding(name="Snare", kind="clipped", says="Snare hit full scale 3 times.", weight=90.0)


def then(when: str, *faults: tuple[str, str]) -> FoundThen:
    return FoundThen(when=when, faults=frozenset(faults))


@pytest.mark.parametrize(
    ("before", "says"),
    [
        ([], "Snare hit full scale 3 times."),
        ([then("c")], "Snare hit full scale 3 times."),
        ([then("c", ("snare", "silent"))], "Snare hit full scale 3 times."),
        ([then("c", ("snare", "clipped"))], "Snare hit full scale 3 times. This is the second rehearsal in a row."),
        (
            [then("c", ("snare", "clipped")), then("b", ("snare", "clipped")), then("a")],
            "Snare hit full scale 3 times. This is the third rehearsal in a row.",
        ),
        ([then("c"), then("b", ("snare", "clipped"))], "Snare hit full scale 3 times."),
    ],
)
def test_only_what_came_without_a_break_counts(before: list[FoundThen], says: str) -> None:
    assert say_again([CLIPPED], before)[0].says == says


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        '{"when": 3, "findings": []}',
        '{"findings": []}',
        "\x00" * 20,
        '{"when": "yesterday", "findings": []}',
        '{"when": "20261112", "findings": []}',
    ],
)
def test_what_is_not_ours_is_passed_over(tmp_path: Path, text: str) -> None:
    (tmp_path / "findings.json").write_text(text, encoding="utf-8")
    assert read_findings(tmp_path / "findings.json") is None


def test_only_earlier_ones_count_latest_first(tmp_path: Path) -> None:
    for name, when in (("a", "2026-11-05"), ("b", "2026-11-12"), ("c", "2026-11-19"), ("me", "2026-11-19")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "findings.json").write_text(json.dumps({"when": when, "findings": []}), encoding="utf-8")
    assert [then.when for then in rehearsals_before(tmp_path / "me", "2026-11-19")] == ["2026-11-12", "2026-11-05"]


def test_weeks_are_in_order_with_this_one_last_and_at_most_eight() -> None:
    before = [then(f"2026-10-{day:02d}", ("snare", "quiet")) for day in range(20, 10, -1)]
    weeks = over_weeks([CLIPPED], "2026-10-27T20:00:00+00:00", before)
    assert [week.when[8:10] for week in weeks] == ["14", "15", "16", "17", "18", "19", "20", "27"]
    assert weeks[-1].faults == {("snare", "clipped")}
    assert weeks[-1].names == {"snare": "Snare"}


def test_folders_of_one_day_are_one_rehearsal() -> None:
    before = [then("2026-11-05T21:00:00", ("kick", "quiet")), then("2026-11-05T20:00:00", ("snare", "quiet"))]
    (week, now) = over_weeks([], "2026-11-12", before)
    assert week.faults == {("kick", "quiet"), ("snare", "quiet")}
    assert not now.faults


def test_check_says_that_it_is_the_third_in_a_row(tmp_path: Path) -> None:
    """Three evenings on which the same input recorded nothing."""
    said = []
    for evening in range(3):
        folder = tmp_path / f"evening {evening}"
        write_take(folder, 2.0, 24_000)
        soundfile.write(folder / "snare.wav", np.zeros(48_000), 24_000, subtype="PCM_24")
        for path in folder.iterdir():
            os.utime(path, (1e9 + 604_800 * evening,) * 2)
        done = run_here("check", folder.name, cwd=tmp_path)
        assert done.returncode == 0, done.stderr
        said.append(done.stdout)
    assert "in a row" not in said[0]
    assert "This is the second rehearsal in a row" in said[1]
    assert "This is the third rehearsal in a row" in said[2]
    # Once more, the same: a rehearsal is not before itself.
    assert run_here("check", "evening 2", cwd=tmp_path).stdout == said[2]
