"""Whether a mix made again from its recall sheet is the same, and if not, why."""

from __future__ import annotations

import platform
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from importlib.metadata import version
from pathlib import Path

from morningmix import __version__
from morningmix.audio.read import LIBSNDFILE_VERSION, sha256_of
from morningmix.files.recall import Recall
from morningmix.workers.jobs import Job, Lane

_LIBRARIES = ("numpy", "scipy", "soxr", "pedalboard")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reproduced:
    """How a mix that was made again compares with the first."""

    same: bool | None
    """Byte for byte; None if the sheet does not say what the first one was."""
    says: str


def versions() -> dict[str, str]:
    """Versions of everything that the bytes of a mix depend on, by name."""
    return {
        "morningmix": __version__,
        "Python": platform.python_version(),
        **{name: version(name) for name in _LIBRARIES},
        "libsndfile": LIBSNDFILE_VERSION,
    }


def hash_files(folder: Path, files: Sequence[str], lane: Lane) -> dict[str, str]:
    """SHA-256 of files in a folder, by name. Raises `RecordingsError` if one cannot be read back."""
    jobs = [Job(what="identify a file", call=partial(sha256_of, folder / file), cost=0.1) for file in files]
    return dict(zip(files, lane.all(jobs), strict=True))


def compare_bytes(first: Recall, again: Recall) -> Reproduced:
    """Compare two recall sheets of one plan: the files they made, and the versions that made them."""
    if first.sha256 is None or again.sha256 is None:
        says = "The recall sheet is too old to tell whether this mix is the same as the first one."
        return Reproduced(same=None, says=says)
    if first.sha256 == again.sha256:
        return Reproduced(same=True, says="The mix is the same as the first one, byte for byte.")
    names = dict.fromkeys((*first.sha256, *again.sha256))
    differ = [name for name in names if first.sha256.get(name) != again.sha256.get(name)]
    more = f" and {len(differ) - 1} more" if len(differ) > 1 else ""
    return Reproduced(
        same=False,
        says=f"The mix differs from the first one ({differ[0]}{more}): {_made_otherwise(first, again)}.",
    )


def _made_otherwise(first: Recall, again: Recall) -> str:
    before, now = first.versions or {}, again.versions or {}
    made = [
        f"{name} {before.get(name, 'unknown')}, now {version}"
        for name, version in now.items()
        if before.get(name) != version
    ]
    return f"made with {'; '.join(made)}" if made else "made with the same versions, so perhaps on another processor"
