"""The recipe's drawer: what the page has changed in it, line by line, and the way back."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from morningmix.page.asked import Asked
from morningmix.page.rehearsal import Rehearsal
from morningmix.report.templates import render


def section(rehearsal: Rehearsal) -> str:
    """The drawer as HTML."""
    return render(
        "drawer.html", package=__package__, changes=rehearsal.changes.made(), recipe=str(rehearsal.home.recipe)
    )


def undo(rehearsal: Rehearsal, asked: Asked) -> str:
    """Take the last change back."""
    return rehearsal.undo(asked.whole("number", 1_000_000_000))


CHANGES: Mapping[str, Callable[[Rehearsal, Asked], str]] = {"/changes/undo": undo}
