"""One short take of a small line-up, mixed once; every test works on a copy of its own. And a browser for the page."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from command_line import run
from synthetic import write_take

RATE_HZ = 32_000
"""The second loudness meter reads from there on."""


@pytest.fixture(scope="session")
def card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Raw tracks with telling names; nobody may write here."""
    folder = tmp_path_factory.mktemp("card") / "Thursday"
    write_take(folder, seconds=4.0, rate_hz=RATE_HZ)
    for name in ("snare", "overhead", "guitar 2"):
        (folder / f"{name}.wav").unlink()
    return folder


@pytest.fixture(scope="session")
def mixed(card: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A place with the tracks and their mix, made by the command; nobody may write here.

    ``said.txt`` is what the command said.
    """
    place = tmp_path_factory.mktemp("mixed") / "place"
    place.mkdir()
    shutil.copytree(card, place / "Thursday")
    done = run("mix", "Thursday", "--tracks", cwd=place)
    assert done.returncode == 0, done.stderr
    (place / "said.txt").write_text(done.stdout, encoding="utf-8")
    return place


@pytest.fixture(scope="session")
def kept(mixed: Path) -> Path:
    """A copy of the mixed place that nobody changes."""
    return shutil.copytree(mixed, mixed.with_name("kept"))


@pytest.fixture
def place(mixed: Path, kept: Path) -> Iterator[Path]:
    """The mixed place itself, to change at will; what was measured of the tracks goes by their path, and is there."""
    yield mixed
    shutil.rmtree(mixed)
    shutil.copytree(kept, mixed)


@pytest.fixture
def take(card: Path, tmp_path: Path) -> Path:
    """A copy of the tracks alone: ``take`` in an otherwise empty place."""
    return shutil.copytree(card, tmp_path / "take")


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    """Chromium, where it is installed."""
    driver = pytest.importorskip("playwright.sync_api")
    found = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if found is None:
        pytest.skip("there is no Chromium here")
    with driver.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=found, args=["--no-sandbox"])
        yield browser
        browser.close()
