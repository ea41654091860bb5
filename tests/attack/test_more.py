"""Two hundred more cases, mostly of what takes longer; a file of its own, so that another core takes it."""

from __future__ import annotations

import sys

import pytest

if sys.platform == "win32":
    pytest.skip("children are forked and limited the POSIX way", allow_module_level=True)

from attack.long import failures_by_kind

COUNTS = {
    "recordings": 17,
    "recipes": 27,
    "input lists": 2,
    "wishes": 4,
    "sheets": 38,
    "caches": 16,
    "journals": 18,
    "kills": 12,
    "full disks": 8,
    "denials": 8,
    "largest files": 4,
    "links": 26,
    "permissions": 20,
    "names": 5,
}

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def failures() -> dict[str, list[str]]:
    return failures_by_kind(COUNTS, seed=3)


@pytest.mark.parametrize("kind", COUNTS)
def test_nothing_is_lost_in_more_of_them_either(kind: str, failures: dict[str, list[str]]) -> None:
    assert not failures[kind], "\n".join(failures[kind])
