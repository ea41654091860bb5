"""The program as a person types it, and what it leaves on disk."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from pathlib import Path


def run(*arguments: str | Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run a command to its end in a folder."""
    return subprocess.run(
        [sys.executable, "-m", "morningmix", *map(str, arguments)],
        cwd=cwd,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )


def digests(folder: Path) -> dict[str, str]:
    """Every file under a folder and the hash of its bytes."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def forget_songs(home: Path) -> None:
    """Remove what is known of the songs that stand, so that they are mixed again."""
    for facts in (home / ".cache").glob("*.song"):
        facts.unlink()
