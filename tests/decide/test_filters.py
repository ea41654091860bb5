"""High-pass, low-pass and cuts by role."""

from __future__ import annotations

import pytest

from decide.made import STEADY, an_input, bump, facts_of, measurements
from morningmix.decide.filters import decide_filters
from morningmix.files.presets import load_roles


@pytest.mark.parametrize("role", sorted(load_roles()))
def test_filters_by_role_and_their_switches(role: str) -> None:
    facts = facts_of(bump(300.0, 2.0), STEADY)
    here = measurements(facts)
    corner = load_roles()[role].high_pass_hz
    filters, reasons = decide_filters(an_input(role, facts), here)
    expected = [] if corner is None else [corner.value]
    assert [planned.corner_hz for planned in filters if planned.kind == "high_pass"] == expected
    assert [reason.source for reason in reasons if reason.what == "high_pass_hz"] == (
        [] if corner is None else [corner.source]
    )
    filters, reasons = decide_filters(an_input(role, facts, high_pass="off"), here)
    assert all(f.kind != "high_pass" for f in filters)
    assert "turned off in the recipe" in {reason.because for reason in reasons}
    filters, _ = decide_filters(an_input(role, facts, high_pass_hz=77.0, high_pass="off"), here)
    assert [f.corner_hz for f in filters if f.kind == "high_pass"] == [77.0]


def test_only_a_bass_without_a_loudspeaker_is_rolled_off() -> None:
    direct = facts_of(bump(90.0, 1.0) + 1e-3 * bump(8_000.0, 0.5), STEADY)
    speaker = facts_of(bump(90.0, 1.0) + 1e-6 * bump(8_000.0, 0.5), STEADY)
    kinds = {
        (role, name, eq): [
            planned.kind for planned in decide_filters(an_input(role, facts, eq=eq), measurements(facts))[0]
        ]
        for role in ("bass", "electric guitar")
        for name, facts in (("direct", direct), ("speaker", speaker))
        for eq in ("auto", "off")
    }
    assert [key for key, found in kinds.items() if "low_pass" in found] == [("bass", "direct", "auto")]


@pytest.mark.parametrize("level_db", [0.0, -40.0])
@pytest.mark.parametrize(("air_db", "rolled_off"), [(-43.0, True), (-47.0, False)])
def test_a_bass_was_recorded_without_a_loudspeaker_if_it_has_air(
    level_db: float, air_db: float, rolled_off: bool
) -> None:
    """From 45 dB under the whole on, above 5 kHz, at whatever level it was recorded."""
    body, air = bump(90.0, 0.5, -200.0), bump(9_000.0, 0.2, -200.0)
    facts = facts_of(body / body.sum() + 10.0 ** (air_db / 10.0) * air / air.sum(), STEADY * 10.0 ** (level_db / 10.0))
    filters, reasons = decide_filters(an_input("bass", facts), measurements(facts))
    assert [each.corner_hz for each in filters if each.kind == "low_pass"] == ([5_000.0] if rolled_off else [])
    assert any(f"({-air_db:.0f} dB" in reason.because for reason in reasons) == rolled_off
