"""The pictures of the page, as inline SVG.

A picture is as wide as the page: what lies sideways is in percent, heights and letters are in pixels, so that letters
keep their size on a telephone. Curves sit in an inner drawing that stretches. Colours come from the page's style; what
a colour says, a shape or a word says too. Text that comes in is plain; drawing escapes it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup  # noqa: TID251

from morningmix.report.drawing import (
    TALL,
    Anchor,
    Array,
    bar,
    curve_line,
    dot,
    framed,
    hanging,
    inset,
    joined,
    label,
    line,
    path,
    percent,
    step_line,
    time_grid,
)
from morningmix.report.numbers import Level
from morningmix.report.words import hertz, number, short

HATCH = Markup(
    '<svg class="defs" width="0" height="0" aria-hidden="true" focusable="false"><defs>'
    '<pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<path class="hatch-line" d="M0 0v7"/></pattern></defs></svg>'
)
"""Hatching for what is unknown, drawn once per page."""

LOWEST_DBFS = -60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelRow:
    """One input in the picture of levels."""

    name: str
    level: Level
    silent: bool
    clipped_runs: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """One input in the picture of who plays when."""

    name: str
    says: str
    """A few words at the right end of the lane."""
    own: Array
    """Fraction of each column in which its own source plays, 0..1."""
    open: Array | None = None
    """The same for the stretches in which its microphone stays open."""
    unclear: bool = False
    """Its direct sound cannot be told from bleed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One input in the stereo image."""

    name: str
    pan: float
    wide: bool
    """Recorded in stereo: it has a width of its own."""
    loudness_lu: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Leak:
    """One microphone in the picture of bleed."""

    name: str
    says: str
    """A few words at its right end."""
    own: float
    """Fraction of what it recorded that stayed, 0..1."""
    others: Sequence[tuple[str, float]]
    """Other inputs and their fractions of what it recorded, the largest first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoudnessCurve:
    """A mix in the picture of loudness over time."""

    short_term_lufs: Array
    """Of windows of 3 s, the first of which ends at `first_s`."""
    first_s: float
    seconds: float
    target_lufs: float
    limiter_db: Array


def landscape(key: str, desc: str, ridges: Sequence[tuple[str, Array]]) -> Markup:
    """The take as hills: one ridge per group of inputs, heights 0..1, the farthest first."""
    return framed(key, "The take from start to end", desc, 120, inset(600, 0, 120, hills(ridges)))


def hills(ridges: Sequence[tuple[str, Array]]) -> Markup:
    """The ridges alone, 600 units across."""
    return joined(
        path(f"ridge ridge-{place}", f"{curve_line(heights, 0, 600)}V{TALL}H0z")
        for place, (_, heights) in enumerate(ridges, 1)
        if len(heights)
    )


def levels(key: str, desc: str, rows: Sequence[LevelRow]) -> Markup:
    """How loud each input was recorded, from very quiet on the left to full scale on the right."""
    row_px, top = 46.0, 22.0
    bottom = top + row_px * len(rows)

    def at(level_db: float) -> float:
        return float(np.clip((level_db - LOWEST_DBFS) / -LOWEST_DBFS, 0.0, 1.0)) * 0.985

    drawn = [bar(at(-18.0), at(-6.0) - at(-18.0), top - 6, bottom - top + 6, "calm")]
    drawn += [line(at(level_db), top - 6, at(level_db), bottom, "calm-edge") for level_db in (-18.0, -6.0)]
    drawn += [label((at(-18.0) + at(-6.0)) / 2, 11, "good peak level", "fine", "middle")]
    for level_db in (-60, -48, -36, -24, -12, 0):
        place = at(level_db)
        drawn.append(line(place, top - 6, place, bottom, "edge" if level_db == 0 else "grid"))
        anchor: Anchor = "start" if level_db == -60 else "end" if level_db == 0 else "middle"
        drawn.append(label(place, bottom + 15, number(level_db, 0), "fine", anchor))
    for place, row in enumerate(rows):
        y = top + row_px * place
        drawn.append(label(0, y + 14, short(row.name), "name"))
        drawn.append(label(at(0), y + 14, _level_words(row), "strong" if row.clipped_runs else "fine", "end", -8))
        middle = y + 30
        if row.silent:
            drawn.append(line(0, middle, at(0), middle, "nothing"))
            continue
        drawn.append(line(0, middle, at(0), middle, "grid"))
        drawn.append(line(0, middle, at(row.level.peak_dbfs), middle, "reach"))
        if row.level.quiet_dbfs is not None and row.level.loud_dbfs is not None:
            low = at(row.level.quiet_dbfs)
            drawn.append(bar(low, max(at(row.level.loud_dbfs) - low, 0.004), middle - 6, 12, "own round"))
        if row.level.typical_dbfs is not None:
            drawn.append(dot(at(row.level.typical_dbfs), middle, 4.0, "typical"))
        drawn.append(_peak_mark(at(row.level.peak_dbfs), middle, hit=row.clipped_runs > 0))
    return framed(key, "Recording levels", desc, bottom + 22, joined(drawn))


