"""Bring the long-term spectrum of a take closer to that of records, by a few broad moves in its families.

Octave by octave, the predicted spectrum of the sum is compared with the mean of popular music. The moves are chosen one
by one, each the one that helps most for its size: a sparse, regularised least-squares fit, as equalisation toward a
target spectrum is done (Ma, Reiss, Black, AES 134, 2013; from memory). Families keep their loudness; what is moved is
their colour. Vocals come forward first where words are understood, and nothing else may be raised there cheaply.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from morningmix.decide.family_levels import Strip
from morningmix.decide.tone import spectrum
from morningmix.laws.filters import magnitude_db, peaking
from morningmix.laws.loudness import k_weight_db
from morningmix.model.measured import Measurements
from morningmix.model.plan import Filter, Reason
from morningmix.units import db_to_gain, powers_db

Array = NDArray[np.float64]

OCTAVES_HZ = 62.5 * 2.0 ** np.arange(9)
"""62.5 Hz to 16 kHz."""
MOST_DB = 3.0
"""Largest gain of a family at any frequency (design choice)."""
_Q = 1.0
_STEPS_DB = np.array([-3.0, -2.5, -2.0, -1.5, -1.0, 1.0, 1.5, 2.0, 2.5, 3.0])
_MOST_MOVES, _MOST_OF_FAMILY, _ROUNDS = 8, 3, 2
_COST, _DEAR, _CHEAP, _LEAST = 0.08, 1.5, 0.05, 0.5
"""Squared decibels of deviation, summed over octaves, that a squared decibel of a move must save: usually, for raising
what would cover words, for raising words; and the least that a move must save to be made (design choices)."""
_WORDS = slice(4, 7)
"""1 to 4 kHz."""
_CONSONANTS = slice(5, 7)
_TOP_WEIGHT = 0.3
"""The octave around 16 kHz depends on microphones and room more than on the mix."""
WHY = Reason(
    what="tone_db",
    because="brings the whole closer to how records sound",
    source="Pestana et al., AES 135, 2013; Elowsson, Friberg, AES 142, 2017; at most 3 dB is a design choice",
)
"""Why an input is given the filters of its family."""


_LINE_DB = np.array([0.0, 0.0, -2.0, -4.0, -6.0, -8.0, -10.0, -14.0, -18.0])
"""Number-one singles fall by 5 dB of density an octave from 100 Hz to 4 kHz, so octaves by 2 dB, and faster above
(Pestana et al., AES 135, 2013; how much faster is a design choice)."""


def wanted_octaves_db() -> Array:
    """Level of each octave of `OCTAVES_HZ`; only differences count.

    Halfway between two published means of popular music, which differ by up to 5 dB: the line of Pestana et al., and
    the parabola 0.65 u - 0.659 u^2 with u = log2(f / 200 Hz) of Elowsson and Friberg (AES 142, 2017, second-hand).
    """
    octaves = np.log2(OCTAVES_HZ / 200.0)
    parabola = 0.65 * octaves - 0.659 * octaves**2
    halfway: Array = (_LINE_DB + parabola - parabola[1]) / 2.0
    return halfway


@dataclass(frozen=True, slots=True)
class _Bands:
    """Which bands lie in which octave, and what a decibel of each move does to them."""

    in_octave: NDArray[np.bool_]
    """``(octaves, bands)``."""
    response_db: Array
    """Of a move of 1 dB: ``(octaves moved, bands)``."""
    k_weights: Array
    """Linear: ``(bands,)``."""


def balance_octaves(strips: Sequence[tuple[Strip, float]], here: Measurements) -> Mapping[str, tuple[Filter, ...]]:
    """Filters by family, from its strips at their faders (dB). Strips with `eq` off count, and are left alone."""
    if not strips:
        return {}
    everywhere = np.ones(here.slots, np.bool_)
    families: dict[str, Array] = {}
    for strip, at_db in strips:
        family = strip.input.preset.family if strip.input.wish.eq != "off" else ""
        powers = spectrum(strip, here, everywhere) * db_to_gain(at_db) ** 2
        families[family] = families.get(family, np.zeros_like(powers)) + powers
    bands = _bands_of(here)
    reach = here.rate_hz / 2.0 > OCTAVES_HZ * 2.0**0.5
    moves = _moves(families, bands, reach)
    found: dict[str, tuple[Filter, ...]] = {}
    for (family, place), gain_db in sorted(moves.items()):
        planned = Filter(kind="peak", corner_hz=float(OCTAVES_HZ[place]), gain_db=gain_db, q=_Q)
        found[family] = (*found.get(family, ()), planned)
    return found


def _bands_of(here: Measurements) -> _Bands:
    hz = here.band_centres_hz
    octave = np.floor(np.log2(hz / OCTAVES_HZ[0]) + 0.5)
    moved = [
        magnitude_db(peaking(float(at), 1.0, _Q, here.rate_hz), hz, here.rate_hz)
        if at < here.rate_hz / 2.0
        else np.zeros(len(hz))
        for at in OCTAVES_HZ
    ]
    return _Bands(
        in_octave=octave[None, :] == np.arange(len(OCTAVES_HZ))[:, None],
        response_db=np.array(moved),
        k_weights=10.0 ** (k_weight_db(np.minimum(hz, 20_000.0)) / 10.0),
    )


def _moves(families: Mapping[str, Array], bands: _Bands, reach: NDArray[np.bool_]) -> dict[tuple[str, int], float]:
    """Gain in dB by family and octave."""
    moves: dict[tuple[str, int], float] = {}
    cost = _cost(families, bands, reach, moves)
    for _ in range(_MOST_MOVES):
        found = [
            (_cost(families, bands, reach, {**moves, (family, place): gain_db}), family, place, gain_db)
            for family in sorted(families)
            for place in np.flatnonzero(reach).tolist()
            for gain_db in _STEPS_DB.tolist()
            if family and (family, place) not in moves and sum(of == family for of, _ in moves) < _MOST_OF_FAMILY
        ]
        best = min(found, default=(np.inf, "", 0, 0.0))
        if best[0] > cost - _LEAST:
            break
        cost, moves[best[1], best[2]] = best[0], best[3]
    for _ in range(_ROUNDS):
        for key in sorted(moves):
            choices = [{**moves, key: gain_db} for gain_db in _STEPS_DB.tolist()]
            moves = min([moves, *choices], key=lambda each: _cost(families, bands, reach, each))
    return moves


def _cost(
    families: Mapping[str, Array], bands: _Bands, reach: NDArray[np.bool_], moves: Mapping[tuple[str, int], float]
) -> float:
    """Squared deviation of the octaves from the records', and what the moves themselves cost."""
    total = np.zeros(len(bands.k_weights))
    for family, powers in families.items():
        gain_db = np.zeros(len(total))
        for (of, place), move_db in moves.items():
            if of == family:
                gain_db += move_db * bands.response_db[place]
        if np.abs(gain_db).max() > MOST_DB + 0.01:
            return float("inf")
        moved = powers * 10.0 ** (gain_db / 10.0)
        loudness = float(powers @ bands.k_weights), float(moved @ bands.k_weights)
        total += moved * (loudness[0] / loudness[1] if loudness[1] > 0.0 else 1.0)
    off_db = powers_db(bands.in_octave @ total) - wanted_octaves_db()
    weights = np.where(np.arange(len(off_db)) == len(off_db) - 1, _TOP_WEIGHT, 1.0) * reach
    off_db -= np.average(off_db, weights=weights)
    return float(weights @ off_db**2) + sum(
        _price(family, place, gain_db) * gain_db**2 for (family, place), gain_db in moves.items()
    )


def _price(family: str, place: int, gain_db: float) -> float:
    if family == "vocals":
        return _CHEAP if gain_db > 0.0 and place in range(9)[_CONSONANTS] else _DEAR
    return _DEAR if gain_db > 0.0 and place in range(9)[_WORDS] else _COST
