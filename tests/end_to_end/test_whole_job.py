"""The whole job in a browser, from a folder of a rehearsal with three songs to the zip for the band."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tomllib
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of the files under test

from command_line import digests
from end_to_end.made import mixed, says, served, settled, shown, until
from morningmix.files.recall import read_recall
from synthetic import band

pytestmark = pytest.mark.browser

RATE_HZ, SONG_S, TALK_S = 16_000, 26.0, 8.0
FILES = {"kick": "kick.wav", "overhead": "overhead.wav", "bass": "bass.wav", "guitar 1": "input 4.wav"}


def write_rehearsal(folder: Path) -> None:
    """One song three times; in between somebody talks near the drums."""
    rng = np.random.default_rng(2)
    starts_s = [4.0 + number * (SONG_S + TALK_S) for number in range(3)]
    songs = [band(SONG_S, RATE_HZ, seed) for seed in range(3)]
    folder.mkdir()
    for name, file in FILES.items():
        sound = 2e-5 * rng.standard_normal(round((starts_s[-1] + SONG_S + 4.0) * RATE_HZ))
        for start_s, song in zip(starts_s, songs, strict=True):
            at = round(start_s * RATE_HZ)
            sound[at : at + len(song[name])] += song[name]
            if name == "overhead":
                sound[at - 3 * RATE_HZ : at - 2 * RATE_HZ] += 0.003 * rng.standard_normal(RATE_HZ)
        soundfile.write(folder / file, sound, RATE_HZ, subtype="PCM_24")


@pytest.fixture
def page(chromium: Any, tmp_path: Path) -> Iterator[Any]:
    write_rehearsal(tmp_path / "Thursday")
    with served("Thursday", tmp_path) as address, shown(chromium, address) as page:
        yield page


def test_from_a_folder_to_the_zip(page: Any, tmp_path: Path) -> None:
    home = tmp_path / "Thursday mix"
    recipe = home / "recipe.toml"
    raw = digests(tmp_path / "Thursday")
    page.wait_for_selector("#song-0-2")
    settled(page)
    before = recipe.read_text(encoding="utf-8")
    found = tomllib.loads(before)["song"]

    # Who plays what: a role is corrected, and its guessed name with it; somebody plays it.
    card = page.locator("[data-input]", has_text="input 4.wav").get_attribute("data-input")
    page.select_option(f"#role-{card}", "acoustic guitar")
    until(page, f"document.getElementById('name-{card}').value === 'acoustic guitar'")
    page.fill(f"#player-{card}", "Mara")
    page.press(f"#player-{card}", "Enter")
    page.wait_for_selector("#players option[value=Mara]", state="attached")
    settled(page)

    # Songs: three names; an end is dragged, and a start goes on by keys to where somebody comes in.
    for song, title in enumerate(("Copper Rain Gauge", "Rope Swing", "Night Shed")):
        page.fill(f"#title-0-{song}", title)
        page.press(f"#title-0-{song}", "Enter")
        until(page, f"document.getElementById('song-0-{song}').dataset.title === '{title}'")
    settled(page)
    page.locator("#song-0-0 .strip").scroll_into_view_if_needed()
    strip, end = (page.locator(what).bounding_box() for what in ("#song-0-0 .strip", "#end-0-0"))
    page.mouse.move(end["x"] + end["width"] / 2, end["y"] + 40)
    page.mouse.down()
    page.keyboard.down("Alt")
    page.mouse.move(strip["x"] + 0.5 * strip["width"], end["y"] + 40, steps=5)
    page.mouse.up()
    page.keyboard.up("Alt")
    says(page, "#song-0-0 .said", "Copper Rain Gauge runs from")
    until(page, "!document.getElementById('songs').dataset.held")
    settled(page)
    page.focus("#start-0-2")
    for _ in range(8):
        page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("Enter")
    says(page, "#song-0-2 .said", "Night Shed runs from")
    until(page, "!document.getElementById('songs').dataset.held")
    settled(page)
    end_s, start_s = (float(page.get_attribute(what, "aria-valuenow")) for what in ("#end-0-0", "#start-0-2"))

    # Mix and adjust: the bass is turned up.
    bass = page.eval_on_selector('[data-row][data-name="bass"]', "(row) => row.dataset.row")
    page.focus(f"#level-{bass}")
    for _ in range(6):
        page.keyboard.press("ArrowRight")
    says(page, f"#row-{bass} .said", "bass: clearly louder (+3 dB)")
    mixed(page)

    # Send: what two people want of the first song is merged, mixed, and packed.
    mix_id = read_recall(home / "mixes" / "01 Copper Rain Gauge" / "recall.json").mix_id
    messages = [
        f"morningmix wishes\nsong: Copper Rain Gauge\nmix: {mix_id}\nfrom: {who}\nkick {db:+}"
        for who, db in (("Ida", 2), ("Theo", 4))
    ]
    page.fill("#send-text", "\n\n".join(messages))
    page.click("#send-add")
    for who in ("Ida", "Theo"):
        says(page, "#came th", who)
    settled(page)
    page.click("#send-merge")
    says(page, "#came", "in the recipe")
    mixed(page)
    page.click("#send-pack")
    with page.expect_download() as saved:
        page.click("#send-zip")
    with zipfile.ZipFile(saved.value.path()) as archive:
        packed = {name.partition("/")[2] for name in archive.namelist()}
    titles = ("01 Copper Rain Gauge", "02 Rope Swing", "03 Night Shed")
    assert packed == {"index.html", *(f"{title}{end}" for title in titles for end in (".mp3", ".listen.html"))}

    # The recipe holds exactly that.
    wishes = "".join(
        f"# wishes of {who} for mix {mix_id} (...): kick: {db:+}\n" for who, db in (("Ida", 2), ("Theo", 4))
    )
    wanted = changed(
        before,
        ('role = "bass"\nlevel_db = 0.0', 'role = "bass"\nlevel_db = 3.0'),
        ('name = "electric guitar"', 'name = "acoustic guitar"'),
        (
            'role = "electric guitar?"  # a guess: if it is right, remove the ?\nlevel_db = 0.0\n',
            'role = "acoustic guitar"\nlevel_db = 0.0\nplayer = "Mara"\n',
        ),
        ('title = "Song 1"', 'title = "Copper Rain Gauge"'),
        (
            f'end = "{found[0]["end"]}"\n',
            f'end = "{clock(end_s)}"\n\n[[song.input]]\nname = "kick"\nlevel_db = 3.0\n{wishes}',
        ),
        ('title = "Song 1 again"', 'title = "Rope Swing"'),
        (
            f'title = "Song 1 again 2"\nstart = "{found[2]["start"]}"',
            f'title = "Night Shed"\nstart = "{clock(start_s)}"',
        ),
    )
    assert re.sub(r"\([0-9a-f]{6}\)", "(...)", recipe.read_text(encoding="utf-8")) == wanted
    assert 10.0 < end_s < 25.0
    assert start_s == pytest.approx(71.5 + 8.0, abs=1.0)

    # The same recipe mixed in a terminal.
    other = tmp_path / "terminal"
    shutil.copytree(tmp_path / "Thursday", other / "Thursday")
    (other / "Thursday mix").mkdir()
    shutil.copy(recipe, other / "Thursday mix")
    command = [sys.executable, "-m", "morningmix", "mix", "recipe.toml"]
    subprocess.run(command, cwd=other / "Thursday mix", check=True, capture_output=True)
    mixes = digests(other / "Thursday mix" / "mixes")
    assert sum(name.endswith(".wav") and "stems" not in name for name in mixes) == 3
    assert {name: digest for name, digest in digests(home / "mixes").items() if name in mixes} == mixes
    assert digests(tmp_path / "Thursday") == raw


def changed(text: str, *changes: tuple[str, str]) -> str:
    """The text with each change made where it fits, which is in one place."""
    for before, after in changes:
        assert text.count(before) == 1, before
        text = text.replace(before, after)
    return text


def clock(seconds: float) -> str:
    return f"{int(seconds // 60)}:{seconds % 60:04.1f}"
