"""Who may import whom, and which room is the door to which library."""

from __future__ import annotations

import ast
import re
from functools import cache
from importlib import metadata
from pathlib import Path

import pytest

import morningmix

SOURCE = Path(morningmix.__file__).parent

LEVELS = (
    {
        "files",
        "home",
        "lock",
        "song_folders",
        "laws",
        "plan",
        "facts",
        "slots",
        "units",
        "errors",
        "processes",
        "ahead",
        "__init__",
    },
    {"dsp", "audio"},
    {"verify", "render", "decide", "measure", "recordings", "report", "explain", "compare", "wishes", "over_time"},
    {"listen", "practice", "reproduce"},
    {"mixdown", "share"},
    {"unchanged"},
    {"pipeline"},
    {"say"},
    {"cli", "__main__"},
)
"""Lowest first. A room imports from itself and from lower levels; exceptions below."""

SAME_LEVEL = {
    ("files", "plan"),
    ("files", "facts"),
    ("files", "units"),
    ("files", "errors"),
    ("files", "home"),
    ("files", "lock"),
    ("home", "errors"),
    ("lock", "errors"),
    ("lock", "home"),
    ("song_folders", "errors"),
    ("song_folders", "home"),
    ("song_folders", "lock"),
    ("processes", "errors"),
    ("home", "files"),
    ("plan", "facts"),
    ("laws", "units"),
    ("laws", "facts"),
    ("laws", "plan"),
    ("facts", "units"),
    ("facts", "slots"),
    ("laws", "slots"),
    ("__main__", "cli"),
}
ONLY_FROM = {"decide": {"decide", "laws", "plan", "facts", "slots", "units", "errors"}}
DOORS = {
    "soundfile": {"audio"},
    "soxr": {"audio"},
    "pedalboard": {"dsp/reverb.py", "audio/encode.py"},
    "pydantic": {"files"},
    "typer": {"cli.py", "say.py"},
    "pyloudnorm": {"verify.py"},
    "mutagen": {"audio/tags.py"},
    "PIL": {"share/picture.py"},
}
QUIET = {"decide": {"os", "pathlib", "time", "datetime", "random", "soundfile", "io", "tempfile", "shutil"}}
"""What a pure room has no use for: files and clocks."""


@cache
def imports(path: Path) -> frozenset[str]:
    """Full names of everything a module imports, wherever in it."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are written in full"
            assert node.module is not None
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return frozenset(found)


def modules() -> list[Path]:
    return sorted(SOURCE.rglob("*.py"))


def room(path: Path) -> str:
    return path.relative_to(SOURCE).parts[0].removesuffix(".py")


def rooms_of(path: Path) -> set[str]:
    """The project's own rooms that a module imports from."""
    own = {name.split(".")[1] for name in imports(path) if name.startswith("morningmix.")}
    return {name if name in ALL else "__init__" for name in own}


ALL = set().union(*LEVELS)
PATHS = [pytest.param(path, id=path.relative_to(SOURCE).as_posix()) for path in modules()]


def level(name: str) -> int:
    return next(number for number, names in enumerate(LEVELS) if name in names)


def test_every_room_has_a_level() -> None:
    assert {room(path) for path in modules()} == ALL
    assert len(modules()) > 30


@pytest.mark.parametrize("path", PATHS)
def test_imports_run_downwards(path: Path) -> None:
    here = room(path)
    for other in rooms_of(path) - {here}:
        downwards = level(other) < level(here)
        assert downwards or (here, other) in SAME_LEVEL, f"{path.name} ({here}) imports from {other}"
        assert here not in ONLY_FROM or other in ONLY_FROM[here], f"{path.name} ({here}) imports from {other}"


@pytest.mark.parametrize("path", PATHS)
def test_one_door_per_library(path: Path) -> None:
    place = path.relative_to(SOURCE).as_posix()
    for library in {name.split(".")[0] for name in imports(path)} & set(DOORS):
        assert place in DOORS[library] or place.split("/")[0] in DOORS[library], f"{place} imports {library}"


@pytest.mark.parametrize("library", DOORS)
def test_every_door_is_used(library: str) -> None:
    places = {
        path.relative_to(SOURCE).as_posix()
        for path in modules()
        if library in {name.split(".")[0] for name in imports(path)}
    }
    assert places


@pytest.mark.parametrize("path", PATHS)
def test_deciding_touches_no_files_and_no_clock(path: Path) -> None:
    used = {name.split(".")[0] for name in imports(path)}
    assert not used & QUIET.get(room(path), set())


def test_modules_do_not_import_each_other_in_circles() -> None:
    names = {".".join(("morningmix", *path.relative_to(SOURCE).with_suffix("").parts)): path for path in modules()}
    needs = {
        name: {other for other in names if any(full == other or full.startswith(f"{other}.") for full in imports(path))}
        - {name}
        for name, path in names.items()
    }
    while needs:
        free = {name for name, others in needs.items() if not others & set(needs)}
        assert free, f"a circle among {sorted(needs)}"
        needs = {name: others for name, others in needs.items() if name not in free}


def test_the_version_is_one() -> None:
    assert re.fullmatch(r"\d+\.\d+\.\d+", morningmix.__version__)
    assert metadata.version("morningmix") == morningmix.__version__
    project = SOURCE.parents[1] / "pyproject.toml"
    if project.is_file():
        assert f'version = "{morningmix.__version__}"' in project.read_text(encoding="utf-8")
