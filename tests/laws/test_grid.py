"""Numbers of a plan are rounded, so that rounding differences between processors do not matter."""

from __future__ import annotations

import types
from collections.abc import Iterator
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from morningmix.laws.grid import on_grid, on_grid_db
from morningmix.model.plan import Cleaning, Gate, MasterPlan, SongPlan, TrackPlan, Trims

STEPS = {"s": 6, "hz": 1}
"""Decimals by unit; all others have two."""


def made(hint: Any, rng: np.random.Generator) -> Any:
    """A value of a type with random floats."""
    origin, arguments = get_origin(hint), get_args(hint)
    if is_dataclass(hint) and isinstance(hint, type):
        return hint(**{name: made(each, rng) for name, each in get_type_hints(hint).items()})
    if origin is Literal:
        return arguments[0]
    if origin in (Union, types.UnionType):
        return made(arguments[0], rng)
    if origin is tuple:
        return tuple(made(each, rng) for each in (arguments[:1] * 3 if arguments[-1] is Ellipsis else arguments))
    return {float: float(rng.normal(0.0, 100.0)), int: 7, bool: True, str: "x"}[hint]


def floats(value: Any, name: str = "") -> Iterator[tuple[str, float]]:
    """Every float in a plan, and the name of its field."""
    if isinstance(value, float):
        yield name, value
    elif isinstance(value, tuple):
        for each in value:
            yield from floats(each, name)
    elif is_dataclass(value):
        for field in fields(value):
            yield from floats(getattr(value, field.name), field.name)


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("kind", [SongPlan, MasterPlan])
def test_every_number_of_a_plan_is_rounded_and_rounding_again_changes_nothing(kind: Any, seed: int) -> None:
    plan = made(kind, np.random.default_rng(seed))
    rounded = on_grid(plan)
    assert rounded != plan
    assert on_grid(rounded) == rounded
    before, after = list(floats(plan)), list(floats(rounded))
    assert len(after) > 5
    for (name, old), (_, new) in zip(before, after, strict=True):
        if name in ("gain_step", "gain_steps", "ride", "repaired", "kit_references"):
            continue
        decimals = STEPS.get(name.rsplit("_", 1)[-1], 2)
        assert new == float(f"{old:.{decimals}f}"), name


def test_fields_with_several_units_alternate_between_them() -> None:
    track = replace(
        made(TrackPlan, np.random.default_rng(1)),
        gain_step=(1.2345678, 2.3456),
        ride=((0.1234567, -1.2345), (3.1, 0.005001)),
    )
    rounded = on_grid(track)
    assert rounded.gain_step == (1.234568, 2.35)
    assert rounded.ride == ((0.123457, -1.23), (3.1, 0.01))
    cleaning = Cleaning(targets=(), references=(), kit=(1,), kit_references=((2, 120.04), (3, 20.0)))
    assert on_grid(cleaning).kit_references == ((2, 120.0), (3, 20.0))


def test_rounding_keeps_every_frame_of_any_rate() -> None:
    for rate_hz in (44_100, 48_000, 88_200, 96_000, 176_400, 192_000):
        for frame in (1, 12_345, 3 * 3600 * rate_hz + 1):
            plan = replace(made(SongPlan, np.random.default_rng(2)), end_s=frame / rate_hz)
            assert round(on_grid(plan).end_s * rate_hz) == frame


@given(st.floats(-200.0, 200.0))
def test_rounding_never_gives_minus_zero(level_db: float) -> None:
    assert str(on_grid_db(level_db)) != "-0.0"
    assert on_grid_db(level_db) == pytest.approx(level_db, abs=0.00501)


def test_a_number_without_a_unit_is_refused() -> None:
    @dataclass(frozen=True)
    class Vague:
        amount: float

    with pytest.raises(KeyError, match="amount"):
        on_grid(Vague(amount=1.0))


def test_other_values_are_unchanged() -> None:
    gate = Gate(open_s=(), floor_db=-20.0, ramp_s=0.06)
    assert on_grid(gate) == gate
    trims = Trims(
        trims_db=(("drums", -1.004),), drum_peak_dbfs=None, drum_lookahead_s=0.002, drum_release_s=0.06, gain_db=-0.001
    )
    assert on_grid(trims) == replace(trims, trims_db=(("drums", -1.0),), gain_db=0.0)
