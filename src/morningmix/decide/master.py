"""Trims of the families, peak control of the drums, and one gain and limiter for the whole mix."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from morningmix.decide.balance import solve_gains
from morningmix.laws.grid import on_grid, on_grid_db
from morningmix.laws.limiting import limiter_gain_db
from morningmix.laws.loudness import gated_loudness
from morningmix.laws.track_power import spans_to_mask
from morningmix.model.measured import SumFacts
from morningmix.model.plan import Goal, MasterPlan, Reason, SongPlan, Trims
from morningmix.units import db_to_gain

Array = NDArray[np.float64]

HOP_S = 0.1
MOST_TRIM_DB = 3.0
MOST_DRUM_PEAK_DB = 3.0
UNDER_CEILING_DB = 0.2
"""The limiter aims this far below the promised true peak, since meters disagree by as much (measured: at most 0.2
dB)."""
LOOKAHEAD_S, RELEASE_S = 0.003, 0.12
DRUM_LOOKAHEAD_S, DRUM_RELEASE_S = 0.002, 0.06
_LIMITING_PERCENTILE = 99.0
_SOURCE = "design choice after Giannoulis et al., JAES 60(6) 2012"


def decide_trims(plan: SongPlan, names: Sequence[str], gram: Array, drum_peaks_db: NDArray[np.float32] | None) -> Trims:
    """One trim per family with a goal, at most 3 dB, from the measured families.

    `gram` is ``(hops, families, families)``. What the recipe's level wishes did to a family is taken out of the
    measurement first, so that a trim never undoes or spreads a wish.
    """
    goals = {goal.family: goal for goal in plan.goals}
    without_wishes = np.array([db_to_gain(-goals[name].wishes_db) if name in goals else 1.0 for name in names])
    where = {name: spans_to_mask(goals[name].where_s, len(gram), HOP_S) for name in names if name in goals}
    trims = solve_gains(
        gram * np.outer(without_wishes, without_wishes),
        names,
        {name: goals[name].level_lu for name in goals},
        where,
        MOST_TRIM_DB,
    )
    gains = np.array([db_to_gain(trims[name]) for name in names])
    loudness = mix_loudness(gram, gains)
    drum_peak = _drum_peak(drum_peaks_db, trims.get("drums", 0.0))
    reasons = [
        Reason(
            what=f"trim {name}",
            because=_trim_because(goals[name], trims[name]),
            source=goals[name].source,
        )
        for name in names
        if name in goals and goals[name].level_lu is not None
    ]
    if drum_peak is not None:
        reasons.append(
            Reason(
                what="drum_peak_dbfs",
                because=f"by at most {MOST_DRUM_PEAK_DB:.0f} dB, so that the whole mix needs less limiting",
                source="design choice",
            )
        )
    decided = Trims(
        trims_db=tuple(trims.items()),
        drum_peak_dbfs=drum_peak,
        drum_lookahead_s=DRUM_LOOKAHEAD_S,
        drum_release_s=DRUM_RELEASE_S,
        gain_db=plan.target_lufs - loudness if loudness is not None else 0.0,
        reasons=tuple(reasons),
    )
    return on_grid(decided)


def _trim_because(goal: Goal, trim_db: float) -> str:
    level_db = goal.level_lu or 0.0
    level = f"{abs(level_db):.1f} dB {'below' if level_db < 0.0 else 'above'}"
    because = f"meant to stand {level} the whole mix, {goal.because}"
    if abs(trim_db) >= MOST_TRIM_DB:
        because += f"; {MOST_TRIM_DB:.0f} dB is the most, so they end up a little off"
    if goal.wishes_db:
        because += f"; plus {goal.wishes_db:+.1f} dB that you asked for"
    return because


def mix_loudness(gram: Array, gains: Array) -> float | None:
    """Integrated loudness of the families at these linear gains, LUFS, exact but for the limiter; None for silence."""
    powers = np.maximum(np.einsum("i,hij,j->h", gains, gram, gains), 0.0)
    return gated_loudness(np.convolve(powers, np.full(4, 0.25), "valid")) if len(powers) >= 4 else None


def _drum_peak(peaks_db: NDArray[np.float32] | None, trim_db: float) -> float | None:
    """Level exceeded only by the drums' highest peaks, by at most 3 dB."""
    if peaks_db is None or not len(peaks_db):
        return None
    highest = float(peaks_db.max())
    usual = float(np.percentile(peaks_db, 99.5))
    return max(highest - MOST_DRUM_PEAK_DB, usual) + trim_db if highest > -100.0 else None


