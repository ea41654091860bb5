"""What a rehearsal taught goes into band.toml: where it is written, who is asked, and what is never touched."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path

import pytest

from command_line import digests
from end_to_end.said import one_line, run_here
from morningmix.commands.remember import lesson_of, write
from morningmix.errors import BusyError, OutputError
from morningmix.files.band import read_band
from morningmix.storage.lock import editing_band

links = pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")

RECIPE = """\
recipe = 1
[rehearsal]
tracks = "../band/2026/Thursday"
[[input]]
file = "07.wav"
name = "lead vocal"
role = "lead vocal"
level_db = 2.0
"""


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A rehearsal's tracks and, elsewhere, its recipe; it was never mixed, and its tracks are no sound."""
    (tmp_path / "band" / "2026" / "Thursday").mkdir(parents=True)
    (tmp_path / "band" / "2026" / "Thursday" / "07.wav").write_bytes(b"no sound")
    (tmp_path / "mix").mkdir()
    (tmp_path / "mix" / "recipe.toml").write_text(RECIPE)
    return tmp_path


@pytest.mark.parametrize(
    ("there", "where"),
    [
        ([], "band/2026/band.toml"),
        (["band/band.toml"], "band/band.toml"),
        (["band/band.toml", "band/2026/band.toml"], "band/2026/band.toml"),
        (["mix/band.toml", "band/band.toml"], "mix/band.toml"),
        (["band/inputs.toml"], "band/band.toml"),
        (["mix/inputs.toml"], "band/2026/band.toml"),
        (["band/2026/Thursday/band.toml"], "band/2026/band.toml"),
        (["band/2026/Thursday/band.toml", "band/band.toml"], "band/band.toml"),
        (["band/2026/Thursday/inputs.toml"], "band/2026/band.toml"),
    ],
)
def test_it_goes_into_the_file_that_counts_or_above_the_tracks_and_never_among_them(
    there: list[str], where: str, place: Path
) -> None:
    for name in there:
        (place / name).write_text("band = 1\n" if name.endswith("band.toml") else "")
    before = digests(place)
    done = run_here("remember", "mix", "--yes", cwd=place)
    assert done.returncode == 0, done.stderr
    path, now = Path(where), digests(place)
    new = {name for name in now if now[name] != before.get(name)}
    assert new - {f"{path.parent.as_posix()}/.band.toml.lock"} == {path.as_posix()}
    assert before.keys() <= now.keys()
    assert f"Remembered in {path}." in done.stdout
    if not any("Thursday/band.toml" in name for name in there):
        assert read_band(place / "band" / "2026" / "Thursday", place / "mix").of_input(["07.wav"])
    now = digests(place)
    again = run_here("remember", "mix/recipe.toml", "--yes", cwd=place)
    assert again.returncode == 0
    assert again.stdout == f"{path} already knows all that this rehearsal taught.\n"
    assert digests(place) == now


def test_the_tracks_mean_their_mix_folder(place: Path) -> None:
    (place / "mix").rename(place / "Thursday mix")
    done = run_here("remember", "band/2026/Thursday", "--yes", cwd=place)
    assert "Remembered in" in done.stdout, done.stderr


def answered(monkeypatch: pytest.MonkeyPatch, answer: str) -> None:
    stdin = io.StringIO(answer)
    stdin.isatty = lambda: True  # type: ignore[method-assign]
    monkeypatch.setattr(sys, "stdin", stdin)


