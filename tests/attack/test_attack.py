"""Two hundred cases of every attack that `long.py` runs by the thousand; ``--only "KIND:SEED"`` shows one again."""

from __future__ import annotations

import sys

import pytest

if sys.platform == "win32":
    pytest.skip("children are forked and limited the POSIX way", allow_module_level=True)

from attack.long import failures_by_kind

COUNTS = {
    "recordings": 15,
    "recipes": 40,
    "input lists": 10,
    "wishes": 15,
    "sheets": 40,
    "findings": 8,
    "caches": 16,
    "journals": 20,
    "swaps": 10,
    "full disks": 6,
    "links": 20,
    "permissions": 20,
    "names": 4,
}


@pytest.fixture(scope="module")
def failures() -> dict[str, list[str]]:
    return failures_by_kind(COUNTS, seed=2)


@pytest.mark.parametrize("kind", COUNTS)
def test_nothing_is_lost_and_nothing_but_a_line_is_said(kind: str, failures: dict[str, list[str]]) -> None:
    assert not failures[kind], "\n".join(failures[kind])
