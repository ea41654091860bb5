"""A mix folder that somebody else made, or that holds links: nothing outside it is moved, deleted or overwritten."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from command_line import digests
from end_to_end.said import one_line, run_here
from morningmix.cli import arguments, main, options
from morningmix.files.recipe import read_recipe

links = pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")

HOME = "Thursday mix"
SONG = Path(HOME) / "mixes" / "01 Thursday"
RECIPE = Path(HOME) / "recipe.toml"


def _without(place: Path, *folders: str) -> dict[str, str]:
    return {name: digest for name, digest in digests(place).items() if not name.startswith(folders)}


def _sheet_for(place: Path, folder: Path) -> Path:
    """The song's recall sheet, alone in another folder, with the way to its tracks spelt out."""
    folder.mkdir(parents=True, exist_ok=True)
    sheet = json.loads((place / SONG / "recall.json").read_text(encoding="utf-8"))
    sheet["tracks_folder"] = str(place / "Thursday")
    (folder / "recall.json").write_text(json.dumps(sheet), encoding="utf-8")
    return folder / "recall.json"


@pytest.mark.parametrize("folder", ["Downloads", "Downloads/01 Thursday", "Downloads/earlier/01 Thursday"])
def test_a_sheet_elsewhere_mixes_into_a_mix_folder_beside_it(place: Path, folder: str) -> None:
    sheet = _sheet_for(place, place / folder)
    shutil.copy(place / SONG / "Thursday.mp3", sheet.parent / "Thursday.mp3")
    (place / "Downloads" / ".partial" / "new").mkdir(parents=True)
    (place / "Downloads" / ".partial" / "letter.txt").write_text("mine")
    before = digests(place)
    done = run_here("mix", sheet, cwd=place)
    assert done.returncode == 0, done.stderr
    made = f"{folder}/Thursday mix/"
    assert _without(place, made) == before
    assert (place / made / "mixes" / "01 Thursday" / "Thursday.wav").exists()
    assert "Thursday mix" in done.stdout


@links
@pytest.mark.parametrize("name", ["findings.json", "mixes/report.html"])
def test_what_is_written_replaces_a_link_and_never_goes_through_it(place: Path, name: str) -> None:
    before = digests(place / "Thursday")
    link = place / HOME / name
    link.unlink()
    link.symlink_to(place / "Thursday" / "kick.wav")
    done = run_here("mix", "Thursday", cwd=place)
    assert done.returncode == 0, done.stderr
    assert digests(place / "Thursday") == before
    assert not link.is_symlink()
    assert b"<html" in link.read_bytes() or b'"findings"' in link.read_bytes()


@links
@pytest.mark.parametrize("name", ["mixes", ".cache", "mixes/earlier"])
@pytest.mark.parametrize("inner", ["", "inner"])
def test_a_folder_that_leads_into_the_tracks_is_refused(place: Path, name: str, inner: str) -> None:
    (place / "Thursday" / inner).mkdir(exist_ok=True)
    folder = place / HOME / name
    shutil.rmtree(folder, ignore_errors=True)
    folder.symlink_to(place / "Thursday" / inner, target_is_directory=True)
    before = digests(place / "Thursday")
    one_line(run_here("mix", RECIPE, cwd=place), 2, "inside the folder with the raw tracks")
    assert digests(place / "Thursday") == before


@links
@pytest.mark.parametrize("name", [HOME, f"{HOME}/mixes", f"{HOME}/.cache", f"{HOME}/recipe.toml"])
def test_links_in_a_circle_are_one_line(place: Path, name: str) -> None:
    circle = place / name
    if circle.is_dir():
        shutil.rmtree(circle)
    else:
        circle.unlink()
    circle.symlink_to(circle)
    done = run_here("mix", "Thursday", cwd=place)
    assert done.returncode in (2, 3, 5), done.stderr
    assert len([line for line in done.stderr.splitlines() if "% done" not in line]) == 1


@links
def test_a_recipe_that_is_a_link_is_not_changed(place: Path) -> None:
    elsewhere = place / "elsewhere.toml"
    (place / RECIPE).rename(elsewhere)
    (place / RECIPE).symlink_to(elsewhere)
    before = digests(place)
    one_line(run_here("turn", RECIPE, "kick", "up", "2", cwd=place), 5, "is a link")
    assert digests(place) == before


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names there")
def test_a_pipe_or_a_device_is_no_text(place: Path) -> None:
    (place / RECIPE).unlink()
    os.mkfifo(place / RECIPE)
    (place / "null.toml").symlink_to("/dev/zero")
    for command in (["mix", RECIPE], ["turn", RECIPE, "kick", "up", "2"], ["mix", "null.toml"], ["songs", RECIPE]):
        done = run_here(*command, cwd=place)
        assert done.returncode in (2, 3), done.stderr
        assert len(done.stderr.splitlines()) == 1


def test_turns_at_the_same_time_add_up(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def turned(recipe: Path) -> None:
        arguments.turn(recipe, "kick", direction=options.Direction.up, by_db=0.5)

    with ThreadPoolExecutor(10) as pool:
        list(pool.map(lambda _: turned(place / RECIPE), range(10)))
    capsys.readouterr()
    (kick,) = [input_ for input_ in read_recipe(place / RECIPE).inputs if input_.name == "kick"]
    assert kick.level_db == 5.0


def test_an_empty_name_is_refused(place: Path) -> None:
    for command in (["mix", ""], ["check", ""], ["mix", "Thursday", "--out", ""], ["share", ""]):
        one_line(run_here(*command, cwd=place / "Thursday"), 2, "empty")


@pytest.mark.parametrize(
    ("error", "code", "says"),
    [
        (MemoryError(), 8, "Memory ran out"),
        (PermissionError(13, "Permission denied", "secret.wav"), 5, "secret.wav"),
        (OSError(5, "Input/output error", "card.wav"), 5, "card.wav"),
    ],
    ids=["memory", "permission", "disk"],
)
def test_what_the_system_refuses_is_one_line(
    error: BaseException, code: int, says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(main, "app", refused)
    one_line(run_here("check", "x", cwd=tmp_path), code, says)


def test_a_reader_that_has_gone_is_no_error() -> None:
    reader, writer = os.pipe()
    os.close(reader)
    with os.fdopen(writer, "wb") as gone:
        done = subprocess.run(
            [sys.executable, "-m", "morningmix", "--help"], stdout=gone, stderr=subprocess.PIPE, check=False, timeout=60
        )
    assert done.stderr == b""
    assert done.returncode == 0
