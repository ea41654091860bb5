"""What was heard of single inputs, kept for the next run: no harm if it is damaged."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TypeVar

from pydantic import TypeAdapter, ValidationError  # noqa: TID251 - files is the room that reads

from morningmix.files.text import write_text_whole

T = TypeVar("T")


def write_facts(path: Path, kind: type[T], facts: Mapping[int, T]) -> None:
    """Write facts by input. Raises `OutputError`."""
    write_text_whole(path, _adapter(kind).dump_json(dict(facts)).decode("utf-8"))


def read_facts(path: Path, kind: type[T]) -> Mapping[int, T] | None:
    """What was written there; None where nothing was, or what is there is something else."""
    try:
        return _adapter(kind).validate_json(path.read_bytes())
    except (OSError, ValidationError):
        return None


def _adapter(kind: type[T]) -> TypeAdapter[dict[int, T]]:
    return TypeAdapter(dict[int, kind])  # type: ignore[valid-type]
