"""The jobs that all cleaning begins with: learn the filters of a stretch, and subtract the bleed they predict."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from itertools import accumulate

from morningmix.bleed.learn import Learnt, learn, ranges
from morningmix.bleed.stretch import Stretch
from morningmix.bleed.subtract import Part
from morningmix.workers.jobs import Job, Lane

_SLAB_WEIGHT = 4
"""What learning one slab takes however short its filters are, in units of the square of the taps (measured)."""


def learn_and_subtract(
    stretch: Stretch,
    lane: Lane,
    what: str,
    costs: tuple[float, float],
    subtract: Callable[[Stretch, Sequence[Learnt], int], None],
) -> list[list[Learnt]]:
    """What was learnt, by part and range of bins, after `subtract` has run on every piece by its number.

    `what` names the bleed in the trace, `costs` are those of learning and of subtracting, in seconds of one core per
    second of sound and microphone. Raises `RecordingsError` and `OutputError`.
    """
    to_clean, parts = stretch.to_clean, stretch.parts
    of_bins = ranges(to_clean) if to_clean.rows else []
    weights = [sum(slab.taps**2 + _SLAB_WEIGHT for slab in slabs) for slabs in of_bins]
    shares = [weight / sum(weights) for weight in weights]
    learn_cost, subtract_cost = (cost * stretch.seconds * len(stretch.targets) for cost in costs)

    def of_part(part: Part, first: int, lane: Lane) -> list[Learnt]:
        learnt = lane.all(
            [
                Job(
                    what=f"learn {what}",
                    cost=learn_cost / len(parts) * share,
                    call=partial(learn, to_clean, slabs, part.first, part.last),
                )
                for slabs, share in zip(of_bins, shares, strict=True)
            ]
        )
        lane.all(
            [
                Job(
                    what=f"subtract {what}",
                    cost=subtract_cost / len(stretch.pieces),
                    call=partial(subtract, stretch, learnt, first + place),
                )
                for place in range(len(part.pieces))
            ]
        )
        return learnt

    firsts = accumulate((len(part.pieces) for part in parts[:-1]), initial=0)
    return lane.split([partial(of_part, part, first) for part, first in zip(parts, firsts, strict=True)])
