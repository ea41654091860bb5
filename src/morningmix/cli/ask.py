"""One question for each input whose role is a guess."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from morningmix.cli import messages

if TYPE_CHECKING:
    from morningmix.commands.result import Result


def ask_roles(result: Result) -> None:
    """Ask about every input whose role is a guess, and write each answer at once."""
    from morningmix.errors import RecipeError
    from morningmix.files.input_edit import with_role
    from morningmix.files.presets import load_roles
    from morningmix.storage.lock import editing
    from morningmix.storage.text import read_text, write_text_whole

    where = messages.near(result.recipe)
    guesses = result.guesses
    if not guesses:
        messages.line(f"No role in {where} is a guess. To mix: morningmix mix {messages.quoted(where)}")
        return
    messages.line(
        f"Guessed roles in {where}: {len(guesses)}. Press Enter to accept one, or type the right one; ? lists all."
    )
    settled = 0
    for input_ in guesses:
        messages.line()
        messages.line(f"{' + '.join(input_.facts.files)}  {input_.name}")
        messages.line(f"  {messages.activity(input_)}  {messages.recorded(input_)}")
        while True:
            messages.line(f"  {input_.role}? ", nl=False)
            answer = sys.stdin.readline()
            if not answer:
                messages.line()
                messages.line(f"Stopped. {settled} of {len(guesses)} roles are confirmed in {where}.")
                return
            if answer.strip() == "?":
                messages.line("  " + ", ".join(load_roles()))
                continue
            try:
                with editing(result.recipe):
                    text = with_role(read_text(result.recipe), input_.facts.files, answer.strip() or input_.role)
                    write_text_whole(result.recipe, text)
            except RecipeError as error:
                messages.line(f"  {error}")
                continue
            settled += 1
            break
    messages.line()
    messages.line(f"All roles are confirmed. To mix: morningmix mix {messages.quoted(where)}")
