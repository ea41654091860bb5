"""The jobs that all cleaning begins with: learn the filters of a stretch, and subtract the bleed they predict."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

from morningmix.bleed.learn import Learnt, learn, ranges
from morningmix.bleed.stretch import Stretch
from morningmix.workers.jobs import Job, Lane


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
    learn_cost, subtract_cost = (cost * stretch.seconds * len(stretch.targets) for cost in costs)
    learnt = lane.all(
        [
            Job(
                what=f"learn {what}",
                cost=learn_cost / len(parts) / len(of_bins),
                call=partial(learn, to_clean, slabs, part.first, part.last),
            )
            for part in parts
            for slabs in of_bins
        ]
    )
    by_part = [learnt[place * len(of_bins) : (place + 1) * len(of_bins)] for place in range(len(parts))]
    of_piece = [of_part for part, of_part in zip(parts, by_part, strict=True) for _ in part.pieces]
    lane.all(
        [
            Job(
                what=f"subtract {what}",
                cost=subtract_cost / len(of_piece),
                call=partial(subtract, stretch, of_part, number),
            )
            for number, of_part in enumerate(of_piece)
        ]
    )
    return by_part
