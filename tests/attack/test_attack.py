"""A few hundred cases of every attack that `long.py` runs by the thousand; ``--only "KIND:SEED"`` shows one again."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping

import pytest

if sys.platform == "win32":
    pytest.skip("children are forked and limited the POSIX way", allow_module_level=True)

from attack.long import attack_with

FIRST = {
    "recordings": 15,
    "recipes": 40,
    "input lists": 10,
    "wishes": 15,
    "sheets": 40,
    "findings": 8,
    "caches": 16,
    "journals": 20,
    "swaps": 12,
    "full disks": 6,
    "links": 25,
    "permissions": 20,
    "names": 5,
}
"""What runs with every change."""
MORE = {
    "recordings": 20,
    "recipes": 20,
    "sheets": 60,
    "caches": 20,
    "journals": 20,
    "kills": 20,
    "full disks": 15,
    "denials": 15,
    "largest files": 10,
    "links": 50,
    "permissions": 30,
    "names": 10,
}
WORKERS = 2 if (os.cpu_count() or 1) > 1 and "PYTEST_XDIST_WORKER" not in os.environ else 1


def _by_kind(counts: Mapping[str, int], seed: int) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {kind: [] for kind in counts}
    for kind, number, says in attack_with(counts, seed, WORKERS):
        found[kind].append(f'--only "{kind}:{number}"  {says}')
    return found


@pytest.fixture(scope="module")
def first() -> dict[str, list[str]]:
    return _by_kind(FIRST, seed=2)


@pytest.fixture(scope="module")
def more() -> dict[str, list[str]]:
    return _by_kind(MORE, seed=3)


@pytest.mark.parametrize("kind", FIRST)
def test_nothing_is_lost_and_nothing_but_a_line_is_said(kind: str, first: dict[str, list[str]]) -> None:
    assert not first[kind], "\n".join(first[kind])


@pytest.mark.slow
@pytest.mark.parametrize("kind", MORE)
def test_nor_in_the_cases_that_take_longer(kind: str, more: dict[str, list[str]]) -> None:
    assert not more[kind], "\n".join(more[kind])
