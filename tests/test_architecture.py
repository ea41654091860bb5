"""Which room stands on which floor, who may import whom, and how large things are."""

from __future__ import annotations

import ast
import re
from functools import cache
from importlib import metadata
from pathlib import Path

import pytest

import morningmix

SOURCE = Path(morningmix.__file__).parent
TESTS = Path(__file__).parent

FLOORS = (
    {"model", "units"},
    {"laws", "errors"},
    {"storage", "workers", "audio", "dsp", "decide", "report"},
    {"files", "measure", "render"},
    {"bleed", "film"},
    {"analysis", "share"},
    {"commands"},
    {"page"},
    {"cli"},
    {"__main__"},
)
"""Lowest first. A room imports from itself and from lower floors, never from its own floor."""

ONLY_FROM: dict[str, set[str]] = {
    "errors": {"model"},
    "laws": {"model", "units"},
    "workers": {"errors"},
    "storage": {"model", "units", "errors"},
    "decide": {"laws", "model", "units", "errors"},
    "report": {"laws", "model", "units"},
    "dsp": {"laws", "model", "units", "errors"},
}
"""Rooms that see less than all that lies below them."""

DOORS = {
    "av": {"film"},
    "distributed": {"workers/cluster.py"},
    "soundfile": {"audio"},
    "soxr": {"audio"},
    "pedalboard": {"dsp/reverb.py", "audio/encode.py"},
    "pydantic": {"files"},
    "typer": {"cli"},
    "rich": {"cli"},
    "pyloudnorm": {"render/verify.py"},
    "mutagen": {"audio/tags.py"},
    "PIL": {"share/picture.py"},
    "jinja2": {"report"},
    "markupsafe": {"report", "share", "page"},
    "starlette": {"page"},
    "uvicorn": {"page/server.py"},
    "multiprocessing": {"workers"},
}
FILES_AND_CLOCKS = {"os", "time", "datetime", "random", "io", "tempfile", "shutil", "importlib"}
PURE = {
    "model": FILES_AND_CLOCKS,
    "laws": {*FILES_AND_CLOCKS, "pathlib"},
    "decide": {*FILES_AND_CLOCKS, "pathlib"},
    "report": {*FILES_AND_CLOCKS, "pathlib"},
}
"""What a pure room has no use for. (`model` names paths and opens none.)"""

LOOSE = {"__init__", "__main__", "errors", "units"}
"""The only modules at the top of the package."""

LONGEST_MODULE = 400
MOST_PARAMETERS = 6
WIDE: dict[str, int] = {}
"""Functions that take more. The list may only get shorter: group what travels together, then take the row out."""


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def imports(path: Path) -> frozenset[str]:
    """Full names of everything a module imports, wherever in it."""
    found: set[str] = set()
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are written in full"
            assert node.module is not None
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return frozenset(found)


@cache
def modules() -> dict[str, Path]:
    """Every module by its name in the package; a room's face, its ``__init__``, by the room's name."""
    found = {}
    for path in sorted(SOURCE.rglob("*.py")):
        parts = path.relative_to(SOURCE).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" and len(parts) > 1 else parts)] = path
    return found


def room(name: str) -> str:
    return name.split(".")[0]


def floor(name: str) -> int:
    return next(number for number, rooms in enumerate(FLOORS, 1) if name in rooms)


@cache
def needs(name: str) -> frozenset[str]:
    """The project's own modules that a module imports."""
    own = {full.removeprefix("morningmix.") for full in imports(modules()[name]) if full.startswith("morningmix.")}
    found = {full if full in modules() else full.rpartition(".")[0] or "__init__" for full in own}
    return frozenset(found - {name})


def libraries(path: Path) -> set[str]:
    return {name.split(".")[0] for name in imports(path)}


ALL = set().union(*FLOORS)
NAMES = [name for name in modules() if name != "__init__"]


