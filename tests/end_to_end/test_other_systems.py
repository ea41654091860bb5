"""What keeps it running on Windows and macOS, as far as that shows on any system.

File names by Microsoft's "Naming Files, Paths, and Namespaces" (from memory).
"""

from __future__ import annotations

import ast
import io
import json
import os
import re
import shutil
import stat
import sys
import unicodedata
from collections.abc import Callable, Iterator
from contextlib import chdir, redirect_stderr, redirect_stdout, suppress
from functools import partial
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of the files under test

import morningmix
from end_to_end.said import run_here
from lanes import lane_of
from morningmix.__main__ import main
from morningmix.cli.messages import quoted
from morningmix.workers.jobs import Job

SOURCE = Path(morningmix.__file__).parent
MODULES = [pytest.param(path, id=path.relative_to(SOURCE).as_posix()) for path in sorted(SOURCE.rglob("*.py"))]

POSIX_ALONE = {"fcntl", "grp", "posix", "pwd", "resource", "syslog", "termios", "tty"}
WINDOWS_ALONE = {"msvcrt", "winreg", "winsound"}
NOT_EVERYWHERE = {
    *("os.fork", "os.forkpty", "os.geteuid", "os.getuid", "os.kill", "os.killpg", "os.mkfifo", "os.mknod", "os.nice"),
    *("os.posix_fallocate", "os.sched_getaffinity", "os.setsid", "os.statvfs", "os.uname", "os.wait", "os.waitpid"),
    *("signal.SIGKILL", "signal.SIGALRM", "signal.SIGXFSZ", "signal.SIGUSR1", "signal.alarm", "signal.setitimer"),
    *("multiprocessing.Pool", "multiprocessing.Process", "multiprocessing.set_start_method"),
    # On Windows it takes 63 handles at most, and there may be more workers.
    "multiprocessing.connection.wait",
    # A mapped file can be neither replaced nor deleted on Windows.
    *("mmap.mmap", "numpy.memmap", "np.memmap"),
}


def trees(path: Path) -> Iterator[ast.AST]:
    """Every node of a module but for those in ``if sys.platform`` and its ``else``."""
    waiting: list[ast.AST] = [ast.parse(path.read_text(encoding="utf-8"))]
    while waiting:
        node = waiting.pop()
        yield node
        if not (isinstance(node, ast.If) and "sys.platform" in ast.unparse(node.test)):
            waiting += ast.iter_child_nodes(node)


@pytest.mark.parametrize("path", MODULES)
def test_nothing_is_used_that_one_system_does_not_have(path: Path) -> None:
    for node in trees(path):
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = {alias.name for alias in node.names} | {getattr(node, "module", None)}
            assert not names & (POSIX_ALONE | WINDOWS_ALONE), f"{path.name}, line {node.lineno}"
            for name in names:
                assert f"{getattr(node, 'module', '')}.{name}" not in NOT_EVERYWHERE, f"{path.name}, line {node.lineno}"
        elif isinstance(node, ast.Attribute):
            assert ast.unparse(node) not in NOT_EVERYWHERE, f"{path.name}, line {node.lineno}"


@pytest.mark.parametrize("path", MODULES)
def test_processes_are_spawned_or_come_from_a_fork_server(path: Path) -> None:
    """A fork inherits locks that other threads hold, and Windows has none."""
    for node in trees(path):
        if isinstance(node, ast.Call) and ast.unparse(node.func).endswith("get_context"):
            methods = {each.value for each in ast.walk(node) if isinstance(each, ast.Constant)}
            assert methods
            assert methods <= {"spawn", "forkserver"}, f"{path.name}, line {node.lineno}"
        if isinstance(node, ast.Call) and ast.unparse(node.func).endswith("ProcessPoolExecutor"):
            assert "mp_context" in {each.arg for each in node.keywords}, f"{path.name}, line {node.lineno}"


NO_TEXT = ("os.open", "webbrowser.open", "archive.open", "av.open", "coder.open")


@pytest.mark.parametrize("path", MODULES)
def test_texts_name_their_encoding_and_are_written_with_the_same_line_breaks_everywhere(path: Path) -> None:
    for node in trees(path):
        if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute | ast.Name):
            continue
        name = node.func.attr if isinstance(node.func, ast.Attribute) else node.func.id
        given = {each.arg: ast.unparse(each.value) for each in node.keywords}
        where = f"{path.name}, line {node.lineno}"
        if name in ("read_text", "write_text") and isinstance(node.func, ast.Attribute):
            assert "encoding" in given, where
            assert name == "read_text" or given.get("newline") == r"'\n'", where
        if name == "open" and ast.unparse(node.func) not in NO_TEXT:
            words = [each.value for each in node.args if isinstance(each, ast.Constant) and isinstance(each.value, str)]
            modes = [word for word in words if re.fullmatch(r"[rwxabt+]+", word)]
            assert "encoding" in given or any("b" in mode for mode in modes), where


