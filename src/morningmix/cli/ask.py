"""A few questions for each input whose role is a guess: what it is, what to call it, who plays it."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from morningmix.cli import messages

if TYPE_CHECKING:
    from morningmix.commands.result import Result
    from morningmix.model.input import Input

_QUESTIONS = ("role", "name", "player")
_BACK = "<"


def ask_roles(result: Result) -> None:
    """Ask about every input whose role is a guess, and write each answer at once."""
    where = messages.near(result.recipe)
    guesses = result.guesses
    if not guesses:
        messages.line(f"No role in {where} is a guess. To mix: morningmix mix {messages.quoted(where)}")
        return
    messages.line(
        f"Guessed roles in {where}: {len(guesses)}. Press Enter to accept a guess, or type the right answer; "
        f"? lists all roles, {_BACK} goes back."
    )
    at = 0
    while at < len(guesses) * len(_QUESTIONS):
        input_, question = guesses[at // len(_QUESTIONS)], _QUESTIONS[at % len(_QUESTIONS)]
        step = _ask(result, input_, question)
        if step is None:
            settled = -(-at // len(_QUESTIONS))
            messages.line(f"Stopped. {settled} of {len(guesses)} roles are confirmed in {where}.")
            return
        at = max(0, at + step)
    messages.line()
    messages.line(f"All roles are confirmed. To mix: morningmix mix {messages.quoted(where)}")


def _ask(result: Result, input_: Input, question: str) -> int | None:
    """Ask one question and write the answer: 1 to go on, 0 to ask again, -1 to go back, None at the end of answers."""
    from morningmix.errors import MorningmixError
    from morningmix.files.input_edit import with_name, with_player, with_role
    from morningmix.files.presets import load_roles
    from morningmix.storage.lock import editing
    from morningmix.storage.text import read_text, write_text_whole

    files = input_.facts.files
    now = _now(result, input_)
    if question == "role":
        messages.line()
        messages.line(f"{' + '.join(files)}  {now['name']}")
        messages.line(f"  {messages.activity(input_)}  {messages.recorded(input_)}")
    words = {"role": f"{now['role']}?", "name": f"name ({now['name']})?", "player": f"who plays it ({now['player']})?"}
    messages.line(f"  {words[question]} ", nl=False)
    answer = sys.stdin.readline()
    if not answer:
        messages.line()
        return None
    answer = answer.strip()
    if answer == _BACK:
        return -1
    if answer == "?" and question == "role":
        messages.line("  " + ", ".join(load_roles()))
        return 0
    if not answer and question != "role":
        return 1
    change = {"role": with_role, "name": with_name, "player": with_player}[question]
    try:
        with editing(result.recipe):
            write_text_whole(result.recipe, change(read_text(result.recipe), files, answer or now["role"]))
    except MorningmixError as error:
        messages.line(f"  {error}")
        return 0
    return 1


def _now(result: Result, input_: Input) -> dict[str, str]:
    """What the recipe says of an input by now."""
    from morningmix.files.recipe import read_recipe

    wish = next((one for one in read_recipe(result.recipe).inputs if set(one.files) & set(input_.facts.files)), None)
    return {
        "role": (wish.role if wish else None) or input_.role,
        "name": (wish.called if wish else None) or input_.name,
        "player": (wish.player if wish else None) or input_.wish.player or "nobody",
    }
