"""Fader levels of inputs and families, from predicted powers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from morningmix.decide.balance import solve_gains
from morningmix.laws.grid import on_grid_db
from morningmix.laws.track_power import Powers, loud_mask, loudness_of, mask_to_spans
from morningmix.model.input import Input
from morningmix.model.plan import FAMILIES, Filter, Goal
from morningmix.model.presets import RolePreset, Sourced
from morningmix.units import db_to_gain

UNCLEAR_VOICE_LU = -6.0
"""A vocal microphone in which singing cannot be told from bleed stays this far below the others."""
COHERENT_DB = 2.5
"""Close microphones and the overhead pick up the same drum; aligned, they add up to this much more than their powers
(measured on four songs)."""
_CARRIES_KIT = ("overhead", "drum kit")


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """One input on its way to its family, as the balance needs it."""

    input: Input
    gain_db: float
    plays: NDArray[np.bool_]
    clear: bool
    """Its direct sound can be told from bleed."""
    powers: Powers
    """K-weighted, after gain, filters, gate and compressor, before the fader: ``(slots,)``."""
    filters: tuple[Filter, ...]
    dynamics_db: NDArray[np.float64]
    """Gain of matching, gate and compressor together: ``(slots,)``."""
    judged: NDArray[np.bool_] | None = None
    """Slots over which its own level is judged; None: where it plays."""
    level_db: float = 0.0
    """Fader before the family's gain and before the recipe's settings."""
    wished: Powers | None = None
    """`powers` with the tone and room that the recipe asks for; None: it asks for none."""


def own_level_db(strip: Strip) -> float | None:
    """The fader that brings an input's direct sound to its role's level; None where it does not play."""
    own_lufs = loudness_of(strip.powers, strip.plays if strip.judged is None else strip.judged)
    wanted = strip.input.preset.level_lu
    return None if own_lufs is None else on_grid_db((wanted.value if wanted else -12.0) - own_lufs)


def with_levels(strips: Sequence[Strip]) -> list[Strip]:
    """Faders that bring each input's direct sound to its role's level; the families' levels are solved later."""
    levels = [own_level_db(strip) or 0.0 for strip in strips]
    for place, strip in enumerate(strips):
        if strip.clear:
            continue
        # Singing cannot be told from bleed here: the same gain as the other vocals, a little lower.
        family = strip.input.preset.family
        others = [
            s.gain_db + level
            for s, level in zip(strips, levels, strict=True)
            if s.clear and s.input.preset.family == family
        ]
        if others:
            levels[place] = min(float(np.median(others)) - strip.gain_db, levels[place])
        levels[place] += UNCLEAR_VOICE_LU
    return [replace(strip, level_db=on_grid_db(level)) for strip, level in zip(strips, levels, strict=True)]


def set_goals(strips: Sequence[Strip], slot_s: float, roles: Mapping[str, RolePreset]) -> tuple[Goal, ...]:
    """The level wanted of each family in the mix, and where it is judged."""
    goals: list[Goal] = []
    for family in FAMILIES:
        members = [strip for strip in strips if strip.input.preset.family == family]
        if not members:
            continue
        mask, where = _where(family, members)
        level = _family_level(family, roles)
        wished = sum(
            (strip.powers if strip.wished is None else strip.wished)
            * _gain2(strip.level_db + strip.input.wish.level_db)
            for strip in members
        )
        plain_powers = sum(strip.powers * _gain2(strip.level_db) for strip in members)
        turned = 10.0 * np.log10(_mean(wished, mask) / _mean(plain_powers, mask)) if mask.any() else 0.0
        goals.append(
            Goal(
                family=family,
                level_lu=level.value if level else None,
                where_s=mask_to_spans(mask, slot_s),
                wishes_db=round(float(turned), 2),
                because=where if level else "as loud as the others leave room for",
                source=level.source if level else "design choice",
            )
        )
    return tuple(goals)


def _where(family: str, members: Sequence[Strip]) -> tuple[NDArray[np.bool_], str]:
    """Slots in which a family is judged, and the same in words."""
    everywhere: NDArray[np.bool_] = np.any([strip.plays for strip in members], axis=0)
    if family == "drums":
        carrying = [strip for strip in members if strip.input.role in _CARRIES_KIT]
        return (np.any([s.plays for s in carrying], axis=0) if carrying else everywhere), "where the drums play"
    if family == "vocals":
        leads = [strip for strip in members if strip.input.role == "lead vocal" and strip.plays.any()]
        if leads:
            lead = np.any([strip.plays for strip in leads], axis=0)
            backing = [strip.plays for strip in members if strip not in leads]
            alone = lead & ~np.any(backing, axis=0) if backing else lead
            if np.count_nonzero(alone) >= 50:
                return alone, "where the lead sings alone"
            return lead, "where the lead sings"
        return everywhere, "where somebody sings"
    return everywhere, "where it plays"


def _family_level(family: str, roles: Mapping[str, RolePreset]) -> Sourced | None:
    role = {"vocals": "lead vocal", "drums": "drum kit", "bass": "bass", "playback": "playback"}.get(family)
    return None if role is None else roles[role].level_lu


def _gain2(level_db: float) -> float:
    return db_to_gain(level_db) ** 2


def _mean(powers: Powers | int, mask: NDArray[np.bool_]) -> float:
    return max(float(np.asarray(powers)[mask].mean()), 1e-12)


def solve_families(strips: Sequence[Strip], goals: Sequence[Goal]) -> dict[str, float]:
    """Gain in dB per family that brings it to its goal, as if the families were independent."""
    families = [goal.family for goal in goals]
    if not strips:
        return {}
    gram = np.zeros((len(strips[0].powers), len(families), len(families)))
    for strip in strips:
        index = families.index(strip.input.preset.family)
        gram[:, index, index] += strip.powers * _gain2(strip.level_db + _coherent_db(strip, strips))
    where = {family: _where(family, [s for s in strips if s.input.preset.family == family])[0] for family in families}
    return solve_gains(gram, families, {goal.family: goal.level_lu for goal in goals}, where)


def _coherent_db(strip: Strip, strips: Sequence[Strip]) -> float:
    """Level that a drum microphone gains from the other microphones on the same kit."""
    kit = [each.input.role for each in strips if each.input.preset.family == "drums"]
    together = len(kit) > 1 and any(role in _CARRIES_KIT for role in kit)
    return COHERENT_DB if together and strip.input.preset.family == "drums" else 0.0


def whole_lufs(strips: Sequence[Strip], family_gains_db: Mapping[str, float], slot_s: float) -> float | None:
    """Loudness of the mix where it is loud, LUFS; None where nothing sounds."""
    if not strips:
        return None
    powers = np.sum(
        [
            strip.powers
            * _gain2(strip.level_db + family_gains_db[strip.input.preset.family] + _coherent_db(strip, strips))
            for strip in strips
        ],
        axis=0,
    )
    loudness = loudness_of(powers, loud_mask(powers, slot_s))
    return None if loudness is None else on_grid_db(loudness)
