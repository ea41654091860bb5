"""What clipped is redrawn, unless somebody says otherwise."""

from __future__ import annotations

import pytest

from decide.made import STEADY, an_input, bump, facts_of
from morningmix.decide.declip import LONGEST_RUN_S, decide_repair


@pytest.mark.parametrize(
    ("runs", "peak_dbfs", "wish", "longest_s", "says"),
    [
        (0, 0.0, "auto", 0.0, None),
        (1, 0.0, "auto", LONGEST_RUN_S, "1 clipped run in"),
        (2, -0.1, "auto", LONGEST_RUN_S, "2 clipped runs in"),
        (2, 0.0, "off", 0.0, "2 clipped runs; "),
        (2, 0.1, "auto", 0.0, "nothing was cut off"),
    ],
)
def test_runs_at_full_scale_are_redrawn_and_counted(
    runs: int, peak_dbfs: float, wish: str, longest_s: float, says: str | None
) -> None:
    facts = facts_of(bump(300.0, 1.0), STEADY, clipped_runs=runs, peak_dbfs=peak_dbfs)
    found_s, reasons = decide_repair(an_input("snare", facts, repair=wish))
    assert found_s == longest_s
    assert [says in reason.because for reason in reasons if says] == ([True] if says else [])
    assert bool(reasons) == bool(says)


def test_runs_of_up_to_a_millisecond_are_redrawn() -> None:
    assert LONGEST_RUN_S == 0.001
