"""What the recipe asks for on top of the balance: tone, and what tone and room make of an input's level.

Shelves are decided last and come after the compressor, so no other decision depends on them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from morningmix.decide.asked import added_db, asked
from morningmix.decide.family_levels import Strip
from morningmix.decide.reverb import send_of, with_room_db
from morningmix.laws.track_power import k_powers
from morningmix.model.input import Input
from morningmix.model.measured import Measurements
from morningmix.model.plan import Filter, Reason
from morningmix.model.recipe import ADDED, FamilyWish, SongInputWish

LOW_SHELF_HZ, HIGH_SHELF_HZ = 200.0, 4000.0
"""Corners of low_db and high_db: the boom of a band lies below the one, its sizzle above the other (design choice)."""


def with_added(input_: Input, more: Sequence[SongInputWish | FamilyWish]) -> Input:
    """The input with the levels, tone and room of other settings added to its own."""
    added = {key: getattr(input_.wish, key) + sum(getattr(each, key) for each in more) for key in ADDED}
    of_family = (one for each in more if isinstance(each, FamilyWish) for one in each.usual if one.key in ADDED)
    return replace(input_, wish=replace(input_.wish, **added, usual=(*input_.wish.usual, *of_family)))


def decide_shelves(input_: Input, rate_hz: int) -> tuple[tuple[Filter, ...], tuple[Reason, ...]]:
    """The shelves that the recipe asks for, each with its reason."""
    filters: list[Filter] = []
    reasons: list[Reason] = []
    if input_.wish.low_db:
        filters.append(Filter(kind="low_shelf", corner_hz=LOW_SHELF_HZ, gain_db=input_.wish.low_db))
        reasons.append(_why_shelf(input_, "low_db", "low_shelf_hz"))
    if input_.wish.high_db:
        above = rate_hz / 2.0 > HIGH_SHELF_HZ
        if above:
            filters.append(Filter(kind="high_shelf", corner_hz=HIGH_SHELF_HZ, gain_db=input_.wish.high_db))
            reasons.append(_why_shelf(input_, "high_db", "high_shelf_hz"))
        else:
            because = f"a recording at {rate_hz} Hz has no highs that could be turned"
            reasons.append(added_db(input_.wish, "high_db").reason("high_shelf_hz", because))
    return tuple(filters), tuple(reasons)


def _why_shelf(input_: Input, key: str, what: str) -> Reason:
    wanted = added_db(input_.wish, key)
    # The value stands before it in any case.
    return asked(input_.wish, key).reason(what) if wanted.place is None else wanted.reason(what)


def as_wished(strip: Strip, here: Measurements, room_db: float) -> Strip:
    """The strip with its powers as tone and room of the recipe make them; `room_db` is the change of all sends."""
    input_ = strip.input
    shelves, _ = decide_shelves(input_, here.rate_hz)
    powers = strip.powers
    if shelves:
        powers = k_powers(input_.facts, here, (*strip.filters, *shelves)) * 10.0 ** (strip.dynamics_db / 10.0)
    if input_.wish.room_db:
        sends = [send_of(input_, room_db, wish_db) for wish_db in (input_.wish.room_db, 0.0)]
        powers = powers * 10.0 ** ((with_room_db(sends[0]) - with_room_db(sends[1])) / 10.0)
    return replace(strip, wished=powers)
