"""A few hundred damaged files; `fuzzing.py` makes thousands."""

from __future__ import annotations

import sys

import pytest

if sys.platform == "win32":
    pytest.skip("clocks and limits are set the POSIX way", allow_module_level=True)

import fuzzing


@pytest.mark.parametrize(("kind", "count"), [("sound", 400), ("text", 400), ("large", len(fuzzing.LARGE))])
@pytest.mark.filterwarnings("ignore")
def test_damaged_files_are_read_or_refused_with_one_line(kind: str, count: int) -> None:
    assert fuzzing.run_batch((kind, 42, count)) == []


@pytest.mark.parametrize("time", ["9" * 400 + ":1", 10**400, f"1:{'9' * 500}:0"])
def test_endless_numbers_are_no_times(time: object) -> None:
    from morningmix.files.recipe_tables import parse_time

    with pytest.raises(ValueError, match="must be a time"):
        parse_time(time)
