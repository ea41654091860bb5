"""Delay and polarity of close microphones relative to those further away."""

from __future__ import annotations

import math
from collections.abc import Sequence

from morningmix.decide.asked import asked
from morningmix.decide.bass_pair import line_and_microphone
from morningmix.model.input import Input
from morningmix.model.plan import Reason

LEAST_CORRELATION = 0.2
LEAST_MARGIN_DB = 1.5
"""Polarity is only inverted if that gains at least this much level (design choice)."""

_SOURCE = "Clifford and Reiss, JAES 61(11) 2013"


def pairs_to_align(playing: Sequence[Input]) -> list[tuple[int, int, str, str]]:
    """Which inputs are compared: a near and a far one by index, the near one's role, and what the far one is called.

    Kick and snare are compared with the first overhead, a bass's line with its microphone.
    """
    overhead = next((input_ for input_ in playing if input_.role == "overhead"), None)
    pairs = [
        (input_.index, overhead.index, input_.role, "the overhead")
        for input_ in playing
        if overhead and input_.role in ("kick", "snare")
    ]
    bass = line_and_microphone(playing)
    if bass is not None:
        line, microphone = bass
        pairs.append((line.index, microphone.index, line.role, microphone.name))
    return pairs


def flip_margin_db(input_: Input) -> float | None:
    """Level gained together with the other microphone by inverting an input, dB; None if unknown."""
    facts = input_.alignment
    if facts is None:
        return None
    return 10.0 * math.log10((1.0 + max(facts.flipped_correlation, 0.0)) / (1.0 + max(facts.correlation, 0.0)))


def decide_alignment(input_: Input) -> tuple[bool, float, tuple[Reason, ...]]:
    """Whether to flip an input, its delay in seconds, and why."""
    wish = input_.wish
    reasons: list[Reason] = []
    flip, delay_s = False, 0.0
    margin_db = flip_margin_db(input_)
    if wish.align == "off":
        margin_db = None
    if input_.alignment is not None and margin_db is not None:
        flip = margin_db >= LEAST_MARGIN_DB
        correlation = input_.alignment.flipped_correlation if flip else input_.alignment.correlation
        delay_s = input_.alignment.flipped_delay_s if flip else input_.alignment.delay_s
        if correlation < LEAST_CORRELATION:
            flip, delay_s = False, 0.0
            reasons.append(
                Reason(what="delay_s", because=f"{input_.alignment.other} hardly picks it up", source=_SOURCE)
            )
        else:
            reasons.append(
                Reason(
                    what="delay_s",
                    because=f"its sound reaches {input_.alignment.other} {1000.0 * delay_s:.1f} ms later",
                    source=_SOURCE,
                )
            )
        if flip:
            reasons.append(
                Reason(
                    what="flip",
                    because=f"this makes it {margin_db:.1f} dB louder together with {input_.alignment.other}",
                    source="common practice, no source",
                )
            )
    if wish.flip is not None:
        flip = wish.flip
        reasons.append(asked(wish, "flip").reason("flip"))
    if wish.delay_ms is not None:
        delay_s = wish.delay_ms / 1000.0
        reasons.append(asked(wish, "delay_ms").reason("delay_s"))
    return flip, delay_s, tuple(reasons)
