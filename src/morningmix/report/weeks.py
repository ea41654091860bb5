"""What was found in the last rehearsals, as a small picture: a row an input, a column a rehearsal."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup  # noqa: TID251

from morningmix.model.found import FoundThen
from morningmix.report.decision_words import FINDINGS
from morningmix.report.drawing import bar, dot, framed, joined, label, line, path, percent
from morningmix.report.parts import Figure, Table
from morningmix.report.words import listed, named, short

_NO_FAULT = {"no part"}
"""Kinds of findings that nobody needs to change anything for."""
_MOST_ROWS = 12
_SHAPES = {
    "clipped": "M-8 0h16M-6 -6l12 12M-6 6l12 -12M0 -8v16",
    "silent": "M-6 0a6 6 0 1 0 12 0a6 6 0 1 0 -12 0",
    "quiet": "M-7 7h14",
}
"""Marks, the worst first; anything else is a dot."""
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

_FROM = 0.42
"""Where the columns begin, right of the names; a share of the width."""


def weeks_figure(weeks: Sequence[FoundThen]) -> Figure | None:
    """The figure for rehearsals in order, the last of them being this one; None without an earlier one or a fault."""
    inputs = _worst_first(weeks)
    if len(weeks) < 2 or not inputs:
        return None
    days = _days(weeks)
    names = {plain_name: name for week in weeks for plain_name, name in week.names.items()}
    rows = [(names.get(one) or (one or "the whole take"), [_kinds(week, one) for week in weeks]) for one in inputs]
    dot_says = (
        "" if all(set(kinds) <= set(_SHAPES) for _, cells in rows for kinds in cells) else " A dot: anything else."
    )
    return Figure(
        heading="This rehearsal and the ones before",
        picture=_picture(_desc(rows, days), rows, days),
        legend=f"The column on the right is this rehearsal. A star: clipped. A ring: no sound. A low line: too quiet."
        f"{dot_says} Empty: nothing found.",
        numbers=Table(
            caption="What was found in the last rehearsals",
            head=("Input", *days[:-1], "now"),
            rows=[[named(name), *(", ".join(_words(kinds)) or "–" for kinds in cells)] for name, cells in rows],
        ),
    )


def _kinds(week: FoundThen, plain_name: str) -> list[str]:
    """What was found of an input, the worst first."""
    kinds = {kind for of, kind in week.faults if of == plain_name} - _NO_FAULT
    return [*(kind for kind in _SHAPES if kind in kinds), *sorted(kinds - set(_SHAPES))]


def _worst_first(weeks: Sequence[FoundThen]) -> list[str]:
    """Plain names of inputs with faults: those with one now first, then by how often they had one."""
    times: dict[str, tuple[bool, int]] = {}
    for week in weeks:
        for one in {of for of, kind in week.faults if kind not in _NO_FAULT}:
            times[one] = (week is weeks[-1], times.get(one, (False, 0))[1] + 1)
    return sorted(times, key=lambda one: (not times[one][0], -times[one][1], one))[:_MOST_ROWS]


def _days(weeks: Sequence[FoundThen]) -> list[str]:
    last = weeks[-1].when[:4]
    days = []
    for week in weeks:
        year, month, day = week.when[:10].split("-")
        days.append(f"{int(day)} {_MONTHS[int(month) - 1]}" + (f" {year}" if year != last else ""))
    return days


def _words(kinds: Sequence[str]) -> list[str]:
    return [FINDINGS.get(kind, kind) for kind in kinds]


def _desc(rows: Sequence[tuple[str, Sequence[Sequence[str]]]], days: Sequence[str]) -> str:
    """Every mark in words."""
    says = []
    for name, cells in rows:
        when: dict[str, list[str]] = {}
        for day, kinds in zip((*(f"on {day}" for day in days[:-1]), "this time"), cells, strict=True):
            for word in _words(kinds):
                when.setdefault(word, []).append(day)
        says.append(f"{name}: {'; '.join(f'{word} {listed(at)}' for word, at in when.items())}.")
    return " ".join(says)


def _picture(desc: str, rows: Sequence[tuple[str, Sequence[Sequence[str]]]], days: Sequence[str]) -> Markup:
    row_px, top = 30.0, 8.0
    bottom = top + row_px * len(rows)
    wide = (1.0 - _FROM) / len(days)
    drawn = [bar(1.0 - wide, wide, top, bottom - top, "calm")]
    for place, (name, cells) in enumerate(rows):
        y = top + row_px * (place + 0.5)
        drawn.append(label(0, y + 5, short(name, 15), "name"))
        drawn.append(line(0, y + row_px / 2, 1, y + row_px / 2, "grid"))
        for column, kinds in enumerate(cells):
            if kinds:
                drawn.append(_mark(_FROM + wide * (column + 0.5), y, kinds[0], is_now=column == len(days) - 1))
    drawn.append(label(_FROM, bottom + 15, days[0], "fine"))
    drawn.append(label(1, bottom + 15, "now", "fine", "end"))
    return framed("weeks", "What was found in the last rehearsals", desc, bottom + 22, joined(drawn))


def _mark(at: float, y: float, kind: str, *, is_now: bool) -> Markup:
    now = " now" if is_now else ""
    if kind not in _SHAPES:
        return dot(at, y, 4.0, f"mark-dot{now}")
    shape = path(f"mark{now}", _SHAPES[kind])
    return Markup('<svg x="{}" y="{:g}" overflow="visible">{}</svg>').format(percent(at), y, shape)