def decide_master(plan: SongPlan, trims: Trims, facts: SumFacts, target_lufs: float) -> MasterPlan:
    """Gain and limiter for one song. `target_lufs` may lie under the plan's own where a rehearsal aims lower."""
    ceiling = plan.ceiling_dbtp - UNDER_CEILING_DB
    gain = on_grid_db(_gain_for(facts, target_lufs, ceiling, trims.gain_db + target_lufs - plan.target_lufs))
    limited = _limiting_db(facts, gain, ceiling)
    reasons: list[Reason] = []
    if target_lufs < plan.target_lufs:
        reasons.append(
            Reason(
                what="target_lufs",
                because=f"the loudness asked for ({plan.target_lufs:.1f} LUFS) would take more than "
                f"{plan.max_limiting_db:.0f} dB of limiting",
                source="design choice",
            )
        )
    took = f"limiting takes {abs(limited):.1f} dB off the highest peaks"
    limiting = took if abs(limited) >= 0.05 else "no peaks needed limiting"
    reasons.append(
        Reason(
            what="gain_db",
            because=f"brings the mix to a loudness of {target_lufs:.1f} LUFS; {limiting}",
            source=_SOURCE,
        )
    )
    master = MasterPlan(
        trims=trims,
        gain_db=gain,
        target_lufs=target_lufs,
        ceiling_dbfs=ceiling,
        lookahead_s=LOOKAHEAD_S,
        release_s=RELEASE_S,
        dither_seed=1,
        reasons=tuple(reasons),
    )
    return on_grid(master)


def reachable_lufs(plan: SongPlan, trims: Trims, facts: SumFacts) -> float:
    """The plan's target, or the highest loudness under it that needs no more limiting than the target allows."""
    ceiling = plan.ceiling_dbtp - UNDER_CEILING_DB
    wanted = plan.target_lufs
    gain = _gain_for(facts, wanted, ceiling, trims.gain_db)
    if _limiting_db(facts, gain, ceiling) <= plan.max_limiting_db:
        return wanted
    low, high = min(gain, ceiling - float(facts.sidechain_db.max())), gain
    for _ in range(14):
        middle = (low + high) / 2.0
        low, high = (middle, high) if _limiting_db(facts, middle, ceiling) <= plan.max_limiting_db else (low, middle)
    loudness = _limited_loudness(facts, low, ceiling)
    # Rounded down to a tenth, so that the figure people read is the target.
    return float(np.floor(loudness * 10.0) / 10.0) if loudness is not None else wanted


def _gain_for(facts: SumFacts, target_lufs: float, ceiling_db: float, start_db: float) -> float:
    """Gain whose limited loudness is the target; each round compensates for what the limiter took in the last."""
    gain = start_db
    for _ in range(6):
        loudness = _limited_loudness(facts, gain, ceiling_db)
        if loudness is None or abs(target_lufs - loudness) < 0.003:
            break
        gain += target_lufs - loudness
    return gain


def _curve(facts: SumFacts, gain_db: float, ceiling_db: float) -> NDArray[np.float32]:
    return limiter_gain_db(facts.sidechain_db + np.float32(gain_db), ceiling_db, LOOKAHEAD_S, RELEASE_S, facts.step_s)


def _limited_loudness(facts: SumFacts, gain_db: float, ceiling_db: float) -> float | None:
    # In place: over two hours each of these arrays is 30 MB.
    powers = _curve(facts, gain_db, ceiling_db)
    powers += np.float32(gain_db)
    powers /= np.float32(10.0)
    np.power(np.float32(10.0), powers, out=powers)
    powers *= facts.powers
    hops = len(powers) // facts.steps_per_hop
    per_hop = powers[: hops * facts.steps_per_hop].reshape(hops, facts.steps_per_hop).mean(axis=1, dtype=np.float64)
    return gated_loudness(np.convolve(per_hop, np.full(4, 0.25), "valid")) if hops >= 4 else None


def _limiting_db(facts: SumFacts, gain_db: float, ceiling_db: float) -> float:
    """Gain reduction that the limiter exceeds in one hundredth of the time in which something plays."""
    curve = _curve(facts, gain_db, ceiling_db)
    playing = facts.sidechain_db > float(facts.sidechain_db.max()) - 40.0
    if not playing.any():
        return 0.0
    return -float(np.percentile(curve[playing], 100.0 - _LIMITING_PERCENTILE, overwrite_input=True))
