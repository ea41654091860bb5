"""The grid that the numbers of a plan lie on, by the unit in their names.

Rounded where they are decided, before they are rendered and before anything is decided from them, they are the same on
every processor: what processors differ by is thousands of times smaller than a step. Times are counts of frames or hops
already; their step is finer than a frame, so that it takes away nothing but what floats add.
"""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from itertools import cycle
from typing import Any, TypeVar

Plan = TypeVar("Plan")

DECIMALS = {
    "db": 2,
    "dbfs": 2,
    "dbtp": 2,
    "lu": 2,
    "lufs": 2,
    "hz": 1,
    "s": 6,
    "pan": 2,
    "q": 2,
    "ratio": 2,
    "room": 2,
    "damping": 2,
}
"""Decimal places by the last word of a field's name."""

_SEVERAL = {"gain_step": ("s", "db"), "gain_steps": ("s", "db"), "ride": ("s", "db"), "repaired": ("s",)}
"""Fields that hold several units in turn."""


def on_grid(plan: Plan) -> Plan:
    """A plan, or a part of one, with every float in it rounded to the decimals of its unit.

    Raises KeyError for a float in a field whose name says no unit.
    """
    known: Any = plan
    rounded: Plan = replace(known, **{one.name: _on_grid(getattr(known, one.name), one.name) for one in fields(known)})
    return rounded


def on_grid_db(level_db: float) -> float:
    """One level rounded as those of a plan are."""
    return _rounded(level_db, "db")


def _on_grid(value: Any, name: str) -> Any:
    if isinstance(value, float):
        return _rounded(value, name.rsplit("_", 1)[-1])
    if isinstance(value, tuple):
        units = cycle(_SEVERAL.get(name, (name,)))
        return tuple(_on_grid(one, next(units) if isinstance(one, float) else name) for one in value)
    return on_grid(value) if is_dataclass(value) and not isinstance(value, type) else value


def _rounded(value: float, unit: str) -> float:
    # Adding zero makes -0.0 into 0.0, which is written otherwise.
    return round(float(value), DECIMALS[unit]) + 0.0
