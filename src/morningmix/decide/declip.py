"""Whether clipped samples are interpolated."""

from __future__ import annotations

from morningmix.decide.asked import asked
from morningmix.model.input import Input
from morningmix.model.plan import Reason

LONGEST_RUN_S = 0.001
"""Longer runs leave too little to interpolate from (design choice)."""


def decide_repair(input_: Input) -> tuple[float, tuple[Reason, ...]]:
    """Longest run that is interpolated, in seconds (0: none), and why, if there is anything to say."""
    runs = input_.facts.clipped_runs
    if not runs:
        return 0.0, ()
    count = "1 clipped run" if runs == 1 else f"{runs} clipped runs"
    if input_.wish.repair == "off":
        off = asked(input_.wish, "repair", "repair is turned off")
        return 0.0, (off.reason("repair_s", f"{count}; {off.says}"),)
    if input_.facts.peak_dbfs > 0.0:
        because = "the file goes above the usual maximum, so nothing was cut off there"
        return 0.0, (Reason(what="repair_s", because=because, source="design choice"),)
    because = f"{count} in the take; those up to {LONGEST_RUN_S * 1000.0:.0f} ms are redrawn, longer ones stay"
    return LONGEST_RUN_S, (Reason(what="repair_s", because=because, source="Janssen, Veldhuis, Vries 1986"),)
