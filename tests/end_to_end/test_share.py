"""What is sent round: small files with names in them, and a page that lists them."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote

import mutagen  # noqa: TID251 - an outside reader of what was written
import numpy as np
import pyloudnorm  # noqa: TID251 - an outside meter
import pytest
import soundfile  # noqa: TID251 - an outside reader of what was written

from command_line import digests, run
from end_to_end.said import one_line, run_here
from morningmix.commands.mix import mix
from morningmix.commands.order import Order
from morningmix.errors import UsageError
from morningmix.share.send import Shared, share
from synthetic import write_take

TITLES = ('Rope "Swing"', "a/b\\c: <i>d</i>", "أغنية 🎸 con", "x" * 200)
"""Quotes, slashes and markup, writing from right to left with an emoji, and far too much."""


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("place")
    write_take(folder / "Thursday", 8.0, 44_100)
    order = Order(source=folder / "Thursday", cwd=folder, workers=2)
    from morningmix.commands.recipe import write_recipe

    write_recipe(order)
    recipe = folder / "Thursday mix" / "recipe.toml"
    text = recipe.read_text(encoding="utf-8")
    text = text.replace('# band = "..."   date = "2026-11-19"', 'band = "The Loose Ladders"\ndate = "2026-11-19"', 1)
    for number, title in enumerate(TITLES):
        text += f"\n[[song]]\ntitle = {json.dumps(title, ensure_ascii=False)}\n"
        text += f"start = {2 * number}\nend = {2 * number + 2}\n"
    recipe.write_text(text, encoding="utf-8")
    mix(order)
    return folder / "Thursday mix"


def told(_step: str, _share: float) -> None:
    pass


@pytest.fixture(scope="module")
def sent(home: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Shared]]:
    """What was shared as MP3; nobody may write here."""
    return share(home, tmp_path_factory.mktemp("sent") / "out", "mp3", told)


class Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.links: list[str] = []
        self.tags: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.links += [
            value for name, value in attrs if name in ("src", "href") and value and not value.startswith("data:")
        ]


@pytest.mark.parametrize("kind", ["mp3", "flac"])
def test_files_carry_names_and_keep_their_loudness(home: Path, tmp_path: Path, kind: str) -> None:
    """Loudness by pyloudnorm of what libsndfile decodes; tags by mutagen's own readers."""
    before = digests(home)
    folder, shared = share(home, tmp_path / "out", kind, told)  # type: ignore[arg-type]
    assert digests(home) == before
    assert [file.title for file in shared] == list(TITLES)
    pages = {file.file.with_suffix(".listen.html").name for file in shared}
    assert {path.name for path in folder.iterdir()} == {"index.html", *pages, *(file.file.name for file in shared)}
    for number, one in enumerate(shared, 1):
        tags = mutagen.File(one.file, easy=True)
        assert tags["title"] == [one.title]
        assert tags["album"] == ["Thursday"]
        assert tags["artist"] == ["The Loose Ladders"]
        assert tags["date"] == ["2026-11-19"]
        assert tags["tracknumber"][0].split("/")[0] == str(number)
        sound, rate_hz = soundfile.read(one.file)
        sheet = json.loads(sorted(home.glob("mixes/[0-9]*/recall.json"))[number - 1].read_text(encoding="utf-8"))
        reading = pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(sound)
        assert reading + one.lowered_db == pytest.approx(sheet["mix"]["integrated_lufs"], abs=0.2)
        assert one.peak_dbtp is not None
        assert one.peak_dbtp <= 0.0
        assert np.abs(sound).max() <= 1.0
        pictures = [frame for frame in (mutagen.File(one.file).tags or {}).values() if hasattr(frame, "mime")]
        pictures += getattr(mutagen.File(one.file), "pictures", [])
        assert pictures[0].data[:8] == b"\x89PNG\r\n\x1a\n"


def test_names_are_safe_everywhere(sent: tuple[Path, list[Shared]]) -> None:
    folder, _ = sent
    for path in folder.iterdir():
        assert not re.search(r'[<>:"/\\|?*\x00-\x1f]', path.name)
        assert len(path.name.encode()) <= 255


def test_the_page_names_every_song_and_links_only_what_is_there(sent: tuple[Path, list[Shared]]) -> None:
    folder, shared = sent
    text = (folder / "index.html").read_text(encoding="utf-8")
    page = Page()
    page.feed(text)
    files = {file.file.name for file in shared} | {file.file.with_suffix(".listen.html").name for file in shared}
    assert {unquote(link) for link in page.links} == files == {path.name for path in folder.iterdir()} - {"index.html"}
    assert not page.tags & {"script", "img", "iframe", "i"}
    assert "The Loose Ladders, 2026-11-19" in text