def _level_words(row: LevelRow) -> str:
    if row.silent:
        return "recorded nothing"
    if row.clipped_runs:
        return "clipped " + ("once" if row.clipped_runs == 1 else f"{row.clipped_runs} times")
    return f"{number(max(-row.level.peak_dbfs, 0.0))} dB of headroom"


def _peak_mark(place: float, y: float, *, hit: bool) -> Markup:
    """A stroke at the peak; a burst where it went over the edge."""
    if not hit:
        return line(place, y - 9, place, y + 9, "peak")
    burst = "M-13 0h17M-10 -9l10 18M-10 9l10 -18M-5 -11v22"
    return Markup('<svg x="{}" y="{:g}" overflow="visible">{}</svg>').format(percent(place), y, path("burst", burst))


def lanes(
    key: str,
    desc: str,
    rows: Sequence[Lane],
    seconds: float,
    songs: Sequence[tuple[int, float, float]],
    left_out: Sequence[tuple[float, float]] = (),
) -> Markup:
    """When each input plays, over the whole take, under the songs as numbered heads; `left_out` has hatched ones."""
    row_px, top = 38.0, 34.0 if songs else 8.0
    bottom = top + row_px * len(rows)
    drawn = []
    for place, start_s, end_s in songs:
        at, wide = start_s / seconds, (end_s - start_s) / seconds
        drawn.append(bar(at, wide, 6, bottom - 6, "song"))
        drawn.append(bar(at, wide, 6, 20, "song-head"))
        drawn.append(label(at + wide / 2, 21, str(place), "song-number", "middle"))
    if songs:
        drawn += [bar(start_s / seconds, (end_s - start_s) / seconds, 6, 20, "unclear") for start_s, end_s in left_out]
    drawn.append(time_grid(seconds, top, bottom))
    for place, row in enumerate(rows):
        y = top + row_px * place
        drawn.append(label(0, y + 15, short(row.name), "name"))
        drawn.append(label(1, y + 15, row.says, "fine", "end"))
        if row.unclear:
            drawn.append(bar(0, 1, y + 20, 14, "unclear"))
        wide = len(row.own)
        inner = path("open", step_line(row.open)) if row.open is not None else Markup("")
        if wide and not row.unclear:
            inner += path("own", step_line(row.own))
        if inner:
            drawn.append(inset(max(wide, 1), y + 20, 14, inner))
        drawn.append(line(0, y + 34, 1, y + 34, "floor"))
    return framed(key, "Who plays when", desc, bottom + 22, joined(drawn))


def leaks(key: str, desc: str, rows: Sequence[Leak]) -> Markup:
    """What each microphone recorded, as a bar: its own sound first, then the other inputs in it, each with its name."""
    row_px = 54.0
    drawn = []
    for place, row in enumerate(rows):
        y = row_px * place
        drawn.append(label(0, y + 15, short(row.name), "name"))
        drawn.append(label(1, y + 15, row.says, "fine", "end"))
        drawn.append(bar(0, row.own, y + 22, 22, "own column"))
        at = row.own
        for name, share in row.others:
            drawn.append(bar(at, share, y + 22, 22, "open column"))
            if share > 0.022 * len(short(name, 12)):
                drawn.append(label(at + share / 2, y + 37, short(name, 12), "tiny", "middle"))
            at += share
    return framed(key, "Bleed between microphones", desc, row_px * len(rows), joined(drawn))