# ---------------------------------------------------------------- file systems


@pytest.fixture
def like_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    """Files that this process has open are neither moved, replaced nor deleted, nor are those that may not be written;
    and nothing is renamed onto what is there."""
    handles = Path("/proc/self/fd")
    if not handles.exists():
        pytest.skip("looks at /proc")

    def place(path: Any, dir_fd: int | None) -> Path:
        return (Path.cwd() if dir_fd is None else (handles / str(dir_fd)).readlink()) / os.fsdecode(path)

    def refuse_open(path: Path) -> None:
        for handle in list(handles.iterdir()):
            with suppress(FileNotFoundError):
                held = handle.readlink()
                if held.is_relative_to(path) and held.is_file():
                    raise PermissionError(13, "The process cannot access the file because it is being used", str(held))

    def refuse_read_only(path: Path) -> None:
        if path.is_file() and not path.is_symlink() and not path.stat().st_mode & stat.S_IWRITE:
            raise PermissionError(13, "Access is denied", str(path))

    def removing(does: Callable[..., None]) -> Callable[..., None]:
        def checked(path: Any, *, dir_fd: int | None = None) -> None:
            refuse_open(place(path, dir_fd))
            refuse_read_only(place(path, dir_fd))
            does(path, dir_fd=dir_fd)

        return checked

    def moving(does: Callable[..., None], *, onto: bool) -> Callable[..., None]:
        def checked(source: Any, target: Any) -> None:
            refuse_open(place(source, None))
            if os.path.lexists(target):
                if not onto:
                    raise FileExistsError(17, "The file is there", str(target))
                refuse_open(place(target, None))
                refuse_read_only(place(target, None))
            does(source, target)

        return checked

    for name in ("unlink", "remove"):
        monkeypatch.setattr(os, name, removing(getattr(os, name)))
    for name in ("rename", "replace"):
        monkeypatch.setattr(os, name, moving(getattr(os, name), onto=name == "replace"))


@pytest.mark.usefixtures("like_windows")
def test_a_file_that_is_open_stays_where_it_is(tmp_path: Path) -> None:
    """The stand-in for Windows does what the test below needs it to do."""
    (tmp_path / "song").mkdir()
    with (tmp_path / "song" / "mix.wav").open("wb"):
        for change in (
            (tmp_path / "song" / "mix.wav").unlink,
            partial((tmp_path / "song").rename, tmp_path / "earlier"),
            partial(shutil.rmtree, tmp_path / "song"),
        ):
            with pytest.raises(PermissionError):
                change()
    shutil.rmtree(tmp_path / "song")


RATE_HZ = 24_000
TITLES = (
    "CON",
    "a/b\\c: <d>|e?*",
    "ends in dots ...",
    "aux.tar",
    "Kick",
    "Ü\u0308ber " + "Lied " * 60,
    "\u202e🎸 أغنية\x07",
)


@pytest.fixture(scope="module")
def tracks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three inputs, one of them a voice with bleed in its microphone."""
    folder = tmp_path_factory.mktemp("card") / "Thursday"
    folder.mkdir()
    rng = np.random.default_rng(1)
    seconds = np.arange(3 * RATE_HZ) / RATE_HZ
    guitar = 0.2 * rng.standard_normal(len(seconds)) * (seconds % 0.5 < 0.3)
    voice = 0.2 * np.sin(2.0 * np.pi * 220.0 * seconds) * (seconds > 1.5)
    sounds = {"guitar": guitar, "lead vocal": voice + 0.1 * guitar, "bass": 0.2 * np.sin(400.0 * seconds)}
    for name, sound in sounds.items():
        soundfile.write(folder / f"{name}.wav", sound, RATE_HZ, subtype="PCM_16")
    return folder


def recipe_of(home: Path, tracks: Path, titles: tuple[str, ...]) -> Path:
    """A recipe with a song for each title, all of the same two seconds, and inputs and players called likewise."""
    home.mkdir()
    text = f"recipe = 1\n[rehearsal]\ntracks = {json.dumps(str(tracks), ensure_ascii=False)}\n"
    for file, title in zip(("guitar", "lead vocal", "bass"), titles, strict=False):
        name = json.dumps(title[:80], ensure_ascii=False)
        text += f'[[input]]\nfile = "{file}.wav"\nrole = "{file.replace("guitar", "electric guitar")}"\n'
        text += f"name = {name}\nplayer = {name}\n"
    for number, title in enumerate(titles):
        text += f"[[song]]\ntitle = {json.dumps(title, ensure_ascii=False)}\n"
        text += f"start = {number / 10}\nend = {number / 10 + 2}\n"
    (home / "recipe.toml").write_text(text, encoding="utf-8")
    return home / "recipe.toml"


def blind(name: str) -> str:
    return unicodedata.normalize("NFD", unicodedata.normalize("NFD", name).casefold())


@pytest.mark.slow
def test_every_name_that_is_written_is_one_everywhere(tracks: Path, tmp_path: Path) -> None:
    """Names are legal, differ for whoever is blind to case and to Unicode's forms, and leave room in a short path."""
    recipe = recipe_of(tmp_path / "home", tracks, TITLES)
    for arguments in (("mix", recipe, "--tracks", "--practice"), ("share", recipe)):
        done = run_here(*arguments, cwd=tmp_path)
        assert done.returncode == 0, done.stderr
    written = [path for path in (tmp_path / "home").rglob("*") if path.name != "recipe.toml"]
    assert len(written) > 20 * len(TITLES)
    for path in written:
        name = path.name
        assert not re.search(r'[<>:"/\\|?*\x00-\x1f\x7f]', name), name
        assert not name.endswith((".", " ")), name
        assert not re.match(r"(con|prn|aux|nul|(com|lpt)[0-9¹²³])\s*(\.|$)", name, re.IGNORECASE), name
        assert name == unicodedata.normalize("NFC", name)
    assert len({blind(path.relative_to(tmp_path).as_posix()) for path in written}) == len(written)
    # While a song is built it lies two folders deeper; 259 signs are all that Windows allows without being asked to.
    longest = max(len(str(path.relative_to(tmp_path / "home"))) for path in written) + len(".partial/new/")
    assert longest <= 259 - 80