def test_the_same_mixes_give_the_same_files(home: Path, sent: tuple[Path, list[Shared]], tmp_path: Path) -> None:
    first, _ = sent
    again, _ = share(home, tmp_path / "b", "mp3", told)
    assert digests(first) == digests(again)


def test_share_replaces_only_its_own_files(home: Path, tmp_path: Path) -> None:
    copy = shutil.copytree(home, tmp_path / "home")
    first, _ = share(copy, None, "mp3", told)
    assert first == copy / "share"
    with (copy / "recipe.toml").open("a", encoding="utf-8") as recipe:
        recipe.write("# note 0:01.0 Jo: slower here\n")
    share(copy, None, "mp3", told)
    noted = [path.name[:2] for path in first.glob("*.listen.html") if "Jo: slower here" in path.read_text("utf-8")]
    assert noted == ["04"]
    (first / "lyrics.txt").write_text("hers", encoding="utf-8")
    with pytest.raises(UsageError, match=r"added or changed since it was packed \(lyrics\.txt\)"):
        share(copy, None, "mp3", told)
    assert (first / "lyrics.txt").read_text(encoding="utf-8") == "hers"


def test_raw_tracks_named_like_its_files_are_never_replaced(home: Path, tmp_path: Path) -> None:
    """A folder of numbered FLAC files looks like one that was shared, but for the page."""
    card = tmp_path / "card"
    card.mkdir()
    (card / "01 kick.flac").write_bytes(b"the only copy")
    with pytest.raises(UsageError, match=r"added or changed since it was packed \(01 kick\.flac\)"):
        share(home, card, "flac", told)
    tracks = home.parent / "Thursday"
    before = digests(tracks)
    for place in (tracks, tracks / "share"):
        with pytest.raises(UsageError, match="is inside the folder with the raw tracks"):
            share(home, place, "mp3", told)
    with pytest.raises(UsageError, match="is a file"):
        share(home, card / "01 kick.flac", "mp3", told)
    assert digests(tracks) == before
    assert (card / "01 kick.flac").read_bytes() == b"the only copy"


@pytest.mark.slow
def test_one_of_three_runs_the_others_say_busy(home: Path, tmp_path: Path) -> None:
    """Also into folders of their own: what is packed must not change meanwhile."""
    code = (
        "import sys; from pathlib import Path\n"
        "from morningmix.share.send import share\n"
        "def told(step, done):\n"
        "    print(step, flush=True); sys.stdin.read()\n"
        "share(Path(sys.argv[1]), Path(sys.argv[2]), 'mp3', told)\n"
    )
    command = [sys.executable, "-c", code, str(home), str(tmp_path / "first")]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as first:
        assert first.stdout is not None
        assert first.stdout.readline().startswith(b"packing")
        for place in ("first", "second"):
            busy = run_here("share", home, "--out", tmp_path / place, cwd=tmp_path)
            one_line(busy, 7, "Another run is using")
        first.communicate()
    assert first.returncode == 0
    assert [path.name for path in tmp_path.iterdir()] == ["first"]
    assert (tmp_path / "first" / "index.html").exists()


def test_two_homes_are_not_packed_into_one_folder_at_once(home: Path, tmp_path: Path) -> None:
    other = shutil.copytree(home, tmp_path / "other")
    told_busy = []

    def meanwhile(_step: str, _share: float) -> None:
        if not told_busy:
            told_busy.append(run_here("share", other, "--out", tmp_path / "round", cwd=tmp_path))

    share(home, tmp_path / "round", "mp3", meanwhile)
    one_line(told_busy[0], 7, "Another run is using", "round")


def test_a_song_between_two_places_is_packed_too(home: Path, tmp_path: Path) -> None:
    """As a kill leaves it between the two moves of an exchange."""
    copy = shutil.copytree(home, tmp_path / "home")
    song = sorted((copy / "mixes").glob("01 *"))[0]
    (copy / "mixes" / "earlier").mkdir()
    partial = copy / "mixes" / ".partial"
    shutil.copytree(song, partial / "new" / song.name)
    song.rename(copy / "mixes" / "earlier" / song.name)
    journal = {"new": song.name, "built": song.name, "moves": [[song.name, song.name]], "discard": []}
    (partial / "swap.json").write_text(json.dumps(journal), encoding="utf-8")
    _, shared = share(copy, None, "mp3", told)
    assert [file.title for file in shared] == list(TITLES)


def test_the_command_says_where_and_what(home: Path, tmp_path: Path) -> None:
    done = run("share", home, "--out", "round", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("Packed 4 songs into round. Send the folder, or open round/index.html.\n")
    nothing = run("share", tmp_path, cwd=tmp_path)
    assert nothing.returncode == 2
    assert "Nothing is mixed yet" in nothing.stderr
