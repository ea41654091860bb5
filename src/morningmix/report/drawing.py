"""Building blocks of the pictures."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

import numpy as np
from markupsafe import Markup  # noqa: TID251
from numpy.typing import NDArray

from morningmix.report.words import clean, minutes

Array = NDArray[np.float64]
Anchor = Literal["start", "middle", "end"]

TALL = 100
"""Height of an inner drawing in its own units, whatever its height on the page."""


def joined(parts: Iterable[Markup]) -> Markup:
    """The parts one after the other."""
    return Markup("").join(parts)


def framed(key: str, title: str, desc: str, height: float, body: Markup) -> Markup:
    """A drawing with its title and description, as wide as the page."""
    return Markup(
        '<svg class="picture" role="img" aria-labelledby="{key}-t" aria-describedby="{key}-d" width="100%" '
        'height="{height:g}"><title id="{key}-t">{title}</title><desc id="{key}-d">{desc}</desc>{body}</svg>'
    ).format(key=key, height=height, title=clean(title), desc=clean(desc), body=body)


def percent(share: float) -> str:
    """A share of the width."""
    return f"{100.0 * share:.2f}".rstrip("0").rstrip(".") + "%"


def label(at: float, y: float, text: str, style: str = "", anchor: Anchor = "start", dx: float = 0.0) -> Markup:
    """Words in a drawing, from the place `at` on, around it or up to it."""
    kind = Markup(' class="{}"').format(style) if style else ""
    turn = "" if anchor == "start" else Markup(' text-anchor="{}"').format(anchor)
    move = Markup(' dx="{:g}"').format(dx) if dx else ""
    return Markup('<text x="{}" y="{:g}"{}{}{}>{}</text>').format(percent(at), y, kind, turn, move, clean(text))


def bar(at: float, wide: float, y: float, tall: float, style: str) -> Markup:
    """A bar from the place `at`, so wide; both are shares of the width."""
    return Markup('<rect x="{}" y="{:g}" width="{}" height="{:g}" class="{}"/>').format(
        percent(at), y, percent(max(wide, 0.0)), tall, style
    )


def line(x1: float, y1: float, x2: float, y2: float, style: str) -> Markup:
    """A line; x as shares of the width."""
    return Markup('<line x1="{}" y1="{:g}" x2="{}" y2="{:g}" class="{}"/>').format(
        percent(x1), y1, percent(x2), y2, style
    )


def dot(at: float, y: float, radius: float, style: str) -> Markup:
    """A filled circle; `at` is a share of the width."""
    return Markup('<circle cx="{}" cy="{:.4g}" r="{:.3g}" class="{}"/>').format(percent(at), y, radius, style)


def path(style: str, outline: str) -> Markup:
    """A path through the points of `outline`."""
    return Markup('<path class="{}" d="{}"/>').format(style, outline)


def inset(wide: int, y: float, tall: float, body: Markup) -> Markup:
    """A drawing in the drawing, `wide` units across and stretched to the full width."""
    return Markup(
        '<svg y="{:g}" width="100%" height="{:g}" viewBox="0 0 {} {}" preserveAspectRatio="none">{}</svg>'
    ).format(y, tall, wide, TALL, body)


def step_line(heights: Array) -> str:
    """Outline of columns that stand on the floor; heights 0..1."""
    levels = np.rint(TALL * (1.0 - np.clip(heights, 0.0, 1.0))).astype(int)
    starts = np.flatnonzero(np.diff(levels, prepend=-1))
    ends = np.append(starts[1:], len(levels))
    return (
        f"M0 {TALL}" + "".join(f"V{levels[a]}H{b}" for a, b in zip(starts, ends, strict=True)) + f"V{TALL}z"
        if len(levels)
        else ""
    )


def hanging(depths: Array) -> str:
    """Outline of columns that hang from the ceiling; depths 0..1."""
    levels = np.rint(TALL * np.clip(depths, 0.0, 1.0)).astype(int)
    starts = np.flatnonzero(np.diff(levels, prepend=-1))
    ends = np.append(starts[1:], len(levels))
    return (
        "M0 0" + "".join(f"V{levels[a]}H{b}" for a, b in zip(starts, ends, strict=True)) + "V0z" if len(levels) else ""
    )


def curve_line(heights: Array, start: float, wide: float) -> str:
    """Points 0..1 joined by straight lines, spread evenly from `start` over `wide` units."""
    places = np.rint(start + np.arange(len(heights)) * wide / max(len(heights) - 1, 1)).astype(int)
    levels = np.rint(TALL * (1.0 - np.clip(heights, 0.0, 1.0))).astype(int)
    moves = zip(np.diff(places), np.diff(levels), strict=True)
    return f"M{places[0]} {levels[0]}" + "".join(f"l{x} {y}" for x, y in moves) if len(heights) else ""


def ticks_s(seconds: float) -> tuple[float, ...]:
    """Round times from 0, at most six and none of them so near the end that it touches the end's own figure."""
    steps = (1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600, 900, 1200, 1800, 3600, 7200)
    step = next((step for step in steps if seconds / step <= 5.0), seconds / 4.0 or 1.0)
    return tuple(float(t) for t in np.arange(0.0, seconds - 0.4 * step, step))


def time_grid(seconds: float, top: float, bottom: float) -> Markup:
    """Faint lines at round times, with the times under them."""
    if not seconds > 0.0:
        return Markup("")
    drawn = []
    for at in ticks_s(seconds):
        drawn.append(line(at / seconds, top, at / seconds, bottom, "grid"))
        anchor: Anchor = "middle" if at else "start"
        drawn.append(label(at / seconds, bottom + 15, minutes(at), "fine", anchor))
    return joined(drawn) + label(1.0, bottom + 15, minutes(seconds), "fine", "end")
