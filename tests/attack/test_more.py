"""Two hundred more cases, mostly of what takes longer; a file of its own, so that another core takes it."""

from __future__ import annotations

import sys

import pytest

if sys.platform == "win32":
    pytest.skip("children are forked and limited the POSIX way", allow_module_level=True)

from attack.long import failures_by_kind

COUNTS = {
    "recordings": 21,
    "recipes": 36,
    "input lists": 5,
    "wishes": 8,
    "sheets": 46,
    "findings": 3,
    "caches": 21,
    "journals": 23,
    "swaps": 3,
    "kills": 12,
    "full disks": 10,
    "denials": 8,
    "largest files": 4,
    "links": 30,
    "permissions": 24,
    "names": 6,
}

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def failures() -> dict[str, list[str]]:
    return failures_by_kind(COUNTS, seed=3)


@pytest.mark.parametrize("kind", COUNTS)
def test_nothing_is_lost_in_more_of_them_either(kind: str, failures: dict[str, list[str]]) -> None:
    assert not failures[kind], "\n".join(failures[kind])