def loudness(key: str, desc: str, curve: LoudnessCurve) -> Markup:
    """Loudness of a mix over time against the target, and under it the gain of the limiter."""
    top, tall, limiter_top, limiter_tall = 20.0, 150.0, 196.0, 34.0
    high, low = _loudness_range(curve.short_term_lufs, curve.target_lufs)

    def height(lufs: float) -> float:
        return (lufs - low) / (high - low)

    def y_of(lufs: float) -> float:
        return top + tall * (1.0 - height(lufs))

    bottom = limiter_top + limiter_tall
    drawn = [time_grid(curve.seconds, top, bottom)]
    scale = [float(lufs) for lufs in np.arange(np.ceil(low / 6.0) * 6.0, high, 6.0)]
    drawn += [line(0, y_of(lufs), 1, y_of(lufs), "grid") for lufs in scale]
    if len(curve.short_term_lufs):
        start = 600.0 * curve.first_s / curve.seconds
        outline = curve_line((curve.short_term_lufs - low) / (high - low), start, 600.0 - start)
        area = f"{outline}V{TALL}H{round(start)}z"
        drawn.append(inset(600, top, tall, path("hill", area) + path("curve", outline)))
    drawn += [
        label(0, y_of(lufs) - 4, number(lufs, 0), "fine") for lufs in scale if abs(lufs - curve.target_lufs) >= 3.5
    ]
    drawn.append(line(0, y_of(curve.target_lufs), 1, y_of(curve.target_lufs), "target"))
    drawn.append(
        label(1, y_of(curve.target_lufs) - 6, f"target {number(curve.target_lufs)} LUFS", "strong halo", "end")
    )
    drawn.append(line(0, top + tall, 1, top + tall, "floor"))
    most = max(3.0, -float(curve.limiter_db.min()) if len(curve.limiter_db) else 0.0)
    drawn.append(label(0, limiter_top - 6, "limiter", "name"))
    drawn.append(label(1, limiter_top - 6, f"row is {most:.0f} dB deep", "fine", "end"))
    if len(curve.limiter_db):
        held = path("held", hanging(-curve.limiter_db / most))
        drawn.append(inset(len(curve.limiter_db), limiter_top, limiter_tall, held))
    drawn.append(line(0, limiter_top, 1, limiter_top, "floor"))
    return framed(key, "Loudness of the mix over time", desc, bottom + 22, joined(drawn))


def _loudness_range(lufs: Array, target_lufs: float) -> tuple[float, float]:
    """Top and bottom of the loudness picture: the target and the music, at most 30 LU."""
    top = max(target_lufs, float(lufs.max()) if len(lufs) else target_lufs)
    high = float(np.ceil(top + 2.0))
    sounding = lufs[lufs > high - 30.0]
    low = float(np.floor(min(target_lufs - 10.0, float(sounding.min()) if len(sounding) else target_lufs)))
    return high, max(low, high - 30.0)


def cleanings(key: str, desc: str, rows: Sequence[tuple[str, str, Array, Array]], seconds: float) -> Markup:
    """What microphones recorded and, in front, what stayed of it: (name, words, heights 0..1 per column, and again)."""
    row_px, tall = 92.0, 52.0
    bottom = 4.0 + row_px * len(rows)
    drawn = [time_grid(seconds, 4, bottom)]
    for place, (name, says, before, after) in enumerate(rows):
        y = 4.0 + row_px * place
        drawn.append(label(0, y + 14, short(name, 18), "name"))
        drawn.append(label(0, y + 29, says, "fine"))
        paths = path("open", step_line(before)) + path("own", step_line(after))
        drawn.append(inset(max(len(before), 1), y + 34, tall, paths))
        drawn.append(line(0, y + 34 + tall, 1, y + 34 + tall, "floor"))
    return framed(key, "Before and after bleed removal", desc, bottom + 22, joined(drawn))


def reductions(key: str, desc: str, rows: Sequence[tuple[str, str, Array]], seconds: float) -> Markup:
    """How far each compressor turns its input down over time: (name, words, gain in dB per column)."""
    row_px = 40.0
    most = max(6.0, *(-float(gain.min()) for _, _, gain in rows if len(gain)))
    bottom = 4.0 + row_px * len(rows)
    drawn = [time_grid(seconds, 4, bottom)]
    for place, (name, says, gain) in enumerate(rows):
        y = 4.0 + row_px * place
        drawn.append(label(0, y + 14, short(name, 18), "name"))
        drawn.append(label(1, y + 14, says, "fine", "end"))
        if len(gain):
            drawn.append(inset(len(gain), y + 19, 18, path("held", hanging(-gain / most))))
        drawn.append(line(0, y + 19, 1, y + 19, "floor"))
    return framed(key, "Compressors at work", desc, bottom + 22, joined(drawn))


