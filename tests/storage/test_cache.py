"""Cache entries are only used if intact: damage changes no mix and ends no run."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from command_line import digests, forget_songs
from morningmix.commands.mix import mix
from morningmix.commands.order import Order
from morningmix.storage.cache import (
    FORMATS,
    EntryWriter,
    is_whole,
    keep_current,
    path_of,
    read_entry,
    sweep,
    write_entry,
)
from morningmix.storage.records import read_record, write_record
from synthetic import write_take

posix = pytest.mark.skipif(sys.platform == "win32", reason="links and pipes are made the POSIX way")

# ---------------------------------------------------------------- a mix and its damaged cache


@dataclass(frozen=True, slots=True, kw_only=True)
class Mixed:
    place: Path
    mixes: dict[str, str]
    """Output of a run without a cache."""

    @property
    def cache(self) -> Path:
        return self.place / "take mix" / ".cache"

    def entries(self, kind: str = "*") -> list[Path]:
        return [path for path in sorted(self.cache.glob(f"*.{kind}")) if path.suffix.removeprefix(".") in FORMATS]

    def mix_again(self) -> dict[str, str]:
        mix(Order(source=self.place / "take mix" / "recipe.toml", cwd=self.place, workers=1))
        return {name: of for name, of in digests(self.place / "take mix" / "mixes").items() if "earlier/" not in name}


@pytest.fixture(scope="module")
def mixed(tmp_path_factory: pytest.TempPathFactory) -> Mixed:
    """A small rehearsal that was mixed; a run repairs the damage that a test does."""
    place = tmp_path_factory.mktemp("mixed")
    write_take(place / "take", seconds=2.0)
    for name in ("snare", "guitar 1", "guitar 2", "backing vocal"):
        (place / "take" / f"{name}.wav").unlink()
    mix(Order(source=Path("take"), cwd=place, workers=1))
    shutil.rmtree(place / "take mix" / ".cache")
    fresh = Mixed(place=place, mixes={})
    return Mixed(place=place, mixes=fresh.mix_again())


def _rewritten(path: Path, change: Callable[[bytes], bytes]) -> None:
    path.write_bytes(change(path.read_bytes()))


def _garbled(content: bytes) -> bytes:
    """Invert every bit of a short stretch."""
    start = len(content) // 2
    return content[:start] + bytes(255 - byte for byte in content[start : start + 64]) + content[start + 64 :]


def _other_facts(path: Path) -> None:
    """An intact record of another type."""
    write_record(path, {"wild": 1e300, "keys": None})


def _folder(path: Path) -> None:
    path.unlink()
    path.mkdir()
    (path / "mine.txt").write_text("mine", encoding="utf-8")


def _pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


HARM: dict[str, Callable[[Path], None]] = {
    "cut short": lambda path: _rewritten(path, lambda content: content[: len(content) // 2]),
    "emptied": lambda path: _rewritten(path, lambda _: b""),
    "zeroed": lambda path: _rewritten(path, lambda content: bytes(len(content))),
    "garbled": lambda path: _rewritten(path, _garbled),
    "other facts": _other_facts,
    "a folder": _folder,
    "a pipe": _pipe,
}


@pytest.mark.parametrize("harm", [pytest.param(name, marks=posix if name == "a pipe" else ()) for name in HARM])
def test_a_damaged_cache_changes_no_mix_and_ends_no_run(mixed: Mixed, harm: str) -> None:
    entries = mixed.entries()
    kinds = {path.suffix.removeprefix(".") for path in entries}
    assert kinds == {"bands", "track", "feedback", "hashes", "bleed", "align", "clean", "cleaned", "song"}
    for path in entries:
        HARM[harm](path)
    assert mixed.mix_again() == mixed.mixes
    assert all(read_entry(path) is not None for path in entries)


@pytest.mark.parametrize("kind", ["bands", "clean"])
def test_cached_sound_without_its_measurements_changes_no_mix(mixed: Mixed, kind: str) -> None:
    """Its measurements are intact; the entry of the song is removed too, so that it is mixed again."""
    harmed = mixed.entries(kind)
    assert harmed
    for path in harmed:
        _rewritten(path, _garbled)
    forget_songs(mixed.place / "take mix")
    assert mixed.mix_again() == mixed.mixes
    assert all(read_entry(path) is not None for path in harmed)


@posix
def test_nothing_is_written_or_read_through_a_link(mixed: Mixed) -> None:
    """Not even an intact entry elsewhere."""
    elsewhere = mixed.place / "elsewhere"
    elsewhere.mkdir()
    entries = mixed.entries()
    for path in entries:
        moved = elsewhere / path.name
        path.replace(moved)
        path.symlink_to(moved)
    before = {path.name: path.stat().st_mtime_ns for path in elsewhere.iterdir()}
    assert mixed.mix_again() == mixed.mixes
    assert {path.name: path.stat().st_mtime_ns for path in elsewhere.iterdir()} == before
    assert not any(path.is_symlink() for path in entries)
    assert all(read_entry(path) is not None for path in entries)


def test_a_folder_in_the_way_of_an_entry_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "00000000-00.1.bands"
    path.mkdir()
    (path / "mine.txt").write_text("mine", encoding="utf-8")
    write_entry(path, b"ours")
    assert read_entry(path) == b"ours"
    (kept,) = tmp_path.glob("*/mine.txt")
    assert kept.read_text(encoding="utf-8") == "mine"


# ---------------------------------------------------------------- one entry


@pytest.mark.parametrize("size", [0, 1, 19, 20, 21, 3_000_000])
def test_an_entry_is_read_back_and_every_damaged_byte_is_detected(tmp_path: Path, size: int) -> None:
    path = tmp_path / "one.bands"
    content = np.random.default_rng(size).bytes(size)
    with EntryWriter(path) as writer:
        for start in range(0, size, 700_000):
            writer.write(content[start : start + 700_000])
    whole = path.read_bytes()
    assert read_entry(path) == content
    assert whole.startswith(content)
    assert is_whole(path, size)
    assert not is_whole(path, size + 1)
    for at in (*range(0, len(whole), max(1, len(whole) // 23)), len(whole) - 1):
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :])
        assert read_entry(path) is None, at
        path.write_bytes(whole[:at])
        assert not is_whole(path, size), at
    path.write_bytes(whole)
    assert read_entry(path.rename(tmp_path / "other.bands")) is None


def test_entries_are_written_atomically(tmp_path: Path) -> None:
    path = tmp_path / "one.bands"
    write_entry(path, b"before")

    def stopped_halfway() -> None:
        with EntryWriter(path) as writer:
            writer.write(b"half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stopped_halfway()
    assert read_entry(path) == b"before"
    assert [one.name for one in tmp_path.iterdir()] == [path.name]


# ---------------------------------------------------------------- records


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    name: str
    at_s: float
    levels: NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Whole:
    count: int
    on: bool
    first: Part | None
    second: Part | None
    spans: tuple[tuple[float, float], ...]
    table: tuple[tuple[str, NDArray[np.uint16]], ...]
    folder: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Renamed:
    name: str
    from_s: float
    levels: NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubles:
    name: str
    at_s: float
    levels: NDArray[np.float64]


def test_records_are_read_back_unchanged(tmp_path: Path) -> None:
    part = Part(name="Käthe", at_s=0.1 + 0.2, levels=np.float32([[0.1, -np.inf], [1e-38, 3.0]]))
    facts = Whole(
        count=3,
        on=True,
        first=None,
        second=part,
        spans=((0.0, 1.5), (2.0, 1e300)),
        table=(("a", np.array([1, 65535], np.uint16)), ("none", np.zeros((0, 3), np.uint16))),
        folder=tmp_path,
    )
    path = tmp_path / "whole.song"
    write_record(path, facts, ("folder",))
    back = read_record(path, Whole, {"folder": tmp_path})
    assert back is not None
    assert back.second is not None
    assert (back.count, back.on, back.first, back.spans, back.folder) == (3, True, None, facts.spans, tmp_path)
    assert (back.second.name, back.second.at_s) == (part.name, part.at_s)
    for mine, theirs in (
        (part.levels, back.second.levels),
        *zip(dict(facts.table).values(), dict(back.table).values(), strict=True),
    ):
        np.testing.assert_array_equal(mine, theirs)
        assert mine.dtype == theirs.dtype
        assert theirs.flags.owndata
    assert [name for name, _ in back.table] == ["a", "none"]
    write_record(path, {7: part, 11: part})
    by_input = read_record(path, dict[int, Part])
    assert by_input is not None
    assert list(by_input) == [7, 11]


@pytest.mark.parametrize("kind", [Renamed, Doubles, Whole, dict[int, Part], tuple[Part, ...], str])
def test_records_of_another_type_are_ignored(tmp_path: Path, kind: type) -> None:
    path = tmp_path / "part.song"
    write_record(path, Part(name="one", at_s=1.0, levels=np.zeros(3, np.float32)))
    assert read_record(path, Part) is not None
    assert read_record(path, kind) is None


@pytest.mark.parametrize("content", [b"", b"\xff" * 8, b"\2" + bytes(7) + b"{}", b"\2" + bytes(7) + b"[{", bytes(99)])
def test_content_that_is_no_record_is_ignored(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "part.song"
    write_entry(path, content)
    assert read_record(path, Part) is None


# ---------------------------------------------------------------- clearing up


FORMER = (
    f"{'0a' * 12}.bands",
    f"{'0a' * 12}.npz",
    f"{'0a' * 12}.json",
    f"{'0a' * 12}.sha",
    f"{'0a' * 12}.partial",
    f"{'0a' * 12}.npz.partial",
    f".{'0a' * 12}.sha.4711.partial",
    f"0a0a0a0a-{'0a' * 12}-07.clean",
    f"0a0a0a0a-{'0a' * 12}-07.left",
    "songs/0a0a0a0a.npz",
)
STRANGERS = ("lock", "notes.txt", "my.bands", "take 1.partial", "0a0a0a0a.1.txt", "0a0a0a0a.bands", ".DS_Store")


def test_only_obsolete_entries_are_swept(tmp_path: Path) -> None:
    current = [path_of(tmp_path, kind, "0a0a0a0a", "0b0b") for kind in ("bands", "track", "clean", "hashes")]
    current.append(path_of(tmp_path, "song", "0a0a0a0a"))
    for path in current:
        write_entry(path, b"here")
    former = [tmp_path / name for name in FORMER]
    former += [tmp_path / "0a0a0a0a-0b0b.9.bands", path_of(tmp_path, "scratch", "0a0a0a0a", "0b0b", "00", "1")]
    writer = EntryWriter(current[0])
    writer.write(b"a run that is killed here")
    former += tmp_path.glob("*.partial")
    for path in (*former, *(tmp_path / name for name in STRANGERS)):
        path.parent.mkdir(exist_ok=True)
        path.touch()
    folder = tmp_path / f"{'0b' * 12}.bands"
    folder.mkdir()
    sweep(tmp_path)
    assert not any(path.exists() for path in former)
    assert {path.name for path in tmp_path.iterdir()} == {*STRANGERS, folder.name, *(path.name for path in current)}
    assert all(read_entry(path) == b"here" for path in current)
    writer.__exit__(ValueError, ValueError(), None)


@posix
def test_links_are_not_swept_and_not_followed(tmp_path: Path) -> None:
    cache, other = tmp_path / "cache", tmp_path / "other"
    for folder in (cache, other):
        folder.mkdir()
    precious = other / "0a0a0a0a.npz"
    precious.touch()
    (cache / "songs").symlink_to(other)
    (cache / FORMER[0]).symlink_to(precious)
    sweep(cache)
    assert precious.exists()
    assert {path.name for path in cache.iterdir()} == {"songs", FORMER[0]}
    sweep(tmp_path / "missing")


def test_entries_of_changed_recordings_go_and_those_of_other_takes_stay(tmp_path: Path) -> None:
    names = {
        "here": path_of(tmp_path, "bands", "0a0a0a0a", "0b0b"),
        "of all": path_of(tmp_path, "clean", "0a0a0a0a", "0c0c", "0d0d", "03"),
        "other take": path_of(tmp_path, "bands", "0a0a0a0b", "0e0e"),
        "song": path_of(tmp_path, "song", "0a0a0a0a"),
        "changed": path_of(tmp_path, "bands", "0a0a0a0a", "0e0e"),
        "of all before": path_of(tmp_path, "clean", "0a0a0a0a", "0e0e", "0d0d", "03"),
    }
    for path in names.values():
        write_entry(path, b"")
    keep_current(tmp_path, "0a0a0a0a", frozenset({"0b0b", "0c0c"}))
    assert [name for name, path in names.items() if path.exists()] == ["here", "of all", "other take", "song"]


def test_a_run_removes_obsolete_entries(mixed: Mixed) -> None:
    """Former formats and measurements of changed recordings are removed; other files stay."""
    before = {path.name for path in mixed.entries()}
    (mixed.cache / FORMER[0]).touch()
    (mixed.cache / "notes.txt").touch()
    raw = mixed.place / "take" / "kick.wav"
    stat = raw.stat()
    os.utime(raw, ns=(stat.st_atime_ns, stat.st_mtime_ns + 1))
    assert mixed.mix_again() == mixed.mixes
    after = {path.name for path in mixed.entries()}
    assert (mixed.cache / "notes.txt").exists()
    assert FORMER[0] not in after
    assert before - after
    assert {name.split(".", 1)[1] for name in before - after} == {name.split(".", 1)[1] for name in after - before}
