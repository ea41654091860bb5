"""Who asks for a setting: the recipe, or what is usual for the band, and in which line that is written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from morningmix.model.band import Usual
from morningmix.model.plan import Reason
from morningmix.model.recipe import InputWish


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """Who asks for a setting."""

    says: str
    source: str
    place: str | None
    """``band.toml, line 12``; None for the recipe."""

    def reason(self, what: str, because: str | None = None) -> Reason:
        """The reason for a number of the plan; `because` says more than who asks for it."""
        return Reason(
            what=what, because=self.says if because is None else because, source=self.source, place=self.place
        )


def asked(wish: InputWish, key: str, done: str = "") -> Asked:
    """Who asks for a setting that replaces a decision; `done` says what it does: "turned off"."""
    usual = _usual(wish, key)
    if usual:
        says = f"{done}, usual for {usual[0].whose}" if done else f"usual for {usual[0].whose}"
    else:
        says = f"{done} in the recipe" if done else "as the recipe says"
    return Asked(says=says, source=_source(usual), place=_place(usual))


def added_db(wish: InputWish, key: str) -> Asked:
    """Who asks for how much of a setting that adds up; `says` is "" where nobody asks for any."""
    usual = [one for one in _usual(wish, key) if one.value]
    recipe_db = round(getattr(wish, key) - sum(float(one.value) for one in usual), 6)
    parts = [f"{recipe_db:+g} dB from the recipe"] if recipe_db else []
    parts += [f"{float(one.value):+g} dB, usual for {one.whose}" for one in usual]
    return Asked(says="; ".join(parts), source="recipe" if recipe_db else _source(usual), place=_place(usual))


def _usual(wish: InputWish, key: str) -> list[Usual]:
    return [one for one in wish.usual if one.key == key]


def _source(usual: Sequence[Usual]) -> str:
    return usual[0].file if usual else "recipe"


def _place(usual: Sequence[Usual]) -> str | None:
    if not usual:
        return None
    lines = [str(one.line) for one in usual]
    return f"{usual[0].file}, line{'s' if len(lines) > 1 else ''} {' and '.join(lines)}"
