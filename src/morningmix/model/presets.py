"""Presets of roles and targets, each number with its source."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True, kw_only=True)
class Sourced:
    """A number and where it comes from: a publication, "common practice" or "design choice"."""

    value: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetPreset:
    """presets/targets/NAME.toml, with the numbers of the recipe's [target] filled in."""

    name: str
    loudness_lufs: Sourced
    ceiling_dbtp: Sourced
    max_limiting_db: Sourced
    """Most the limiter may take at the 99th percentile before the whole rehearsal aims lower."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CompressorBounds:
    """Bounds for what the published formulas ask for, per role."""

    ratio_max: Sourced
    mean_reduction_db: Sourced
    max_reduction_db: Sourced
    attack_s: Sourced
    release_s: Sourced


@dataclass(frozen=True, slots=True, kw_only=True)
class RolePreset:
    """presets/roles/NAME.toml."""

    role: str
    family: str
    """The stem, one of `plan.FAMILIES`; "" for roles that are left out of the mix."""
    words: tuple[str, ...]
    """Lower-case words in track names that mean this role, in several languages."""
    level_lu: Sourced | None
    """Loudness re the whole mix while it plays; None for roles that fill what remains or are left out."""
    high_pass_hz: Sourced | None
    cleaned: bool
    """Stands in front of a person: the rest of the band is taken out of it."""
    gate_floor_db: Sourced | None
    """How far a closed gate turns this role down; None: never gated."""
    compressor: CompressorBounds | None
    pan: Literal["centre", "spread", "keep"]
    send_lu: Sourced | None
    """Reverb send re the track's own fader, dB; None: stays dry."""
