"""The command `mix`, for one rehearsal or many."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import typer  # noqa: TID251 - the command line's own words

from morningmix.cli import messages
from morningmix.cli.progress import Bar
from morningmix.commands.mix import mix
from morningmix.commands.order import Callbacks, Order, runner_for
from morningmix.commands.result import Result
from morningmix.commands.several import at_a_time
from morningmix.commands.several import mix_several as mixed_several
from morningmix.errors import UsageError


def mix_one(order: Order, cluster: str | None, *, as_json: bool) -> None:
    """Mix one rehearsal and say what came of it."""
    with Bar(shown=not as_json) as bar, runner_for(order.workers, cluster, bar.note) as runner:
        callbacks = Callbacks(progress=bar.show, note=bar.note)
        result = mix(replace(order, runner=runner), callbacks, partial(messages.ready, bar.note))
    if as_json:
        messages.as_json(messages.mix_facts(result))
    else:
        messages.mixed(result)


def mix_several(orders: Sequence[Order], cluster: str | None, *, as_json: bool) -> None:
    """Mix many rehearsals and say what came of each as soon as it is done, as a line of JSON each where asked.

    Exits with the code of the first error once all are done.
    """
    failed: list[int] = []
    with Bar(shown=not as_json) as bar, runner_for(orders[0].workers, cluster, bar.note) as runner:
        # Rehearsals that run at the same time have no common step to show.
        together = at_a_time(runner.workers) if cluster else 1

        def mix_it(order: Order) -> Result:
            return mix(order, Callbacks(note=bar.note) if together > 1 else Callbacks(progress=part, note=bar.note))

        def part(step: str, fraction: float) -> None:
            bar.show(f"{done + 1} of {len(orders)}: {step}", (done + fraction) / len(orders))

        done = 0
        for done, mixed in enumerate(mixed_several(orders, runner, together, mix_it), 1):
            bar.show(f"{done} of {len(orders)} rehearsals", done / len(orders))
            if mixed.error is not None:
                failed.append(mixed.error.exit_code)
                bar.note(f"morningmix: {mixed.order.source} could not be mixed. {mixed.error}")
            if as_json:
                messages.as_json_line(
                    {"source": str(mixed.order.source), "error": str(mixed.error)}
                    if mixed.result is None
                    else {"source": str(mixed.order.source), **messages.mix_facts(mixed.result)}
                )
            elif mixed.result is not None:
                with bar.aside():
                    messages.mixed(mixed.result)
    if not as_json:
        messages.line(f"{len(orders) - len(failed)} of {len(orders)} rehearsals are ready.")
    if failed:
        raise typer.Exit(failed[0])


def recipes_below(folders: Sequence[Path]) -> list[Path]:
    """Recipes of all mix folders in these folders. Raises `UsageError` where there are none."""
    found = [path for folder in folders for path in sorted(folder.glob("*/recipe.toml"))]
    if not found:
        where = ", ".join(map(str, folders))
        raise UsageError(f"No folder inside {where} has a recipe. Give --all a folder that holds mix folders.")
    return found
