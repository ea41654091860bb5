"""What the sections of a page are made of; `templates/parts.html` turns it into HTML."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup  # noqa: TID251


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows under a caption; the first cell of a row is its head."""

    caption: str
    head: Sequence[str]
    rows: Sequence[Sequence[str]]
    wordy: int = 0
    """Number of columns, from the right, that hold sentences."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A picture under its heading, and a table of the same numbers to open."""

    heading: str
    picture: Markup
    legend: str
    numbers: Table


def in_percent(share: float) -> str:
    """A fraction in words."""
    return f"{100 * share:.0f} %" if share >= 0.01 else "less than 1 %"
