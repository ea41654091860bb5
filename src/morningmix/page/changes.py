"""The recipe as the page changes it: one edit at a time, each shown as the lines that changed, each undone.

Only the file counts. What somebody changes in it meanwhile, with an editor or a command, is one change more.
"""

from __future__ import annotations

import difflib
import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

from morningmix.errors import UsageError
from morningmix.files.recipe_tables import checked_file
from morningmix.files.toml_lines import parse
from morningmix.storage.lock import editing
from morningmix.storage.text import read_text, write_text_whole

_ELSEWHERE = "Changed outside this page"
_MOST = 100
"""Changes that can be undone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One change of the recipe."""

    number: int
    says: str
    before: str
    after: str

    @property
    def lines(self) -> list[tuple[str, str]]:
        """The lines that changed: "-" and how they were, "+" and how they are."""
        found = difflib.unified_diff(self.before.splitlines(), self.after.splitlines(), n=0, lineterm="")
        return [(line[0], line[1:]) for line in list(found)[2:] if line[0] in "-+" and line[1:].strip()]


class Changes:
    """The changes of one recipe since the page was opened. May be used from any thread."""

    def __init__(self, recipe: Path) -> None:
        self._recipe = recipe
        self._lock = Lock()
        self._known: str | None = None
        self._made: list[Change] = []
        self._count = 0

    @property
    def version(self) -> str:
        """Tells one state of the recipe from another; "" where there is none yet."""
        text = self.text()
        return "" if text is None else hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:12]

    def text(self) -> str | None:
        """The recipe as it is now; None where there is none yet. Raises `RecipeError`."""
        with self._lock:
            return self._read()

    def made(self) -> list[Change]:
        """All changes, the last first."""
        with self._lock:
            self._read()
            return self._made[::-1]

    def make(self, says: str, edit: Callable[[str], str]) -> Change | None:
        """Change the recipe; None where that changes nothing.

        Raises `UsageError`, `RecipeError`, `BusyError`, `OutputError`; the recipe is then as it was.
        """
        if self.version == "":
            raise UsageError("There is no recipe yet. Wait until every input has been listened to.")
        with editing(self._recipe), self._lock:
            text = self._read() or ""
            changed = edit(text)
            if changed == text:
                return None
            # What nothing can read again is never written.
            checked_file(parse(changed, self._recipe.name))
            write_text_whole(self._recipe, changed)
            return self._keep(says, changed)

    def undo(self, number: int) -> str:
        """Take the last change back, which must be that one; what it said. Raises as `make` does."""
        with editing(self._recipe), self._lock:
            self._read()
            if not self._made or self._made[-1].number != number:
                raise UsageError("There is a later change. Undo that one first.")
            last = self._made[-1]
            write_text_whole(self._recipe, last.before)
            self._made.pop()
            self._known = last.before
            return last.says

    def began(self, says: str) -> None:
        """Name what has changed since the last look, where a command of ours made it."""
        with self._lock:
            self._read(says)

    def _read(self, says: str = _ELSEWHERE) -> str | None:
        text = read_text(self._recipe) if self._recipe.exists() else None
        if text is not None and self._known is not None and text != self._known:
            self._keep(says, text)
        self._known = text if text is not None else self._known
        return text

    def _keep(self, says: str, text: str) -> Change:
        self._count += 1
        change = Change(number=self._count, says=says, before=self._known or "", after=text)
        self._made = [*self._made, change][-_MOST:]
        self._known = text
        return change
