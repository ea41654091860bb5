"""What is imported is declared, and the committed lists of versions fit what is declared."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.version import Version

import morningmix

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
NEEDED = [Requirement(text) for text in PROJECT["dependencies"]]
EXTRAS = {extra: [Requirement(text) for text in texts] for extra, texts in PROJECT["optional-dependencies"].items()}


def pins(name: str) -> dict[str, Version]:
    """Distribution -> version of a file in ``.ci``; every line of it is one exact version and nothing more."""
    lines = (ROOT / ".ci" / name).read_text(encoding="utf-8").splitlines()
    found = [
        re.fullmatch(r"([a-z0-9-]+)==([0-9.]+(?:post[0-9]+)?)( ; .+)?", line)
        for line in lines
        if not line.startswith("#")
    ]
    assert all(found), lines
    pinned = {one[1]: Version(one[2]) for one in found if one}
    assert len(pinned) == len(found), "a distribution is listed twice"
    return pinned


def bound(requirement: Requirement) -> Version:
    (least,) = (each for each in requirement.specifier if each.operator != "<")
    assert least.operator == ">=", requirement
    return Version(least.version)


def imported() -> set[str]:
    """Distributions that the package's modules import, wherever in them."""
    names: set[str] = set()
    for path in Path(morningmix.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                names |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                names.add(node.module.split(".")[0])
    outside = names - set(sys.stdlib_module_names) - {"morningmix"}
    of = metadata.packages_distributions()
    return {distribution.lower() for name in outside for distribution in of[name]}


def test_what_is_imported_is_declared_and_what_is_declared_is_imported() -> None:
    assert imported() == {requirement.name for requirement in (*NEEDED, *EXTRAS["cluster"], *EXTRAS["film"])}


@pytest.mark.parametrize("requirement", [*NEEDED, *EXTRAS["test"], *EXTRAS["dev"]], ids=str)
def test_the_committed_version_is_one_that_is_allowed(requirement: Requirement) -> None:
    assert pins("constraints.txt")[requirement.name] in requirement.specifier


@pytest.mark.parametrize("requirement", [*NEEDED, *EXTRAS["test"]], ids=str)
def test_the_oldest_version_that_is_tried_is_the_oldest_that_is_allowed(requirement: Requirement) -> None:
    assert pins("lowest.txt")[requirement.name] == bound(requirement)


def test_the_commands_of_the_readme_install_the_committed_versions() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    extra = ("[cluster]", "[film]")
    installs = [line for line in text.splitlines() if "pip install" in line and not any(e in line for e in extra)]
    assert len(installs) == 4
    assert all(re.search(r"pip install (--quiet )?-c \.ci[/\\]constraints\.txt ", line) for line in installs)


def test_the_workflow_runs_the_test_commands_of_the_readme() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    workflow = (ROOT / ".github" / "workflows" / "tests.yml").read_text(encoding="utf-8")
    posix, windows = (line for line in readme.splitlines() if "pytest" in line and "venv .venv" in line)
    assert posix in workflow
    assert windows.replace("py -m venv", "python -m venv", 1) in workflow