def test_every_room_stands_on_one_floor_of_at_most_ten() -> None:
    assert {room(name) for name in NAMES} == ALL
    assert sum(len(rooms) for rooms in FLOORS) == len(ALL)
    assert len(FLOORS) <= 10
    assert len(NAMES) > 60


@pytest.mark.parametrize("name", NAMES)
def test_imports_run_downwards(name: str) -> None:
    here = room(name)
    for there in {room(other) for other in needs(name)} - {here, "__init__"}:
        assert floor(there) < floor(here), f"{name} imports from {there}, which is not below {here}"
        assert there in ONLY_FROM.get(here, ALL), f"{name} imports from {there}; {here} may not"


def test_modules_do_not_import_each_other_in_circles() -> None:
    left = {name: needs(name) - {"__init__"} for name in NAMES}
    while left:
        free = {name for name, others in left.items() if not others & set(left)}
        assert free, f"a circle among {sorted(left)}"
        left = {name: others for name, others in left.items() if name not in free}


def test_nothing_else_lies_loose_at_the_top() -> None:
    assert {path.stem for path in SOURCE.glob("*.py")} <= LOOSE


@pytest.mark.parametrize("name", NAMES)
def test_private_names_stay_in_their_module(name: str) -> None:
    for full in imports(modules()[name]):
        last = full.rpartition(".")[2]
        private = last.startswith("_") and not last.startswith("__")
        assert not (full.startswith("morningmix.") and private), f"{name} imports {full}"


@pytest.mark.parametrize("name", NAMES)
def test_one_door_per_library(name: str) -> None:
    place = modules()[name].relative_to(SOURCE).as_posix()
    for library in libraries(modules()[name]) & set(DOORS):
        assert place in DOORS[library] or room(name) in DOORS[library], f"{name} imports {library}"


@pytest.mark.parametrize("library", DOORS)
def test_every_door_is_used(library: str) -> None:
    for door in DOORS[library]:
        behind = [SOURCE / door] if door.endswith(".py") else list((SOURCE / door).rglob("*.py"))
        assert any(library in libraries(path) for path in behind), f"{door} no longer needs {library}"


@pytest.mark.parametrize("name", [name for name in NAMES if room(name) in PURE])
def test_pure_rooms_touch_no_files_and_no_clock(name: str) -> None:
    assert not libraries(modules()[name]) & PURE[room(name)]


@pytest.mark.parametrize("name", NAMES)
def test_no_module_is_long(name: str) -> None:
    lines = len(modules()[name].read_text(encoding="utf-8").splitlines())
    assert lines <= LONGEST_MODULE, f"{name} has {lines} lines and holds two subjects, or one at too much length"


def wide_functions() -> dict[str, int]:
    found = {}
    for name, path in modules().items():
        if room(name) == "cli":
            continue  # the options of a command are its parameters
        for scope in ast.walk(tree(path)):
            for node in ast.iter_child_nodes(scope):
                if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                    args = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
                    count = len([each for each in args if each.arg not in ("self", "cls")])
                    owner = f"{scope.name}." if isinstance(scope, ast.ClassDef) else ""
                    if count > MOST_PARAMETERS:
                        found[f"{name}.{owner}{node.name}"] = count
    return found


def test_no_other_function_takes_more_than_six_parameters() -> None:
    assert wide_functions() == WIDE, "a new wide function, or one that is narrower now: its row goes"


def test_tests_lie_where_what_they_test_lies() -> None:
    astray = [
        path.relative_to(TESTS).as_posix()
        for path in sorted(TESTS.rglob("test_*.py"))
        if path.parent.name in ALL and f"{path.parent.name}.{path.stem.removeprefix('test_')}" not in modules()
    ]
    assert not astray, "these test no module of their room"


def test_the_version_is_one() -> None:
    assert re.fullmatch(r"\d+\.\d+\.\d+", morningmix.__version__)
    assert metadata.version("morningmix") == morningmix.__version__
    project = SOURCE.parents[1] / "pyproject.toml"
    if project.is_file():
        assert f'version = "{morningmix.__version__}"' in project.read_text(encoding="utf-8")
