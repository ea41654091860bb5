"""Bring the long-term spectrum of a take closer to that of records, by a few broad moves in its families.

Octave by octave, the predicted spectrum of the sum is compared with the mean of popular music. The moves are chosen one
by one, each the one that helps most for its size: a sparse, regularised least-squares fit, as equalisation toward a
target spectrum is done (Ma, Reiss, Black, AES 134, 2013; from memory). Families keep their loudness; what is moved is
their colour. Vocals come forward first where words are understood, and nothing else may be raised there cheaply.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

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
_Q = 0.5
"""Two and a half octaves wide: a family may be moved so little that only broad moves reach far (design choice)."""
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
    found: dict[str, tuple[Filter, ...]] = {}
    for (family, place), gain_db in sorted(_Fit(families, here).moves().items()):
        planned = Filter(kind="peak", corner_hz=float(OCTAVES_HZ[place]), gain_db=gain_db, q=_Q)
        found[family] = (*found.get(family, ()), planned)
    return found


class _Fit:
    """Chooses moves, a gain in dB by family and octave, one after the other."""

    def __init__(self, families: Mapping[str, Array], here: Measurements) -> None:
        hz = here.band_centres_hz
        self._families = dict(sorted(families.items()))
        self._in_octave = _shares(np.asarray(here.band_hz, np.float64))
        self._reach = here.rate_hz / 2.0 > OCTAVES_HZ * 2.0**0.5
        self._response_db = np.array(
            [
                magnitude_db(peaking(float(at), 1.0, _Q, here.rate_hz), hz, here.rate_hz)
                for at in OCTAVES_HZ[self._reach]
            ]
        )
        """Of a move of 1 dB: ``(octaves, bands)``."""
        self._k_weights = 10.0 ** (k_weight_db(np.minimum(hz, 20_000.0)) / 10.0)
        self._weights = np.where(np.arange(len(OCTAVES_HZ)) == len(OCTAVES_HZ) - 1, _TOP_WEIGHT, 1.0) * self._reach
        self._moves: dict[tuple[str, int], float] = {}

    def moves(self) -> dict[tuple[str, int], float]:
        """Gain by family and octave."""
        cost = float(self._costs(None, 0)[0])
        for _ in range(_MOST_MOVES):
            best = min(
                (
                    (*_least(self._costs(family, place)), family, place)
                    for family in self._families
                    for place in range(len(self._response_db))
                    if self._may_move(family, place)
                ),
                default=(float("inf"), 0.0, "", 0),
            )
            if best[0] > cost - _LEAST:
                break
            cost, gain_db, family, place = best
            self._moves[family, place] = gain_db
        for _ in range(_ROUNDS):
            for family, place in sorted(self._moves):
                self._moves[family, place] = _least(self._costs(family, place))[1]
        return self._moves

    def _may_move(self, family: str, place: int) -> bool:
        of_family = sum(of == family for of, _ in self._moves)
        return family != "" and (family, place) not in self._moves and of_family < _MOST_OF_FAMILY

    def _costs(self, family: str | None, place: int) -> Array:
        """Squared deviation from the records and price of the moves, for each of `_STEPS_DB` there; None: as it is."""
        others = {key: gain_db for key, gain_db in self._moves.items() if key != (family, place)}
        octaves = np.zeros((1, len(OCTAVES_HZ)))
        for of in self._families:
            if of != family:
                octaves = octaves + self._octaves(of, self._gain_db(of, others)[None])
        price = sum(_price(*key, gain_db) * gain_db**2 for key, gain_db in others.items())
        if family is None:
            return self._off(octaves) + price
        gain_db = self._gain_db(family, others)[None] + _STEPS_DB[:, None] * self._response_db[place]
        costs = self._off(octaves + self._octaves(family, gain_db)) + price
        costs += [_price(family, place, step_db) * step_db**2 for step_db in _STEPS_DB.tolist()]
        return np.where(np.abs(gain_db).max(axis=1) > MOST_DB + 0.01, np.inf, costs)

    def _gain_db(self, family: str, moves: Mapping[tuple[str, int], float]) -> Array:
        gain_db = np.zeros(len(self._k_weights))
        for (of, place), move_db in moves.items():
            if of == family:
                gain_db += move_db * self._response_db[place]
        return gain_db

    def _octaves(self, family: str, gain_db: Array) -> Array:
        """Powers by octave ``(gains, octaves)`` of a family with gains ``(gains, bands)``, as loud as it was."""
        powers = self._families[family]
        moved = powers * 10.0 ** (gain_db / 10.0)
        loudness = moved @ self._k_weights
        moved *= (float(powers @ self._k_weights) / np.maximum(loudness, 1e-30))[:, None]
        octaves: Array = moved @ self._in_octave.T
        return octaves

    def _off(self, octaves: Array) -> Array:
        off_db = powers_db(octaves) - wanted_octaves_db()
        off_db -= np.average(off_db, axis=1, weights=self._weights)[:, None]
        return np.asarray(off_db**2 @ self._weights)


def _shares(edges_hz: Array) -> Array:
    """Share of each band's power in each octave: ``(octaves, bands)``.

    Bands are wide in the lows, and some lie in two octaves: one from 152 to 199 Hz, counted whole, made 125 Hz seem up
    to 7 dB fuller than it was in guitars and voices (measured on three mixes).
    """
    low_hz, high_hz = edges_hz[:-1], edges_hz[1:]
    bottom_hz, top_hz = (OCTAVES_HZ[:, None] * 2.0**way for way in (-0.5, 0.5))
    within_hz = np.minimum(high_hz, top_hz) - np.maximum(low_hz, bottom_hz)
    shares: Array = np.maximum(within_hz, 0.0) / (high_hz - low_hz)
    return shares


def _least(costs: Array) -> tuple[float, float]:
    """The least cost, and the gain in dB that has it."""
    at = int(np.argmin(costs))
    return float(costs[at]), float(_STEPS_DB[at])


def _price(family: str, place: int, gain_db: float) -> float:
    if family == "vocals":
        return _CHEAP if gain_db > 0.0 and place in range(9)[_CONSONANTS] else _DEAR
    return _DEAR if gain_db > 0.0 and place in range(9)[_WORDS] else _COST
