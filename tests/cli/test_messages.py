"""What is printed of an input."""

from __future__ import annotations

import pytest

from decide.made import STEADY, an_input, bump, facts_of
from morningmix.cli.messages import recorded


@pytest.mark.parametrize(
    ("peak_dbfs", "says"),
    [(-8.4, "loudest peak 8 dB below clipping"), (0.0, "loudest peak 0 dB below clipping")],
)
def test_a_peak_is_told_by_its_distance_from_clipping(peak_dbfs: float, says: str) -> None:
    assert recorded(an_input("snare", facts_of(bump(500.0, 1.0), STEADY, peak_dbfs=peak_dbfs))) == says
