"""Where inputs stand between two loudspeakers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from decide.made import STEADY, an_input, bump, facts_of, measurements
from morningmix.decide.pan import WIDTHS, centroid_hz, decide_pans
from morningmix.files.presets import load_roles
from morningmix.model.plan import FAMILIES


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5])
def test_neighbours_in_pitch_go_to_opposite_sides(count: int) -> None:
    facts = [facts_of(bump(300.0 * 1.3**i, 1.0), STEADY) for i in range(count)]
    guitars = [an_input("electric guitar", track, i) for i, track in enumerate(facts)]
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


@pytest.mark.parametrize(
    ("count", "expected"),
    [(1, [-0.3]), (2, [-0.6, 0.6]), (3, [-0.6, 0.6, 0.0]), (4, [-0.6, 0.6, -0.6, 0.6])],
)
def test_the_lowest_goes_left_and_an_odd_one_stays_in_the_middle(count: int, expected: list[float]) -> None:
    facts = [facts_of(bump(300.0 * 1.3**i, 1.0), STEADY) for i in reversed(range(count))]
    guitars = [an_input("electric guitar", track, i) for i, track in enumerate(facts)]
    pans = decide_pans(guitars, measurements(*facts))
    assert [pans[i][0] for i in reversed(range(count))] == pytest.approx(expected)


def test_leads_low_sounds_and_pairs_of_channels_stay_in_the_middle() -> None:
    mono, pair = facts_of(bump(300.0, 1.0), STEADY), facts_of(bump(300.0, 1.0), STEADY, channels=2)
    inputs = [
        an_input("lead vocal", mono, 0),
        an_input("bass", mono, 1),
        an_input("kick", mono, 2),
        an_input("electric guitar", pair, 3),
        an_input("electric guitar", mono, 4, pan=0.7),
    ]
    pans = decide_pans(inputs, measurements(mono, mono, mono, pair, mono))
    assert [pans[i][0] for i in range(5)] == [0.0, 0.0, 0.0, 0.0, 0.7]


def test_the_centre_of_a_spectrum_is_that_of_its_bump() -> None:
    for centre_hz in (200.0, 1_600.0):
        facts = facts_of(bump(centre_hz, 0.5), STEADY)
        found = centroid_hz(an_input("electric guitar", facts), measurements(facts))
        assert found == pytest.approx(centre_hz, rel=0.05)


def test_silence_has_its_centre_in_the_middle() -> None:
    facts = facts_of(bump(300.0, 1.0), 0.0 * STEADY)
    assert centroid_hz(an_input("electric guitar", facts), measurements(facts)) == 1_000.0


@pytest.mark.parametrize("family", FAMILIES)
def test_each_family_has_a_width_of_its_own(family: str) -> None:
    """Whatever its presets say: a recipe may bring roles of its own."""
    width = {"guitars": 0.6, "drums": 0.35, "vocals": 0.35}.get(family, 0.45)
    role = next(role for role, preset in load_roles().items() if preset.family == family)
    sounds = [facts_of(bump(hz, 1.0), STEADY) for hz in (200.0, 400.0)]
    inputs = [an_input(role, sound, index) for index, sound in enumerate(sounds)]
    spread = [replace(input_, preset=replace(input_.preset, pan="spread")) for input_ in inputs]
    pans = decide_pans(spread, measurements(*sounds))
    assert [pans[i][0] for i in range(2)] == [-width, width]