@pytest.mark.parametrize(
    ("answer", "written"), [("y\n", True), (" YES\n", True), ("n\n", False), ("\n", False), ("", False)]
)
def test_it_shows_the_lines_first_and_asks(
    answer: str, written: bool, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answered(monkeypatch, answer)
    near = Path("band") / "2026" / "band.toml"
    path = place / near
    path.write_text('# ours\nband = 1\n\n[[input]]\nfile = "07.wav"\nlevel_db = 1.0  # loud\n')
    done = run_here("remember", "mix", cwd=place)
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[:13] == [
        "--- band.toml",
        "+++ band.toml",
        "@@ -3,4 +3,6 @@",
        " ",
        " [[input]]",
        ' file = "07.wav"',
        "-level_db = 1.0  # loud",
        "+level_db = 2.0  # loud",
        '+name = "lead vocal"',
        '+role = "lead vocal"',
        "",
        f"Write this into {near}? y or n: "
        + (
            f"Remembered in {near}. Rehearsals in the folders below it start with it."
            if written
            else f"Nothing was written. {near} stays as it is."
        ),
    ]
    assert ("level_db = 2.0  # loud" in path.read_text()) == written


def test_where_nobody_can_answer_it_says_what_to_do(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("y\n"))
    before = digests(place)
    done = run_here("remember", "mix", cwd=place)
    assert done.returncode == 2
    assert '+name = "lead vocal"' in done.stdout.splitlines()
    assert done.stderr == (
        "morningmix: There is no terminal to answer in, so nothing was written. "
        "To write it: morningmix remember mix --yes\n"
    )
    assert digests(place) == before


def test_as_json_it_is_only_written_with_yes(place: Path) -> None:
    path = place / "band" / "2026" / "band.toml"
    first = json.loads(run_here("remember", "mix", "--json", cwd=place).stdout)
    assert (first["band"], first["written"], path.exists()) == (str(path), False, False)
    second = json.loads(run_here("remember", "mix", "--json", "--yes", cwd=place).stdout)
    assert (second["lines"], second["written"], path.exists()) == (first["lines"], True, True)
    third = json.loads(run_here("remember", "mix", "--json", "--yes", cwd=place).stdout)
    assert (third["lines"], third["written"]) == ([], False)


def test_an_input_list_is_taken_over_and_no_longer_read(place: Path) -> None:
    listed = place / "band" / "2026" / "inputs.toml"
    listed.write_text('# ours\n[[input]]\nfile = "08.wav"\nname = "lute"\n[[input]]\nfile = "07.wav"\nname = "Ada"\n')
    done = run_here("remember", "mix", "--yes", cwd=place)
    assert "inputs.toml, which is no longer read; you can delete that file." in done.stdout
    text = listed.with_name("band.toml").read_text()
    assert '\n# ours\n[[input]]\nfile = "08.wav"\nname = "lute"\n' in text
    assert '"Ada"' not in text
    band = read_band(place / "band" / "2026" / "Thursday", None)
    assert (band.input_list, len(band.inputs)) == (None, 2)


def test_a_recipe_that_taught_nothing_leaves_no_file(place: Path) -> None:
    (place / "mix" / "recipe.toml").write_text(RECIPE.partition("[[input]]")[0])
    (place / "band" / "2026" / "inputs.toml").write_text('[[input]]\nfile = "08.wav"\n')
    before = digests(place)
    assert "already knows all" in run_here("remember", "mix", "--yes", cwd=place).stdout
    assert digests(place) == before


# ---------------------------------------------------------------- what is in the way


def test_without_a_recipe_there_is_nothing_to_remember(place: Path) -> None:
    one_line(run_here("remember", "band/2026/Thursday", cwd=place), 2, "nothing to remember", "morningmix songs")
    one_line(run_here("remember", "nowhere", cwd=place), 2, "nowhere")


def test_without_the_tracks_folder_there_is_no_place(place: Path) -> None:
    """The disk with the tracks is not there: no folders are made in its place."""
    (place / "mix" / "recipe.toml").write_text(RECIPE.replace("../band/2026", "../disk/2026"))
    one_line(run_here("remember", "mix", "--yes", cwd=place), 2, "There is no folder above the tracks", "disk")
    assert not (place / "disk").exists()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("band = 2\n", ("band.toml, line 1", "newer version")),
        (
            'band = 1\n[[song]]\ntitle = "A"\n[[song]]\ntitle = "a"\n',
            ("band.toml, line 5", 'the title "a" is already used'),
        ),
        ("band = 1\n[[inputs]]\n", ("band.toml, line 2", 'Did you mean "input"?')),
    ],
)
def test_a_band_toml_that_cannot_be_read_is_one_line_and_stays(text: str, words: tuple[str, ...], place: Path) -> None:
    path = place / "band" / "band.toml"
    path.write_text(text)
    one_line(run_here("remember", "mix", "--yes", cwd=place), 3, *words)
    one_line(run_here("turn", "mix", "lead vocal", "up", "1", cwd=place), 3, *words)
    assert path.read_text() == text


def test_what_is_wrong_in_an_input_list_is_said_with_its_own_line(place: Path) -> None:
    (place / "band" / "2026" / "inputs.toml").write_text('[[input]]\nfile = "07.wav"\nrole = "kik"\n')
    one_line(run_here("remember", "mix", "--yes", cwd=place), 3, "inputs.toml, line 3", 'Did you mean "kick"?')


@links
@pytest.mark.parametrize("dangling", [False, True])
def test_a_link_is_never_written_through(dangling: bool, place: Path) -> None:
    elsewhere = place / "elsewhere.toml"
    if not dangling:
        elsewhere.write_text("band = 1\n")
    (place / "band" / "2026" / "band.toml").symlink_to(elsewhere)
    before = digests(place)
    one_line(run_here("remember", "mix", "--yes", cwd=place), 5, "is a link")
    assert digests(place) == before


def test_a_change_meanwhile_is_not_overwritten(place: Path) -> None:
    path = place / "band" / "2026" / "band.toml"
    lesson = lesson_of(place / "mix" / "recipe.toml")
    path.write_text("band = 1\n")
    with pytest.raises(BusyError, match="has changed in the meantime"):
        write(lesson)
    assert path.read_text() == "band = 1\n"


def test_while_another_writes_it_waits(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lesson = lesson_of(place / "mix" / "recipe.toml")
    monkeypatch.setattr("morningmix.storage.lock._WAIT_S", 0.0)
    with editing_band(lesson.path), pytest.raises(BusyError):
        write(lesson)
    assert not lesson.path.exists()


def test_a_full_disk_leaves_the_old_file(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = place / "band" / "2026" / "band.toml"
    path.write_text("band = 1\n")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(OutputError, match="No space left"):
        write(lesson_of(place / "mix" / "recipe.toml"))
    assert path.read_text() == "band = 1\n"
    assert [name.name for name in path.parent.iterdir() if "partial" in name.name] == []


# ---------------------------------------------------------------- turning what is usual


def test_what_is_usual_is_turned_from_where_it_is(place: Path) -> None:
    (place / "band" / "band.toml").write_text(
        'band = 1\n[[input]]\nfile = "07.wav"\nlow_db = 1.0\n[[family]]\nname = "drums"\nroom_db = 3.0\n'
    )
    recipe = place / "mix" / "recipe.toml"
    low = json.loads(run_here("turn", "mix", "lead vocal", "low", "up", "2", "--json", cwd=place).stdout)
    assert (low["old_db"], low["new_db"]) == (1.0, 3.0)
    room = json.loads(run_here("turn", "mix", "drums", "room", "down", "1", "--json", cwd=place).stdout)
    assert (room["old_db"], room["new_db"]) == (3.0, 2.0)
    level = json.loads(run_here("turn", "mix", "drums", "up", "1", "--json", cwd=place).stdout)
    assert (level["old_db"], level["new_db"]) == (0.0, 1.0)
    assert recipe.read_text() == RECIPE + 'low_db = 3.0\n\n[[family]]\nname = "drums"\nroom_db = 2.0\nlevel_db = 1.0\n'