@pytest.mark.slow
@pytest.mark.usefixtures("like_windows")
def test_nothing_is_moved_or_deleted_while_it_is_open(tracks: Path, tmp_path: Path) -> None:
    recipe = recipe_of(tmp_path / "home", tracks, ("Rope",))
    assert run_here("mix", recipe, "--tracks", "--practice", cwd=tmp_path).returncode == 0
    lyrics = tmp_path / "home" / "mixes" / "01 Rope" / "lyrics.txt"
    lyrics.write_text("hers", encoding="utf-8")
    lyrics.chmod(0o444)
    for arguments in (
        ("turn", recipe, "Rope", "up", "1"),
        ("mix", recipe, "--format", "flac"),
        ("mix", tmp_path / "home" / "mixes" / "01 Rope" / "recall.json"),
        ("turn", recipe, "Rope", "up", "1"),
        ("mix", recipe),
        ("check", recipe),
        ("share", recipe),
        ("share", recipe),
    ):
        done = run_here(*arguments, cwd=tmp_path)
        assert done.returncode == 0, (arguments, done.stderr)
    mixes = tmp_path / "home" / "mixes"
    assert {path.name for path in mixes.iterdir()} == {"01 Rope", "earlier", "report.html"}
    assert lyrics.read_text(encoding="utf-8") == "hers"


# ---------------------------------------------------------------- consoles, processes


class Console(io.TextIOWrapper):
    """What a pipe is on a Windows of western Europe."""

    def __init__(self) -> None:
        super().__init__(io.BytesIO(), encoding="cp1252", newline="\r\n")

    def said(self) -> str:
        self.flush()
        return self.buffer.getvalue().decode("cp1252")  # type: ignore[attr-defined]


def test_a_console_that_knows_few_letters_gets_what_it_can_show(tracks: Path, tmp_path: Path) -> None:
    recipe = recipe_of(tmp_path / "home", tracks, ("Zażółć 🎸", "Über"))
    for arguments in (("mix", recipe), ("check", recipe), ("why", recipe), ("compare", recipe.parent, recipe.parent)):
        said = {}
        for json_too in ((), ("--json",)):
            with redirect_stdout(Console()) as out, redirect_stderr(Console()) as err:
                done = run_quietly(*arguments, *json_too, cwd=tmp_path)
            assert done == 0, (arguments, err.said())
            said[json_too] = out.said()
        assert "Über" in said[()] or arguments[0] == "compare"
        assert "Zażółć 🎸" in json.dumps(json.loads(said["--json",]), ensure_ascii=False)


def run_quietly(*arguments: str | Path, cwd: Path) -> int:
    """As `run_here`, but into the streams that are set."""
    with mock.patch.object(sys, "argv", ["morningmix", *map(str, arguments)]), chdir(cwd):
        try:
            main()
        except SystemExit as end:
            return end.code if isinstance(end.code, int) else int(end.code is not None)
    return 0


@pytest.mark.slow
def test_more_workers_than_windows_waits_for() -> None:
    """Its WaitForMultipleObjects takes 64 handles; here each worker has a thread that waits for it alone."""
    with lane_of(70) as lane:
        assert lane.all([Job(what="nothing", call=bool, cost=1.0)] * 70) == [False] * 70


@pytest.mark.parametrize(("path", "typed"), [("a b", '"a b"'), ("a&b", '"a&b"'), (r"C:\mix\r.toml", r"C:\mix\r.toml")])
def test_paths_are_quoted_as_windows_has_it(path: str, typed: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "win32")
    assert quoted(path) == typed
