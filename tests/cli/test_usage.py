"""Help is plain text, and a command line that is wrong is answered in one sentence of ours."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from morningmix.cli.arguments import app
from morningmix.errors import RecipeError, UsageError

COMMANDS = ("open", "mix", "recipe", "check", "songs", "why", "turn", "remember", "wishes", "share", "compare", "film")


def help_of(*command: str, capsys: pytest.CaptureFixture[str]) -> str:
    with pytest.raises(SystemExit) as end:
        app([*command, "--help"], prog_name="morningmix")
    assert end.value.code == 0
    return capsys.readouterr().out


@pytest.mark.parametrize("command", [(), *((name,) for name in COMMANDS)], ids=str)
def test_help_is_plain_text_with_plain_placeholders(
    command: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    said = help_of(*command, capsys=capsys)
    assert said.startswith(f"Usage: {' '.join(('morningmix', *command))} ")
    assert said.isascii(), "no boxes"
    assert not re.search(r"\b(TEXT|PATH|INTEGER|FLOAT|RANGE|ARGS|float|path|int|bool|str)\b|[<>{}]", said)
    assert "Help for one of them" in said or "--help" in said
    assert max(map(len, said.splitlines())) <= 100


def test_help_describes_every_argument_and_option(capsys: pytest.CaptureFixture[str]) -> None:
    said = help_of("turn", capsys=capsys)
    for name in ("RECIPE", "NAME", "low|high|room", "up|down", "dB", "--song TITLE", "--json", "--help"):
        assert re.search(rf"^  {re.escape(name)} +[A-Z].*\.$", said, re.MULTILINE), name


def test_without_a_command_the_help_is_shown(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        app([], prog_name="morningmix")
    assert end.value.code == 0
    assert "Commands:" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (
            ("turn", "recipe.toml", "kick", "louder", "2"),
            'The direction must be up or down, not "louder". A name with spaces needs quotes.',
        ),
        (
            ("turn", "recipe.toml", "kick", "up", "loud"),
            'The amount must be a number of decibels from 0 to 60, such as 2 or 1.5, not "loud".',
        ),
        (
            ("turn", "recipe.toml", "kick", "down", "-2"),
            '"-2" looks like an option. Write the number without its minus sign.',
        ),
        (
            ("turn", "recipe.toml"),
            "NAME is missing: an input as the recipe calls it, or a family such as drums. "
            "Type: morningmix turn RECIPE NAME [low|high|room] up|down dB [options]",
        ),
        (
            ("turn", "recipe.toml", "lead", "vocal", "up", "2"),
            'What to turn must be low or high or room, not "vocal". Without one it is the level. '
            "A name with spaces needs quotes.",
        ),
        (("turn", "recipe.toml", "kick", "low", "high", "up", "2"), "One thing at a time, please: low or high."),
        (
            ("turn", "recipe.toml", "kick", "low", "2"),
            'The direction must be up or down, not "low". A name with spaces needs quotes.',
        ),
        (("mix", "x", "--workers", "x"), '--workers must be a whole number from 1 to 64, not "x".'),
        (("mix", "x", "--workers", "65"), '--workers must be a whole number from 1 to 64, not "65".'),
        (("mix", "x", "--bits", "12"), '--bits must be 16 or 24, not "12".'),
        (("mix", "x", "--format", "flax"), '--format must be wav or flac, not "flax". Did you mean "flac"?'),
        (("mix", "x", "--out"), "--out needs a value after it: --out FOLDER."),
        (("mix", "x", "--album=3"), "--album takes no value. For help: morningmix mix --help"),
        (
            ("mix", "x", "--workerz", "3"),
            'There is no option "--workerz" here. Did you mean "--workers"? For help: morningmix mix --help',
        ),
        (("mixx",), 'There is no command "mixx". Did you mean "mix"? For help: morningmix --help'),
        (("--version",), 'There is no option "--version" here. For help: morningmix --help'),
        (
            ("recipe", "Thursday", "night"),
            '"night" is one word too many. Names with spaces need quotes. Type: morningmix recipe FOLDER [options]',
        ),
    ],
)
def test_a_wrong_command_line_is_answered_in_one_sentence(arguments: tuple[str, ...], says: str) -> None:
    with pytest.raises(UsageError) as refused:
        app(list(arguments), prog_name="morningmix")
    assert str(refused.value) == says


@pytest.mark.parametrize("amount", ["1.5", "2dB", "2 dB", "0", "60"])
def test_an_amount_may_carry_its_unit(amount: str, tmp_path: Path) -> None:
    with pytest.raises(RecipeError, match="nowhere"):
        app(["turn", str(tmp_path / "nowhere" / "recipe.toml"), "kick", "up", amount], prog_name="morningmix")
    assert not list(tmp_path.iterdir())
