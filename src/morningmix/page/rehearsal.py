"""The rehearsal that is open: its files, what is known of it, its recipe, and the work on it.

Everything lies in the mix folder, so a page that is opened again goes on where the last one stopped.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from functools import partial

from morningmix.analysis.analyse import look
from morningmix.commands.listen import Heard, listen, with_cleaned
from morningmix.commands.mix import mix
from morningmix.commands.order import Callbacks, Order, home_for, source_of
from morningmix.commands.song import MixedSong
from morningmix.errors import BusyError, UsageError
from morningmix.files.recall import Settings
from morningmix.files.recipe import read_recipe
from morningmix.model.recipe import Recipe
from morningmix.model.recording import Take
from morningmix.page.changes import Change, Changes
from morningmix.page.events import Events
from morningmix.page.work import Work
from morningmix.storage.cache import take_key
from morningmix.workers.jobs import Here, Runner
from morningmix.workers.progress import no_progress

_LISTENING = "listening to every input"
_MIXING = "mixing"


class Rehearsal:
    """One open rehearsal. May be used from any thread.

    Raises what `commands.order.home_for` raises where there is nothing to open.
    """

    def __init__(self, order: Order, *, is_demo: bool = False) -> None:
        self.order, self.is_demo = order, is_demo
        self.home = home_for(order)
        self.takes: Sequence[Take] = look(source_of(order), self.home)[1]
        self.events = Events()
        self.work = Work(self.events, self._ended)
        self.changes = Changes(self.home.recipe)
        self._heard: Heard | None = None
        self._again = False

    @property
    def heard(self) -> Heard | None:
        """What is known of every input; None until all have been listened to."""
        return self._heard

    def all_heard(self) -> Heard:
        """What is known of every input. Raises `UsageError` until all have been listened to."""
        if self._heard is None:
            raise UsageError("Not every input has been listened to yet. Wait a moment.")
        return self._heard

    def recipe(self) -> Recipe | None:
        """The recipe as it is now; None where there is none yet. Raises `RecipeError`."""
        return read_recipe(self.home.recipe) if self.home.recipe.exists() else None

    def listen(self) -> None:
        """Listen to every input in the background, as soon as nothing else is being worked on."""
        # Before it is tried: what runs now may end at any moment, and looks at this then.
        self._again = True
        with suppress(BusyError):
            self.work.start(_LISTENING, self._listen)

    def _ended(self) -> None:
        if self._again:
            self.listen()

    def mix(self, settings: Settings) -> None:
        """Mix every song that has changed, in the background. Raises `BusyError` while something else runs."""
        self.work.start(_MIXING, partial(self._mix, replace(self.order, **settings.model_dump())))

    def change(self, says: str, edit: Callable[[str], str], *, hear: bool = False) -> str:
        """Change the recipe and tell the pages. `hear`: what is known of the inputs depends on it.

        Returns what was done, in words. Raises as `Changes.make` does.
        """
        change: Change | None = self.changes.make(says, edit)
        if change is None:
            return "Nothing changed: it was set that way already."
        self.events.tell("changed", version=self.changes.version)
        if hear:
            self.listen()
        return change.says

    def undo(self, number: int) -> str:
        """Take the last change back."""
        says = self.changes.undo(number)
        self.events.tell("changed", version=self.changes.version)
        self.listen()
        return f"Undone: {says}"

    def _mix(self, order: Order, runner: Runner, callbacks: Callbacks) -> None:
        self.changes.text()

        def ready(_: MixedSong) -> None:
            self._heard = self._heard and with_cleaned(self._heard)
            self.events.tell("changed", version="song")

        try:
            mix(replace(order, runner=runner), callbacks, ready)
        finally:
            # What was cleaned can be heard now, also where a later song failed.
            self._listen(runner, replace(callbacks, progress=no_progress))

    def _listen(self, runner: Runner, callbacks: Callbacks) -> None:
        self._again = False
        self.changes.text()
        if self._heard is None and self._was_measured():
            # Reading takes less time than processes need to start.
            runner = Here()
        self._heard = listen(replace(self.order, runner=runner), callbacks, self._heard)
        self.changes.began("Songs found and written down")
        self.events.tell("changed", version=self.changes.version)

    def _was_measured(self) -> bool:
        known = [path.name.partition("-")[0] for path in self.home.cache.glob("*.track")]
        return all(known.count(take_key(take.folder)) >= len(take.recordings) for take in self.takes)
