"""Runs that were ended, or found no room, at each moment at which they change something on the disk."""

from __future__ import annotations

import os
import resource
import shutil
import signal
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from attack.child import Ended
from attack.events import counting, denied_at, full_from, kill_at, watch
from attack.mutate import Rng, one_of
from attack.place import HOME, MIX, TITLES, Course, Files, Place, differences, files_in, fits_its_sheet, songs_in, torn

Words = tuple[str | Path, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A command that changes something, and what makes it do so."""

    words: Callable[[Place], Words]
    before: Callable[[Place], object] = lambda _place: None
    again: bool = True
    """Run once more it comes to the same."""


def _turn(place: Place) -> None:
    place.run("turn", place.recipe, "kick", "up", "2")


def _rename(place: Place) -> None:
    """Another title, and the songs in another order: every folder is called otherwise."""
    inputs, one, two = place.recipe.read_text().split("[[song]]")
    place.recipe.write_text("[[song]]".join((inputs, two, one.replace('"One"', '"Uno"'))))


def _forget(place: Place) -> None:
    for path in sorted(place.cache.rglob("*")):
        if path.is_file():
            path.unlink()


def _older_sheet(place: Place) -> None:
    shutil.copy(place.mixes / "earlier" / "01 One" / "recall.json", place.sheet)


def _mix(place: Place) -> Words:
    return ("mix", place.recipe, *MIX)


SCENARIOS = {
    "a level": Scenario(before=_turn, words=_mix),
    "titles": Scenario(before=_rename, words=_mix),
    "no cache": Scenario(before=_forget, words=_mix),
    "a sheet": Scenario(before=_older_sheet, words=lambda place: ("mix", place.sheet)),
    "share": Scenario(before=lambda place: (_turn(place), place.run(*_mix(place))), words=lambda p: ("share", p.home)),
    "songs": Scenario(words=lambda place: ("songs", place.recipe, "--redo")),
    "check": Scenario(before=_forget, words=lambda place: ("check", place.recipe)),
    "turn": Scenario(words=lambda place: ("turn", place.recipe, "kick", "up", "2"), again=False),
    "wishes": Scenario(words=lambda place: ("wishes", place.recipe, "mara.txt"), again=False),
}


def course(place: Place, name: str) -> Course:
    """How a scenario goes, tried out once."""
    if name not in place.courses:
        scenario = SCENARIOS[name]
        place.fresh()
        scenario.before(place)
        folder = place.root.parent / f"before {name}"
        place.keep(folder)
        old, recipe, share = songs_in(place.mixes), place.recipe.read_bytes(), files_in(place.home / "share")
        ended, events = _counted(place, scenario.words(place))
        if ended.code:
            raise RuntimeError(f"{name}: {ended.err}")
        place.courses[name] = Course(
            folder=folder,
            events=events,
            old=old,
            new=songs_in(place.mixes),
            old_share=share,
            new_share=files_in(place.home / "share"),
            recipes=frozenset((recipe, place.recipe.read_bytes())),
            files=frozenset(files_in(place.home)),
            renames=[number for number, event in enumerate(events, 1) if event == "os.rename"],
        )
    return place.courses[name]


def _counted(place: Place, words: Words) -> tuple[Ended, list[str]]:
    end, start = os.pipe()
    os.set_inheritable(start, True)
    told: list[bytes] = []

    def collect() -> None:
        while chunk := os.read(end, 65_536):
            told.append(chunk)

    reader = threading.Thread(target=collect)
    reader.start()
    ended = _run(place, words, lambda: watch(counting(start)))
    os.close(start)
    reader.join()
    os.close(end)
    return ended, b"".join(told).decode().splitlines()


def _run(place: Place, words: Words, before: Callable[[], object] | None = None) -> Ended:
    return place.run(*words, before=before)  # type: ignore[return-value]


# ---------------------------------------------------------------- the cases


def kills(place: Place, rng: Rng) -> Iterator[str]:
    """Ended at any event of any scenario."""
    name = one_of(rng, tuple(SCENARIOS))
    number = int(rng.integers(1, len(course(place, name).events) + 1))
    yield from _killed(place, rng, name, number)


def swaps(place: Place, rng: Rng) -> Iterator[str]:
    """Ended at one of the events around which folders change places."""
    name = one_of(rng, ("a level", "titles", "a sheet", "share"))
    number = one_of(rng, course(place, name).renames) + int(rng.integers(-1, 2))
    yield from _killed(place, rng, name, max(1, number))


def full_disks(place: Place, rng: Rng) -> Iterator[str]:
    """From one event on there is no room."""
    name = one_of(rng, tuple(SCENARIOS))
    number = int(rng.integers(1, len(course(place, name).events) + 1))
    yield from _refused(place, name, f"full from event {number}", lambda: watch(full_from(number)))


def denials(place: Place, rng: Rng) -> Iterator[str]:
    """One event is refused."""
    name = one_of(rng, tuple(SCENARIOS))
    number = int(rng.integers(1, len(course(place, name).events) + 1))
    yield from _refused(place, name, f"event {number} denied", lambda: watch(denied_at(number)))


def largest_files(place: Place, rng: Rng) -> Iterator[str]:
    """No file may become larger than so much, whoever writes it."""
    name = one_of(rng, ("a level", "no cache", "share"))
    size = int(10.0 ** rng.uniform(1.0, 5.7))

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))

    yield from _refused(place, name, f"files of {size} bytes at most", limit)


def _killed(place: Place, rng: Rng, name: str, number: int) -> Iterator[str]:
    way = course(place, name)
    place.restore(way.folder)
    outside = place.outside()
    ended = _run(place, SCENARIOS[name].words(place), lambda: watch(kill_at(number)))
    event = way.events[number - 1] if number <= len(way.events) else "the end"
    told = f"({name}, killed at event {number}, {event})"
    if not ended.killed and number <= len(way.events) and ended.wrong:
        yield f"{ended.wrong} {told}"
    yield from _whole(place, way, told)
    reader = one_of(
        rng,
        (
            ("why", place.recipe),
            ("share", place.home, "--out", "new"),
            ("compare", "last week mix", place.home),
            ("check", place.recipe),
            ("songs", place.recipe),
            ("wishes", place.recipe, "mara.txt"),
        ),
    )
    recipe = place.recipe.read_bytes()
    read = _run(place, reader)
    told = f"{told[:-1]}, then {reader[0]})"
    if read.wrong or read.code:
        yield f"{read.wrong or 'refused: ' + read.err.strip()} {told}"
    yield from _whole(place, way, told, recipe_too=reader[0] != "wishes")
    there = [folder for folder in songs_in(place.mixes) if "/" not in folder]
    if len(there) != len(TITLES):
        yield f"lost: {len(there)} songs in place after a command that reads them {told}"
    if (
        reader[0] == "share"
        and name != "titles"
        and read.code == 0
        and len(list((place.root / "new").glob("*.mp3"))) != len(TITLES)
    ):
        yield f"lost: a song that was not packed {told}"
    place.recipe.write_bytes(recipe)
    yield from _comes_out(place, name, way, told)
    yield from _kept(place, outside, told)


def _refused(place: Place, name: str, how: str, before: Callable[[], object]) -> Iterator[str]:
    way = course(place, name)
    place.restore(way.folder)
    outside = place.outside()
    ended = _run(place, SCENARIOS[name].words(place), before)
    told = f"({name}, {how})"
    if ended.wrong:
        yield f"{ended.wrong} {told}"
    elif ended.code not in (0, 5):
        yield f"words: exit code {ended.code}, {ended.err.strip()[:200]} {told}"
    yield from _whole(place, way, told)
    if ended.code == 0 and name not in ("turn", "wishes", "songs", "check") and songs_in(place.mixes) != way.new:
        yield f"lost: the mix is not there, and it ended as if it were {told}"
    if ended.code == 0 and name in ("turn", "wishes") and place.recipe.read_bytes() == _old_recipe(way):
        yield f"lost: the recipe is as it was, and it ended as if it were not {told}"
    yield from _comes_out(place, name, way, told)
    yield from _kept(place, outside, told)


def _old_recipe(way: Course) -> bytes:
    return (way.folder / HOME / "recipe.toml").read_bytes()


def _whole(place: Place, way: Course, told: str, *, recipe_too: bool = True) -> Iterator[str]:
    """What there is of songs is the old or the new version, to the byte; likewise recipe and what is shared.

    A song may also be at a loudness that a later song of the same run would have lowered, but whole.
    """
    for line in torn(place.mixes):
        yield f"torn: {line} {told}"
    for folder, files in songs_in(place.mixes).items():
        versions = [files == one for known in (way.old, way.new) for one in known.values()]
        if not any(versions) and not fits_its_sheet(place.mixes / folder):
            yield f"torn: {folder} is neither the old nor the new version {told}"
    if recipe_too and (not place.recipe.exists() or place.recipe.read_bytes() not in way.recipes):
        yield f"torn: the recipe is neither the old nor the new one {told}"
    share = files_in(place.home / "share")
    if share and share not in (way.old_share, way.new_share):
        yield f"torn: share is neither the old nor the new one {told}"


def _comes_out(place: Place, name: str, way: Course, told: str) -> Iterator[str]:
    """Run again, the command makes what it would have made."""
    scenario = SCENARIOS[name]
    if scenario.again:
        again = _run(place, scenario.words(place))
        if again.wrong or again.code:
            yield f"{again.wrong or 'refused: ' + again.err.strip()} {told[:-1]}, then again)"
            return
        songs = songs_in(place.mixes)
        for folder in sorted(way.new.keys() | songs.keys()):
            whole = folder in songs and folder.startswith("earlier/") and fits_its_sheet(place.mixes / folder)
            if songs.get(folder) != way.new.get(folder) and not whole:
                yield f"wrong: {folder} is not what it would have been {told[:-1]}, then again)"
        if name == "share" and files_in(place.home / "share") != way.new_share:
            yield f"wrong: share is not what it would have been {told[:-1]}, then again)"
        left = frozenset(files_in(place.home)) - way.files
        for path in sorted(left):
            yield f"left behind: {path} {told[:-1]}, then again)"


def _kept(place: Place, outside: Files, told: str) -> Iterator[str]:
    now = {path: what for path, what in place.outside().items() if path.split("/")[0] != "new"}
    for line in differences(outside, now):
        yield f"outside: {line} {told}"
    for line in place.lost():
        yield f"lost: {line} {told}"


KINDS = {"kills": kills, "swaps": swaps, "full disks": full_disks, "denials": denials, "largest files": largest_files}