def spectrum(
    key: str, desc: str, octaves: Sequence[tuple[float, float]], slope: Sequence[tuple[float, float]]
) -> Markup:
    """Octave-band levels of a mix as columns, with the published slope across them."""
    top, tall = 26.0, 190.0
    highest = max(level for _, level in (*octaves, *slope))
    low, high = highest - 36.0, highest + 1.0

    def y_of(level_db: float) -> float:
        return top + tall * (1.0 - float(np.clip((level_db - low) / (high - low), 0.0, 1.0)))

    step = 1.0 / len(octaves)
    places = {hz: (place + 0.5) * step for place, (hz, _) in enumerate(octaves)}
    drawn = []
    for hz, level in octaves:
        at, y = places[hz], y_of(level)
        drawn.append(bar(at - 0.36 * step, 0.72 * step, y, top + tall - y, "own column"))
        drawn.append(label(at, top + tall + 15, f"{hz / 1000:g}k" if hz >= 1000 else f"{hz:g}", "fine", "middle"))
    drawn.append(line(0, top + tall, 1, top + tall, "floor"))
    if slope:
        (first_hz, first), (last_hz, last) = slope[0], slope[-1]
        drawn.append(line(places[first_hz], y_of(first), places[last_hz], y_of(last), "slope-halo"))
        drawn.append(line(places[first_hz], y_of(first), places[last_hz], y_of(last), "slope"))
        drawn += [dot(places[hz], y_of(level), 3.5, "slope-dot") for hz, level in slope]
    # Above column and line, whichever is higher, so that figure and line never lie on each other.
    lines = dict(slope)
    for hz, level in octaves:
        y = min(y_of(level), y_of(lines.get(hz, level)))
        drawn.append(label(places[hz], y - 8, number(level, 0), "fine", "middle"))
    drawn.append(label(0, top + tall + 32, "low", "fine"))
    drawn.append(label(0.5, top + tall + 32, "octave bands, centre in Hz", "fine", "middle"))
    drawn.append(label(1, top + tall + 32, "high", "fine", "end"))
    return framed(key, "Lows to highs", desc, top + tall + 40, joined(drawn))


def places(key: str, desc: str, rows: Sequence[Place]) -> Markup:
    """Where inputs sit between left and right, the loudest on top; a bigger dot is louder."""
    row_px, top = 30.0, 24.0
    bottom = top + row_px * len(rows)

    def at(pan: float) -> float:
        return 0.56 + 0.36 * pan

    drawn = []
    for pan, word in ((-1.0, "left"), (0.0, "centre"), (1.0, "right")):
        drawn.append(label(at(pan), 12, word, "fine", "middle"))
        drawn.append(line(at(pan), 18, at(pan), bottom, "grid"))
    for place, row in enumerate(rows):
        y = top + row_px * (place + 0.5)
        drawn.append(label(0, y + 4, "silent" if row.loudness_lu is None else number(row.loudness_lu), "fine"))
        radius = 3.5 if row.loudness_lu is None else float(np.clip(12.0 + 0.42 * row.loudness_lu, 3.5, 12.0))
        if row.wide:
            drawn.append(bar(at(row.pan) - 0.15, 0.3, y - radius, 2.0 * radius, "wide"))
        drawn.append(dot(at(row.pan), y, radius, "stands"))
        move = radius + 5.0
        if row.pan > 0.1:
            drawn.append(label(at(row.pan), y + 4, short(row.name, 18), "name halo", "end", -move))
        else:
            drawn.append(label(at(row.pan), y + 4, short(row.name, 18), "name halo", "start", move))
    return framed(key, "Stereo image", desc, bottom + 4, joined(drawn))


def octave_words(hz: float) -> str:
    """What musicians call an octave, with its middle (common usage, no source)."""
    words = {
        63.0: "rumble",
        125.0: "boom",
        250.0: "warmth",
        500.0: "body",
        1000.0: "mids",
        2000.0: "bite",
        4000.0: "edge",
        8000.0: "sizzle",
        16000.0: "air",
    }
    return f"{words[hz]} ({hertz(hz)})" if hz in words else hertz(hz)
