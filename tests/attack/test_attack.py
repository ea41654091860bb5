"""Some cases of the attacks that `long.py` runs by the thousand; ``--only "KIND:SEED"`` repeats one."""

from __future__ import annotations

import sys

import pytest

if sys.platform == "win32":
    pytest.skip("children are forked and limited the POSIX way", allow_module_level=True)

from attack.long import failures_by_kind

COUNTS = {
    "recordings": 4,
    "recipes": 9,
    "input lists": 3,
    "wishes": 4,
    "sheets": 8,
    "findings": 3,
    "caches": 5,
    "journals": 5,
    "swaps": 3,
    "full disks": 1,
    "links": 4,
    "permissions": 4,
    "names": 1,
}


@pytest.fixture(scope="module")
def failures() -> dict[str, list[str]]:
    return failures_by_kind(COUNTS, seed=2)


@pytest.mark.slow
@pytest.mark.parametrize("kind", COUNTS)
def test_nothing_is_lost_and_the_error_is_one_line(kind: str, failures: dict[str, list[str]]) -> None:
    assert not failures[kind], "\n".join(failures[kind])
