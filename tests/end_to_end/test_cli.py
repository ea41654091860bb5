"""The command line itself: help, editing a recipe, and what it takes to start."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from command_line import digests, run
from end_to_end.said import kept, one_line, run_here
from morningmix.commands.mix import mix
from morningmix.commands.order import Order
from morningmix.files.recall import read_recall

COMMANDS = ("mix", "recipe", "check", "why", "turn")
RECIPE = Path("Thursday mix") / "recipe.toml"


# ---------------------------------------------------------------- help


@pytest.mark.parametrize("command", [(), *((name,) for name in COMMANDS)], ids=str)
def test_help_is_there_for_everything(command: tuple[str, ...], tmp_path: Path) -> None:
    done = run(*command, "--help", cwd=tmp_path)
    assert done.returncode == 0
    assert done.stderr == ""
    assert "Usage" in done.stdout
    assert not list(tmp_path.iterdir())


def test_help_names_every_command(tmp_path: Path) -> None:
    said = run("--help", cwd=tmp_path).stdout
    assert all(name in said for name in COMMANDS)


def _loaded(code: str) -> set[str]:
    """What is loaded after the code has run."""
    heavy = {"numpy", "scipy", "soundfile", "soxr", "pedalboard", "pydantic", "pyloudnorm"}
    asked = f"{code}\nimport sys\nprint(*sorted({heavy!r} & set(sys.modules)), file=sys.stderr)"
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    return set(done.stderr.split())


def test_nothing_heavy_is_loaded_before_a_command_needs_it() -> None:
    assert _loaded("import morningmix.cli.arguments") == set()
    assert _loaded("import morningmix.commands.mix") >= {"numpy", "scipy", "pedalboard", "pydantic"}


@pytest.mark.parametrize("command", [[], *([name] for name in COMMANDS)], ids=str)
def test_help_loads_none_of_our_heavy_rooms(command: list[str]) -> None:
    """The library for the command line may bring pydantic along by itself; sound and numbers it does not."""
    code = (
        "from morningmix.cli.arguments import app\n"
        f"try:\n    app({[*command, '--help']!r}, prog_name='morningmix')\nexcept SystemExit as end:\n"
        "    assert end.code == 0\n"
    )
    assert _loaded(code) <= {"pydantic"}


# ---------------------------------------------------------------- turn


def _lines_that_differ(old: str, new: str) -> list[tuple[str, str]]:
    return [pair for pair in zip(old.splitlines(True), new.splitlines(True), strict=True) if pair[0] != pair[1]]


def test_turn_changes_that_line_and_nothing_else(place: Path) -> None:
    before = kept(place)
    old = (place / RECIPE).read_text(encoding="utf-8")
    up = run("turn", RECIPE, "LEAD vocal", "up", "2", cwd=place)
    assert up.returncode == 0, up.stderr
    assert "now at +2 dB (was +0)" in up.stdout.splitlines()[0]
    new = (place / RECIPE).read_text(encoding="utf-8")
    assert _lines_that_differ(old, new) == [("level_db = 0.0\n", "level_db = 2.0\n")]
    assert new.partition('name = "lead vocal"')[2].splitlines()[2] == "level_db = 2.0"
    down = run("turn", RECIPE, "lead-vocal", "down", "2", "--json", cwd=place)
    assert json.loads(down.stdout)["new_db"] == 0.0
    assert kept(place) == before


def test_turn_keeps_line_endings_and_comments(place: Path) -> None:
    recipe = place / RECIPE
    text = recipe.read_text(encoding="utf-8").replace("level_db = 0.0", "level_db = 0.0  # Mara asked for more")
    recipe.write_bytes(text.replace("\n", "\r\n").encode())
    assert run_here("turn", RECIPE, "bass", "up", "0.5", cwd=place).returncode == 0
    changed = recipe.read_bytes()
    assert changed.count(b"\r\n") == changed.count(b"\n") == text.count("\n")
    assert changed.count(b"level_db = 0.5  # Mara asked for more\r\n") == 1


def test_turn_within_one_song_leaves_the_others(place: Path) -> None:
    recipe = place / RECIPE
    songs = '\n[[song]]\ntitle = "One"\nstart = 0\nend = 2\n\n[[song]]\ntitle = "Two"\nstart = 2\nend = 4\n'
    recipe.write_text(recipe.read_text(encoding="utf-8") + songs, encoding="utf-8")
    before = _bass_db(place)
    done = run_here("turn", RECIPE, "bass", "up", "3", "--song", "one", cwd=place)
    assert done.returncode == 0, done.stderr
    after = _bass_db(place)
    assert after["One"] - before["One"] == pytest.approx(3.0, abs=1e-9)
    assert after["Two"] == before["Two"]


def test_turn_writes_tone_of_a_family_and_why_says_so(place: Path) -> None:
    recipe = place / RECIPE
    old = recipe.read_text(encoding="utf-8")
    assert run_here("mix", RECIPE, cwd=place).returncode == 0
    before = _trims_db(place)
    lows = run_here("turn", RECIPE, "drums", "low", "down", "2", cwd=place)
    assert lows.returncode == 0, lows.stderr
    assert lows.stdout.startswith("The lows of drums are now at -2 dB (was +0). To hear it: morningmix mix ")
    assert recipe.read_text(encoding="utf-8") == f'{old}\n[[family]]\nname = "drums"\nlow_db = -2.0\n'
    room = run_here("turn", RECIPE, "lead vocal", "room", "up", "3", "--json", cwd=place)
    assert json.loads(room.stdout)["key"] == "room_db"
    one_line(run_here("turn", RECIPE, "vocals", "high", "up", "7", cwd=place), 2, "The high_db", "-6 to +6 dB")
    done = run_here("mix", RECIPE, cwd=place)
    # Trims are predicted not to undo the wish, and the other families stay.
    assert _trims_db(place) == pytest.approx(before, abs=0.3)
    assert "has less lows (-2.0 dB)" in done.stdout
    assert "lead vocal has more reverb (+3.0 dB)" in done.stdout
    assert "  Lows -2.0 dB below 200 Hz: as the recipe says." in run_here("why", RECIPE, "kick", cwd=place).stdout
    assert "; +3 dB from the recipe." in run_here("why", RECIPE, "lead vocal", cwd=place).stdout


def _trims_db(place: Path) -> dict[str, float]:
    (sheet,) = (place / RECIPE).parent.glob("mixes/01*/recall.json")
    return dict(read_recall(sheet).master.trims.trims_db)


def _bass_db(place: Path) -> dict[str, float]:
    """The bass fader of every song, mixed by the recipe as it is now."""
    songs = mix(Order(source=place / RECIPE, cwd=place)).songs
    return {song.title: next(track.fader_db for track in song.plan.tracks if track.name == "bass") for song in songs}


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("lead vocl", "up", "2"), ('"lead vocl"', 'Did you mean "lead vocal"?')),
        (("tuba", "up", "2"), ('"tuba"', "The inputs are: ")),
        (("bass", "down", "60"), ()),
        (("bass", "up", "50"), ("+50 dB would leave the range",)),
        (("bass", "up", "2", "--song", "Nowhere"), ('"Nowhere"',)),
    ],
    ids=["near miss", "unknown", "as far as it goes", "too far", "unknown song"],
)
def test_turn_refuses_what_is_not_there(arguments: tuple[str, ...], words: tuple[str, ...], place: Path) -> None:
    before = kept(place)
    done = run_here("turn", RECIPE, *arguments, cwd=place)
    if words:
        one_line(done, 2, *words)
        assert kept(place) == before
    else:
        assert done.returncode == 0, done.stderr


# ---------------------------------------------------------------- recipe, check, why


def test_recipe_writes_the_recipe_and_no_mix(take: Path, tmp_path: Path) -> None:
    done = run_here("recipe", take, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith(f"The recipe is ready: {Path('take mix') / 'recipe.toml'}.")
    assert {path.name for path in (tmp_path / "take mix").iterdir()} == {"recipe.toml", ".cache"}
    text = (tmp_path / "take mix" / "recipe.toml").read_text(encoding="utf-8")
    assert all(f'file = "{path.name}"' in text for path in take.iterdir())


def test_recipe_and_check_leave_an_existing_recipe_alone(place: Path) -> None:
    with (place / RECIPE).open("a", encoding="utf-8") as file:
        file.write("# mine\n")
    before = digests(place / "Thursday mix" / "mixes")
    text, changed_ns = (place / RECIPE).read_bytes(), (place / RECIPE).stat().st_mtime_ns
    said = run_here("recipe", "Thursday", cwd=place)
    assert said.returncode == 0, said.stderr
    assert "is already there and was left as it is" in said.stdout.splitlines()[0]
    assert run_here("check", "Thursday", cwd=place).returncode == 0
    assert ((place / RECIPE).read_bytes(), (place / RECIPE).stat().st_mtime_ns) == (text, changed_ns)
    assert digests(place / "Thursday mix" / "mixes") == before


@pytest.mark.parametrize("command", [("recipe", "Thursday"), ("check", "Thursday"), ("why", RECIPE)], ids=str)
def test_json_output_is_nothing_but_json(command: tuple[str | Path, ...], place: Path) -> None:
    done = run_here(*command, "--json", cwd=place)
    assert done.returncode == 0, done.stderr
    assert isinstance(json.loads(done.stdout), dict)
    assert done.stderr == ""


def test_an_unknown_command_or_option_is_a_usage_error(tmp_path: Path) -> None:
    for arguments in (("mixx",), ("mix",), ("mix", "x", "--bits", "12"), ("mix", "x", "--workers", "0"), ("turn", "x")):
        one_line(run_here(*arguments, cwd=tmp_path), 2)
    assert not list(tmp_path.iterdir())


# ---------------------------------------------------------------- what is said in words


def test_check_names_every_input_and_writes_no_recipe(take: Path, tmp_path: Path) -> None:
    done = run_here("check", take, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert not (tmp_path / "take mix" / "recipe.toml").exists()
    assert all(path.stem in done.stdout for path in take.iterdir())


def test_why_speaks_of_one_input(place: Path) -> None:
    done = run_here("why", RECIPE, "lead vocal", cwd=place)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("lead vocal (lead vocal.wav): lead vocal, in the vocals stem.")
    assert "Fader at" in done.stdout
    one_line(run_here("why", RECIPE, "leed vocal", cwd=place), 2, 'Did you mean "lead vocal"?')


def test_a_mix_folder_stands_for_its_recipe(place: Path) -> None:
    home = RECIPE.parent
    again = run_here("mix", home, "--tracks", cwd=place)
    assert again.returncode == 0, again.stderr
    assert "Nothing has changed since the last mix" in again.stdout
    assert run_here("turn", home, "bass", "up", "1", cwd=place).returncode == 0
    assert "level_db = 1.0" in (place / RECIPE).read_text(encoding="utf-8")
    for command in ("check", "songs", "recipe", "why"):
        done = run_here(command, home, cwd=place)
        assert done.returncode == 0, f"{command}: {done.stderr}"


def test_recipe_asks_for_the_guesses(take: Path, tmp_path: Path) -> None:
    """Enter takes a guess, another role corrects it and its name, and one can go back."""
    for number, path in enumerate(sorted(take.iterdir()), 1):
        path.rename(take / f"input-{number:02d}.wav")
    asked = subprocess.run(
        [sys.executable, "-m", "morningmix", "recipe", "take", "--ask"],
        cwd=tmp_path,
        input="?\nbanjoo\ntom\n\nMara\n<\nBo\n" + "\n" * 30,
        capture_output=True,
        text=True,
        check=True,
    )
    assert "All roles are confirmed" in asked.stdout
    text = (tmp_path / "take mix" / "recipe.toml").read_text(encoding="utf-8")
    assert '?"' not in text
    assert 'name = "tom"\nrole = "tom"\n' in text.split("[[input]]")[1]
    assert 'player = "Bo"\n' in text.split("[[input]]")[1]
