"""The picture of what was found over weeks: a mark for each, and the same in words."""

from __future__ import annotations

import re

from morningmix.model.found import FoundThen
from morningmix.report.parts import Figure
from morningmix.report.weeks import weeks_figure


def week(when: str, **found: str) -> FoundThen:
    return FoundThen(
        when=when,
        faults=frozenset((name.lower(), kind) for name, kinds in found.items() for kind in kinds.split("+")),
        names={name.lower(): name for name in found},
    )


def figure(*weeks: FoundThen) -> Figure:
    made = weeks_figure(weeks)
    assert made is not None
    return made


def test_there_is_none_without_an_earlier_rehearsal_or_a_fault() -> None:
    assert weeks_figure([]) is None
    assert weeks_figure([week("2026-11-12", Snare="clipped")]) is None
    assert weeks_figure([week("2026-11-05"), week("2026-11-12")]) is None
    assert weeks_figure([week("2026-11-05", Click="no part"), week("2026-11-12", Click="no part")]) is None


def test_every_mark_is_said_in_words_too() -> None:
    made = figure(
        week("2025-12-30", Snare="clipped", Bass="silent"),
        week("2026-01-08", Snare="clipped+hum"),
        week("2026-01-15T20:00:00+00:00", Snare="quiet"),
    )
    assert (
        "Snare: clipped on 30 Dec 2025 and on 8 Jan; hum on 8 Jan; too quiet this time. Bass: no sound on 30 Dec 2025."
    ) in made.picture
    assert made.numbers.head == ("Input", "30 Dec 2025", "8 Jan", "now")
    assert [list(row) for row in made.numbers.rows] == [
        ["<bdi>Snare</bdi>", "clipped", "clipped, hum", "too quiet"],
        ["<bdi>Bass</bdi>", "no sound", "–", "–"],
    ]


def test_only_what_is_found_now_asks_for_a_look() -> None:
    made = figure(week("2026-11-05", Snare="clipped", Bass="hum"), week("2026-11-12", Snare="clipped"))
    assert re.findall(r'class="(mark[\w\s-]*)"', made.picture) == ["mark", "mark now", "mark-dot"]
    assert "A dot: anything else." in made.legend
    assert "dot" not in figure(week("2026-11-05"), week("2026-11-12", Snare="clipped")).legend


def test_a_mark_lies_in_its_week() -> None:
    made = figure(week("2026-11-05", Bass="silent"), week("2026-11-12", Snare="clipped"))
    # Two columns over the right 58 %; what is found now is the upper row.
    assert re.findall(r'<svg x="([\d.]+)%" y="(\d+)"', made.picture) == [("85.5", "23"), ("56.5", "53")]


def test_what_is_found_now_comes_first_then_what_comes_most_often() -> None:
    made = figure(
        week("2026-10-29", Bass="silent", Kick="quiet"),
        week("2026-11-05", Bass="silent", Snare="clipped"),
        week("2026-11-12", Vocal="quiet"),
    )
    assert [row[0] for row in made.numbers.rows] == [
        f"<bdi>{name}</bdi>" for name in ("Vocal", "Bass", "Kick", "Snare")
    ]


def test_names_may_be_anything() -> None:
    made = figure(
        week("2026-11-05"), FoundThen(when="2026-11-12", faults=frozenset({("<b>&", "clipped"), ("", "hum")}))
    )
    assert "<b>" not in made.picture
    assert {str(row[0]) for row in made.numbers.rows} == {"<bdi>the whole take</bdi>", "<bdi>&lt;b&gt;&amp;</bdi>"}
