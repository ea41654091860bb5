"""The folder that goes round: whole or not at all, and nothing in it is deleted that was not packed."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from morningmix.errors import BusyError, UsageError
from morningmix.share.packing import packing, zipped

unix = pytest.mark.skipif(sys.platform == "win32", reason="making links needs rights there, and there is no fork")


def pack(folder: Path, version: str, meanwhile: Callable[[], object] = lambda: None) -> None:
    with packing(folder) as draft:
        (draft / f"01 {version}.mp3").write_text(version, encoding="utf-8")
        (draft / "index.html").write_text(f"<p>{version}</p>", encoding="utf-8")
        meanwhile()


def held(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): path.read_text("utf-8") for path in folder.rglob("*") if path.is_file()
    }


def test_the_folder_is_replaced_whole_and_leaves_nothing_beside_it(tmp_path: Path) -> None:
    for version in ("first", "second"):
        pack(tmp_path / "a" / "share", version)
        files = held(tmp_path)
        assert set(files) == {"a/share/index.html", f"a/share/01 {version}.mp3"}
        assert files["a/share/index.html"].startswith(f"<p>{version}</p>")


def test_what_fails_leaves_the_former_one(tmp_path: Path) -> None:
    pack(tmp_path / "share", "first")
    before = held(tmp_path)
    with pytest.raises(ZeroDivisionError):
        pack(tmp_path / "share", "second", lambda: 1 // 0)
    assert held(tmp_path) == before


@pytest.mark.parametrize("name", ["02 my own.mp3", "notes.txt", "03 hers.listen.html"])
def test_what_was_not_packed_is_never_deleted(name: str, tmp_path: Path) -> None:
    pack(tmp_path / "share", "first")
    (tmp_path / "share" / name).write_text("hers", encoding="utf-8")
    before = held(tmp_path)
    with pytest.raises(UsageError, match="added or changed since it was packed"):
        pack(tmp_path / "share", "second")
    assert held(tmp_path) == before


@pytest.mark.parametrize("name", ["01 first.mp3", "index.html"])
def test_what_was_changed_since_is_never_deleted(name: str, tmp_path: Path) -> None:
    pack(tmp_path / "share", "first")
    with (tmp_path / "share" / name).open("r+", encoding="utf-8") as file:
        file.write("hers")
    before = held(tmp_path)
    with pytest.raises(UsageError, match=f"added or changed since it was packed \\({name}\\)"):
        pack(tmp_path / "share", "second")
    assert held(tmp_path) == before


def test_what_comes_in_while_it_packs_is_never_deleted(tmp_path: Path) -> None:
    pack(tmp_path / "share", "first")
    lyrics = tmp_path / "share" / "lyrics.txt"
    with pytest.raises(UsageError, match="added or changed since it was packed"):
        pack(tmp_path / "share", "second", lambda: lyrics.write_text("hers", encoding="utf-8"))
    assert lyrics.read_text(encoding="utf-8") == "hers"
    assert (tmp_path / "share" / "01 first.mp3").exists()


@pytest.mark.parametrize("path", [".share.packing/hers", ".share.packing/new/hers"])
def test_a_hidden_folder_of_somebody_else_stays(path: str, tmp_path: Path) -> None:
    (tmp_path / path).parent.mkdir(parents=True)
    (tmp_path / path).write_text("hers", encoding="utf-8")
    with pytest.raises(UsageError, match=r"share\.packing is in the way"):
        pack(tmp_path / "share", "first")
    assert held(tmp_path) == {path: "hers"}


@unix
@pytest.mark.parametrize(
    "link", ["share", ".share.packing", ".share.packing/lock", ".share.packing/new", "share/a.mp3"]
)
def test_nothing_is_written_or_deleted_through_a_link(link: str, tmp_path: Path) -> None:
    tracks = tmp_path / "tracks"
    tracks.mkdir()
    (tracks / "kick.wav").write_text("the only copy", encoding="utf-8")
    place = tmp_path / "place" / link
    place.parent.mkdir(parents=True)
    if place.name == "new":
        (place.parent / "lock").touch()
    place.symlink_to(tracks / "kick.wav" if place.suffix or place.name == "lock" else tracks)
    with pytest.raises(UsageError):
        pack(tmp_path / "place" / "share", "first")
    assert held(tracks) == {"kick.wav": "the only copy"}
    assert place.is_symlink()


def test_two_at_once_into_one_folder_are_one(tmp_path: Path) -> None:
    with pytest.raises(BusyError, match="Another run"):
        pack(tmp_path / "share", "one", lambda: pack(tmp_path / "share", "other"))
    assert held(tmp_path) == {}
    pack(tmp_path / "share", "one")
    assert held(tmp_path)["share/index.html"].startswith("<p>one</p>")


KILLED = """
import os, shutil, sys
from pathlib import Path
sys.path.insert(0, {tests!r})
from share.test_packing import held, pack

folder = Path(sys.argv[1]) / "share"
pack(folder, "first")
first = held(folder)
step = 0
while True:
    step += 1
    child = os.fork()
    if not child:
        left = step
        def count(event, arguments):
            global left
            if event in ("os.rename", "os.remove", "os.rmdir", "os.mkdir", "open") and ".pyc" not in str(arguments[0]):
                left -= 1
                if not left:
                    os._exit(9)
        sys.addaudithook(count)
        pack(folder, "second")
        os._exit(0)
    killed = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    print(killed, *(sorted(held(folder)) if folder.exists() else ["nothing"]), sep="|")
    pack(folder, "first")
    assert held(folder.parent) == {{"share/" + name: text for name, text in first.items()}}, step
    assert list(folder.parent.iterdir()) == [folder], step
    if not killed:
        break
"""


@unix
def test_a_kill_at_any_step_leaves_one_version_and_the_next_run_goes_on(tmp_path: Path) -> None:
    code = KILLED.format(tests=str(Path(__file__).parent.parent))
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    kills = [line.split("|") for line in done.stdout.splitlines()]
    assert [code for code, *_ in kills] == ["9"] * (len(kills) - 1) + ["0"]
    assert len(kills) > 15
    left = [names for _, *names in kills]
    first, second = ["01 first.mp3", "index.html"], ["01 second.mp3", "index.html"]
    # Between the two moves there is neither, and the next run has both.
    assert {tuple(names) for names in left} == {tuple(first), tuple(second), ("nothing",)}
    assert left.count(["nothing"]) == 1
    assert left == sorted(left, key=[first, ["nothing"], second].index)


def test_a_zip_holds_the_folder_and_is_the_same_every_time(tmp_path: Path) -> None:
    pack(tmp_path / "share", "first")
    path = zipped(tmp_path / "share", "Thursday")
    assert path == tmp_path / "share.zip"
    before = path.read_bytes()
    with zipfile.ZipFile(path) as archive:
        assert sorted(archive.namelist()) == ["Thursday/01 first.mp3", "Thursday/index.html"]
        assert archive.read("Thursday/01 first.mp3") == b"first"
    assert zipped(tmp_path / "share", "Thursday").read_bytes() == before
    assert sorted(each.name for each in tmp_path.iterdir()) == ["share", "share.zip"]


@pytest.mark.parametrize("content", [b"mine", b""])
def test_a_zip_of_somebody_else_stays(content: bytes, tmp_path: Path) -> None:
    pack(tmp_path / "share", "first")
    (tmp_path / "share.zip").write_bytes(content)
    with pytest.raises(UsageError, match="in the way"):
        zipped(tmp_path / "share", "Thursday")
    assert (tmp_path / "share.zip").read_bytes() == content
