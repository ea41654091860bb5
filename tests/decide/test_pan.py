"""Where inputs stand between two loudspeakers."""

from __future__ import annotations

import numpy as np
import pytest

from decide.made import STEADY, an_input, bump, facts_of, measurements
from morningmix.decide.pan import WIDTHS, decide_pans
from morningmix.model.plan import FAMILIES


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5])
def test_neighbours_in_pitch_go_to_opposite_sides(count: int) -> None:
    facts = [facts_of(bump(300.0 * 1.3**i, 1.0), STEADY) for i in range(count)]
    guitars = [an_input("electric guitar", one, i) for i, one in enumerate(facts)]
    pans = [decide_pans(guitars, measurements(*facts))[i][0] for i in range(count)]
    assert sum(pans) == pytest.approx(0.0) or count == 1
    assert all(abs(pan) <= WIDTHS["guitars"] for pan in pans)
    sides = np.sign([pan for pan in pans if pan])
    assert np.all(sides[1:] == -sides[:-1])


def test_every_family_has_a_width_and_none_moves_the_guitars() -> None:
    assert set(WIDTHS) == set(FAMILIES)
    facts = [facts_of(bump(hz, 1.0), STEADY) for hz in (300.0, 600.0, 900.0, 1_200.0)]
    roles = ("electric guitar", "brass", "strings", "other")
    inputs = [an_input(role, one, index) for index, (role, one) in enumerate(zip(roles, facts, strict=True))]
    pans = decide_pans(inputs, measurements(*facts))
    assert [pans[index][0] for index in range(4)] == [-0.3, 0.23, -0.23, 0.23]
