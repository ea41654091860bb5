"""Help in plain text, and what is wrong with a command line in one sentence."""

from __future__ import annotations

import re
import shutil
import textwrap
from collections.abc import Callable, Sequence
from enum import StrEnum
from pathlib import Path
from typing import Any, TypeVar

import typer  # noqa: TID251 - the command line is typer's only place
from typer.core import TyperCommand, TyperGroup  # noqa: TID251

from morningmix.errors import UsageError

_Word = TypeVar("_Word", bound=StrEnum)
_WIDEST = 100
_REFUSED: type[Exception] = typer.BadParameter.__mro__[1]
"""Base class of everything that the library refuses in a command line; it has no public name."""


class Command(TyperCommand):
    """One command."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Parse the arguments. Raises `UsageError` in our words."""
        try:
            return super().parse_args(ctx, args)
        except _REFUSED as error:
            raise UsageError(_refusal(error, ctx)) from error

    def format_help(self, ctx: Any, formatter: Any) -> None:
        """Write the help."""
        arguments = [parameter for parameter in self.params if parameter.param_type_name == "argument"]
        _write(formatter, _usage(ctx), self.help or "")
        _rows(formatter, "", [(_placeholder(parameter), parameter.help or "") for parameter in arguments])  # type: ignore[attr-defined]
        _rows(formatter, "Options", _options(self.get_params(ctx)))


class Group(TyperGroup):
    """The program itself."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Parse the arguments before the command. Raises `UsageError` in our words."""
        if not args and _is_rehearsal(Path.cwd()):
            args = ["open"]
        if not args:
            typer.echo(ctx.get_help())
            ctx.exit()
        try:
            return super().parse_args(ctx, args)
        except _REFUSED as error:
            raise UsageError(_refusal(error, ctx)) from error

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Find the command. Raises `UsageError` that suggests the nearest."""
        if args[0] not in self.commands:
            raise UsageError(f'There is no command "{args[0]}".{_nearest(args[0], self.commands)} {_see(ctx)}')
        return super().resolve_command(ctx, args)

    def format_help(self, ctx: Any, formatter: Any) -> None:
        """Write the help."""
        _write(formatter, f"{ctx.command_path} COMMAND ...", self.help or "")
        shorts = [(name, (command.help or "").split("\n\n")[0]) for name, command in self.commands.items()]
        _rows(formatter, "Commands", shorts)
        formatter.write("\nHelp for one of them: morningmix COMMAND --help\n")


def _is_rehearsal(folder: Path) -> bool:
    """Whether a folder holds raw tracks, or is a mix folder."""
    if (folder / "recipe.toml").is_file():
        return True
    # Its room reads sound, which takes a moment to load.
    from morningmix.audio.takes import holds_sound

    return holds_sound(folder)


def one_of(kind: type[_Word], what: str, hint: str = "") -> Callable[[str], _Word]:
    """A parser for one of a few words. It raises `UsageError`."""

    def parse(text: str) -> _Word:
        words = [str(word) for word in kind]
        if text.lower() not in words:
            raise UsageError(f'{what} must be {" or ".join(words)}, not "{text}".{_nearest(text, words)}{hint}')
        return kind(text.lower())

    return parse


def whole_number(what: str, low: int, high: int) -> Callable[[str], int]:
    """A parser for a whole number from `low` to `high`. It raises `UsageError`."""

    def parse(text: str) -> int:
        if not re.fullmatch(r"[0-9]{1,9}", str(text), re.ASCII) or not low <= int(text) <= high:
            raise UsageError(f'{what} must be a whole number from {low} to {high}, not "{text}".')
        return int(text)

    return parse


def decibels(text: str) -> float:
    """How far to turn, in dB. Raises `UsageError`."""
    number = text.lower().removesuffix("db").strip()
    if not re.fullmatch(r"[0-9]{1,3}([.][0-9]{1,9})?", number, re.ASCII) or not 0.0 <= float(number) <= 60.0:
        raise UsageError(f'The amount must be a number of decibels from 0 to 60, such as 2 or 1.5, not "{text}".')
    return float(number)


# ---------------------------------------------------------------- complaints


def _refusal(error: Any, ctx: Any) -> str:
    """What the library refused, in our words."""
    parameter = getattr(error, "param", None)
    option = getattr(error, "option_name", None)
    if parameter is not None and isinstance(error, typer.BadParameter):
        name = _placeholder(parameter)
        return f"{name} is missing: {_lower(parameter.help or '').rstrip('.')}. Type: {_usage(ctx)}"
    known = {
        name: parameter for parameter in ctx.command.get_params(ctx) for name in parameter.opts if name.startswith("-")
    }
    if option in known:
        if known[option].is_flag:
            return f"{option} takes no value. {_see(ctx)}"
        return f"{option} needs a value after it: {option} {known[option].metavar}."
    if option is not None and re.fullmatch("-[0-9].*", option):
        return f'"{option}" looks like an option. Write the number without its minus sign.'
    if option is not None:
        return f'There is no option "{option}" here.{_nearest(option, known)} {_see(ctx)}'
    extra = re.search(r"\(([^()]*)\)$", str(error))
    if extra:
        hint = "Names with spaces need quotes. " if " " not in extra[1] else ""
        return f'"{extra[1]}" is one word too many. {hint}Type: {_usage(ctx)}'
    return f"{str(error).rstrip('.')}. {_see(ctx)}"


def _nearest(word: str, words: Sequence[str] | Any) -> str:
    # Not at the top: its room reads TOML and takes a moment to load.
    from morningmix.files.toml_lines import did_you_mean

    return did_you_mean(word, words)


def _see(ctx: Any) -> str:
    return f"For help: {ctx.command_path} --help"


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]


# ---------------------------------------------------------------- help


def _usage(ctx: Any) -> str:
    arguments = [parameter for parameter in ctx.command.params if parameter.param_type_name == "argument"]
    shown = [
        _placeholder(parameter) if parameter.required else f"[{_placeholder(parameter)}]" for parameter in arguments
    ]
    return " ".join([ctx.command_path, *shown, "[options]"])


def _placeholder(parameter: Any) -> str:
    return str(parameter.metavar or parameter.name.upper())


def _options(parameters: Sequence[Any]) -> list[tuple[str, str]]:
    rows = []
    for parameter in parameters:
        if parameter.param_type_name != "option":
            continue
        value = "" if parameter.is_flag else f" {parameter.metavar}"
        usual = f" Default: {parameter.default}." if parameter.default and not parameter.is_flag else ""
        says = "Show this help." if parameter.name == "help" else f"{parameter.help}{usual}"
        rows.append((f"{parameter.opts[0]}{value}", says))
    return rows


def _write(formatter: Any, usage: str, says: str) -> None:
    formatter.write(f"Usage: {usage}\n")
    for paragraph in says.split("\n\n"):
        formatter.write("\n" + textwrap.fill(" ".join(paragraph.split()), _width()) + "\n")


def _rows(formatter: Any, title: str, rows: Sequence[tuple[str, str]]) -> None:
    if not rows:
        return
    formatter.write(f"\n{title}:\n" if title else "\n")
    column = max(len(name) for name, _ in rows) + 4
    for name, says in rows:
        first = f"  {name}".ljust(column)
        text = textwrap.fill(says, _width(), initial_indent=first, subsequent_indent=" " * column)
        formatter.write(f"{text}\n")


def _width() -> int:
    return max(40, min(_WIDEST, shutil.get_terminal_size().columns))
