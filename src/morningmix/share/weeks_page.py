"""A song as it was played twice, on one page: a button goes to the same beat of the other time, equally loud."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from markupsafe import Markup  # noqa: TID251

from morningmix.report import pictures
from morningmix.report.numbers import RIDGES, Array
from morningmix.report.templates import render
from morningmix.report.words import minutes
from morningmix.share.pieces import CLICK_AT_S, MARGIN_S, PIECE_S, RATE_HZ, Pieces
from morningmix.share.script import as_data, beside, script_of

_SCRIPTS = ("said.js", "pieces.js", "weeks.js")
_LEAST_SKIPPED_S = 2.0
"""Anything shorter may be a beat that was counted differently (design choice)."""

_NO_RIDGE = np.zeros(0)

Stretch = Sequence[tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Time:
    """One of the two times that the song was played."""

    name: str
    """What the band calls it, as in the middle of a sentence: "23 November", "the first mix"."""
    seconds: float
    gain: float
    """With it, both are equally loud."""
    ridges: Sequence[tuple[str, Array]]
    """As `report.numbers.ridges` gives them."""


def weeks_page(title: str, times: tuple[Time, Time], pieces: Pieces, stretches: Sequence[Stretch], says: str) -> str:
    """The page as one HTML document.

    `pieces` are those of both mixes. `stretches` are what both have: seconds of the same beat in each, in order.
    `says` is how they differ, in sentences.
    """
    script, script_sha256 = script_of(_SCRIPTS)
    of_each = [dict(time.ridges) for time in times]
    # One legend for both, also where only one of them has a singer.
    names = [name for name in RIDGES if any(name in ridges for ridges in of_each)]
    skipped = [_skipped([(stretch[0][of], stretch[-1][of]) for stretch in stretches], times[of]) for of in (0, 1)]
    return render(
        "weeks.html",
        package=__package__,
        title=title,
        times=times,
        hills=[pictures.hills([(name, ridges.get(name, _NO_RIDGE)) for name in names]) for ridges in of_each],
        hill_names=names,
        skipped=skipped,
        says=says,
        minutes=minutes,
        data=_data(times, pieces, stretches),
        script=script,
        script_sha256=script_sha256,
        listen_style=Markup(beside("listen.css")),
    )


def _skipped(played: Sequence[tuple[float, float]], time: Time) -> list[tuple[float, float]]:
    """Parts of one time that the other does not have."""
    edges = [0.0, *(edge for part in played for edge in part), time.seconds]
    return [(a, b) for a, b in list(pairwise(edges))[::2] if b - a >= _LEAST_SKIPPED_S]


def _data(times: tuple[Time, Time], pieces: Pieces, stretches: Sequence[Stretch]) -> Markup:
    return as_data(
        {
            "times": [
                {
                    "name": time.name,
                    "seconds": round(time.seconds, 3),
                    "gain": round(time.gain, 5),
                    "hz": coded.rung.rate_hz,
                    "pieces": coded.pieces,
                }
                for time, coded in zip(times, pieces.of, strict=True)
            ],
            "stretches": [[[round(pair[of], 3) for pair in stretch] for of in (0, 1)] for stretch in stretches],
            "rate_hz": RATE_HZ,
            "piece_s": PIECE_S,
            "margin_s": MARGIN_S,
            "clicks": pieces.clicks,
            "click_at_s": CLICK_AT_S,
        }
    )
