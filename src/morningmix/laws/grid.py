"""Round the numbers of a plan by the unit in their names.

Numbers are rounded where they are decided, before they are rendered or anything is decided from them, so that they are
the same on every processor: processors differ by thousands of times less than a step. Times are whole frames or hops;
their step is finer than a frame, so rounding only removes floating-point noise.
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

_SEVERAL = {
    "gain_step": ("s", "db"),
    "gain_steps": ("s", "db"),
    "ride": ("s", "db"),
    "repaired": ("s",),
    "kit_references": ("hz",),
}
"""Fields whose values alternate between units."""


def on_grid(plan: Plan) -> Plan:
    """The plan, or part of one, with every float rounded to the decimals of its unit.

    Raises KeyError for a float in a field whose name says no unit.
    """
    known: Any = plan
    rounded: Plan = replace(
        known, **{item.name: _on_grid(getattr(known, item.name), item.name) for item in fields(known)}
    )
    return rounded


def on_grid_db(level_db: float) -> float:
    """A level rounded like those of a plan."""
    return _rounded(level_db, "db")


def _on_grid(value: Any, name: str) -> Any:
    if isinstance(value, float):
        return _rounded(value, name.rsplit("_", 1)[-1])
    if isinstance(value, tuple):
        units = cycle(_SEVERAL.get(name, (name,)))
        return tuple(_on_grid(item, next(units) if isinstance(item, float) else name) for item in value)
    return on_grid(value) if is_dataclass(value) and not isinstance(value, type) else value


def _rounded(value: float, unit: str) -> float:
    # Adding zero turns -0.0 into 0.0, which is written differently.
    return round(float(value), DECIMALS[unit]) + 0.0
