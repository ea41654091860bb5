"""A hundred cases of the attacks that `long.py` runs by the thousand; ``--only "KIND:SEED"`` repeats one."""

from __future__ import annotations

import sys

import pytest

if sys.platform == "win32":
    pytest.skip("children are forked and limited the POSIX way", allow_module_level=True)

from attack.long import failures_by_kind

COUNTS = {
    "recordings": 8,
    "recipes": 18,
    "input lists": 6,
    "wishes": 8,
    "sheets": 16,
    "findings": 6,
    "caches": 10,
    "journals": 10,
    "swaps": 6,
    "full disks": 3,
    "links": 8,
    "permissions": 8,
    "names": 2,
}


@pytest.fixture(scope="module")
def failures() -> dict[str, list[str]]:
    return failures_by_kind(COUNTS, seed=2)


@pytest.mark.parametrize("kind", COUNTS)
def test_nothing_is_lost_and_the_error_is_one_line(kind: str, failures: dict[str, list[str]]) -> None:
    assert not failures[kind], "\n".join(failures[kind])
