"""Two hundred more cases, of what takes longer above all; a file of its own, so that another core takes it."""

from __future__ import annotations

import sys

import pytest

if sys.platform == "win32":
    pytest.skip("children are forked and limited the POSIX way", allow_module_level=True)

from attack.long import failures_by_kind

COUNTS = {
    "recordings": 20,
    "recipes": 20,
    "sheets": 40,
    "caches": 20,
    "journals": 20,
    "kills": 15,
    "full disks": 12,
    "denials": 12,
    "largest files": 6,
    "links": 30,
    "permissions": 30,
    "names": 6,
}

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def failures() -> dict[str, list[str]]:
    return failures_by_kind(COUNTS, seed=3)


@pytest.mark.parametrize("kind", COUNTS)
def test_nor_in_more_of_them(kind: str, failures: dict[str, list[str]]) -> None:
    assert not failures[kind], "\n".join(failures[kind])
