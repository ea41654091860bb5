"""Links, pipes and devices where files are expected, things that may not be read or written, and nasty names."""

from __future__ import annotations

import codecs
import os
import shutil
import unicodedata
from collections.abc import Callable, Iterator
from pathlib import Path

from attack.child import Ended
from attack.mutate import Rng, one_of
from attack.place import MIX, NOBODY, Place, differences, files_in, songs_in

Words = tuple[str | Path, ...]


def _commands(place: Place) -> tuple[Words, ...]:
    return (
        ("mix", place.recipe, *MIX),
        ("mix", place.recipe, *MIX),
        ("mix", place.sheet),
        ("check", place.recipe),
        ("check", "take"),
        ("songs", place.recipe, "--redo"),
        ("why", place.recipe),
        ("turn", place.recipe, "kick", "up", "1"),
        ("wishes", place.recipe, "mara.txt"),
        ("share", place.home),
        ("compare", "last week mix", place.home),
    )


# ---------------------------------------------------------------- links


def links(place: Place, rng: Rng) -> Iterator[str]:
    """A file or folder of the home is a link to somewhere, a pipe, or the other kind of thing."""
    victim = one_of(rng, _victims(place))
    is_folder = victim.is_dir()
    how, make = one_of(rng, tuple(_LINKS.items()))
    if rng.random() < 0.3:
        # Something must be mixed for it to be written.
        place.run("turn", place.recipe, "kick", "up", "2")
    aside = victim.with_name(f"{victim.name} aside")
    if os.path.lexists(victim):
        victim.rename(place.root / "beside" / aside.name)
    make(victim, place, is_folder)
    words = one_of(rng, _commands(place))
    outside = place.outside()
    ended: Ended = place.run(*words)  # type: ignore[assignment]
    told = f"({victim.relative_to(place.root)} is {how}, {' '.join(map(str, words[:1]))})"
    if ended.wrong:
        yield f"{ended.wrong} {told}"
    for line in differences(outside, place.outside()):
        yield f"outside: {line} {told}"


def _victims(place: Place) -> list[Path]:
    cached = sorted(path for path in place.cache.iterdir() if path.is_file())
    return [
        *(place.home / name for name in ("findings.json", "recipe.toml", ".cache", "mixes", "share")),
        *(place.mixes / name for name in ("report.html", "earlier", "01 One", "01 One/recall.json", "01 One/One.wav")),
        *(place.mixes / name for name in ("01 One/stems", ".partial", ".partial/swap.json", ".partial/new")),
        *(place.home / name for name in ("share/index.html", "share/01 One.mp3", ".share.partial", ".cache/songs")),
        *(place.home / ".cache" / "lock", place.root / "mara.txt", place.root / "inputs.toml"),
        *cached,
    ]


def _to_track(path: Path, place: Place, is_folder: bool) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.symlink_to(place.take if is_folder else place.take / "kick.wav")


def _to_beside(path: Path, place: Place, is_folder: bool) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.symlink_to(place.root / "beside" / ("inner" if is_folder else "precious.txt"))


def _to_itself(path: Path, _place: Place, _is_folder: bool) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.symlink_to(path.name)


def _to_nothing(path: Path, place: Place, _is_folder: bool) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.symlink_to(place.root / "beside" / "not there")


def _pipe(path: Path, _place: Place, _is_folder: bool) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    os.mkfifo(path)


def _to_zero(path: Path, _place: Place, _is_folder: bool) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.symlink_to("/dev/zero")


def _to_above(path: Path, _place: Place, _is_folder: bool) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.symlink_to("..")


def _otherwise(path: Path, _place: Place, is_folder: bool) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    if is_folder:
        path.write_bytes(b"a file")
    else:
        path.mkdir()
        (path / "own.txt").write_bytes(b"somebody's own")


_LINKS: dict[str, Callable[[Path, Place, bool], None]] = {
    "a link to a track": _to_track,
    "a link to something beside": _to_beside,
    "a link to itself": _to_itself,
    "a link to nothing": _to_nothing,
    "a pipe": _pipe,
    "a link to a device": _to_zero,
    "a link to the folder above": _to_above,
    "a folder for a file or a file for a folder": _otherwise,
}


# ---------------------------------------------------------------- permission


def permissions(place: Place, rng: Rng) -> Iterator[str]:
    """A file or folder may not be read, or not be written."""
    victim = one_of(
        rng,
        [
            *(place.take, place.take / "kick.wav", place.root / "inputs.toml", place.root / "mara.txt", place.root),
            *(place.root / "last week mix" / name for name in ("", "findings.json", "mixes", "mixes/01 One")),
            *(path for path in _victims(place) if path.exists()),
            place.home,
        ],
    )
    mode = one_of(rng, (0o000, 0o444, 0o555))
    words = one_of(rng, _commands(place))
    if rng.random() < 0.3:
        place.run("turn", place.recipe, "kick", "up", "2")
    if os.geteuid() == 0:
        for path in (place.root, *place.root.rglob("*")):
            if not path.is_relative_to(place.take):
                os.chown(path, NOBODY, NOBODY)
    was = victim.stat().st_mode
    outside = place.outside()
    victim.chmod(mode)

    def become_nobody() -> None:
        if os.geteuid() == 0:
            # Templates are read with a codec that is imported at first use, from where only root may read.
            codecs.lookup("unicode-escape")
            os.setgroups([])
            os.setgid(NOBODY)
            os.setuid(NOBODY)

    ended: Ended = place.run(*words, before=become_nobody)  # type: ignore[assignment]
    if victim.exists():
        victim.chmod(was)
    told = f"({victim.relative_to(place.root)} is {mode:03o}, {words[0]})"
    if ended.wrong:
        yield f"{ended.wrong} {told}"
    for line in differences(outside, place.outside()):
        yield f"outside: {line} {told}"


# ---------------------------------------------------------------- names

_SIGNS = (
    *(
        "kick",
        "Kick",
        "KICK",
        "straße",
        "STRASSE",
        "Iıİi",
        "\u212aick",
        "é",
        "e\u0301",
        "con",
        "NUL",
        "lpt1.txt",
        "a.",
        "a ",
    ),
    *(
        "..",
        ".hidden",
        "-rf",
        "--out",
        "'",
        '"',
        "`id`",
        "$(id)",
        "%s",
        "{0}",
        "\\",
        ":",
        "*",
        "?",
        "<b>",
        "&amp;",
        "|",
    ),
    *(
        "\n",
        "\t",
        "\x1b[2J",
        "\x1b]0;x\x07",
        "\x9b31m",
        "\x7f",
        "\u202e",
        "\u200f",
        "\u2066",
        "\u200b",
        "\ufeff",
        "\u2028",
    ),
    *("🎸", "👩‍👩‍👧", "\U000e0001", "ﬀ", "漢字", "عربي", "a" * 100, " ", "0", "#", "[x]", "=", ";", ",", "~", "!"),
)


def names(place: Place, rng: Rng) -> Iterator[str]:
    """Files, inputs, players and songs have the names that somebody gave them."""
    take = place.root / "named"
    take.mkdir()
    tracks = sorted(place.take.glob("*.wav"))
    called: list[bytes] = []
    for source in tracks:
        name = _name(rng).encode("utf-8")
        if rng.random() < 0.1:
            name += bytes([int(rng.integers(0x80, 0x100))])
        name = name.replace(b"/", b"")[:200] + one_of(rng, (b".wav", b".wav", b".WAV"))
        if os.fsencode(take) + b"/" + name not in called:
            shutil.copy2(source, os.fsencode(take) + b"/" + name)
            called.append(os.fsencode(take) + b"/" + name)
    outside = {name: what for name, what in files_in(place.root).items() if not name.startswith("named mix")}
    steps: list[Words] = [
        ("recipe", "named"),
        ("check", "named"),
        ("mix", "named", "--tracks", *MIX),
        ("share", "named mix"),
    ]
    for words in steps:
        ended: Ended = place.run(*words)  # type: ignore[assignment]
        told = f"({words[0]}: {[path.rsplit(b'/')[-1] for path in called]})"
        if ended.wrong:
            yield f"{ended.wrong} {told}"
        elif ended.code:
            yield f"refused: {ended.err.strip()[:300]} {told}"
        if ended.code:
            break
        if words[0] == "recipe":
            _retitle(place.root / "named mix" / "recipe.toml", rng)
            ended = place.run("check", "named mix/recipe.toml")  # type: ignore[assignment]
            if ended.wrong:
                yield f"{ended.wrong} (check, retitled)"
            if ended.code:
                return
    now = {name: what for name, what in files_in(place.root).items() if not name.startswith("named mix")}
    for line in differences(outside, now):
        yield f"outside: {line} (names)"
    home = place.root / "named mix"
    for folder in songs_in(home / "mixes") if home.exists() else ():
        written = len(list((home / "mixes" / folder / "tracks").glob("*")))
        # What begins with a dot is out of sight, and no recording.
        seen = [path for path in called if not path.rsplit(b"/")[-1].startswith(b".")]
        if written != len(seen):
            yield f"lost: {len(seen)} inputs gave {written} tracks ({seen})"
    for path in home.rglob("*") if home.exists() else ():
        bad = [
            sign
            for sign in path.name
            if unicodedata.category(sign) in ("Cc", "Cs") or sign in '\\:*?"<>|\u202e\u200f\u2066'
        ]
        if bad or path.name != path.name.rstrip(" ."):
            yield f"words: a file called {path.name!r}"


def _name(rng: Rng) -> str:
    return "".join(one_of(rng, _SIGNS) for _ in range(int(rng.integers(1, 4))))


def _retitle(recipe: Path, rng: Rng) -> None:
    """Somebody writes other titles and players into the recipe, as TOML allows."""
    text = recipe.read_text(encoding="utf-8")
    lines = []
    for line in text.splitlines():
        if line.startswith("title =") and rng.random() < 0.5:
            line = f"title = {_quoted(_name(rng))}"
        lines.append(line)
        if line.startswith("level_db") and rng.random() < 0.5:
            lines.append(f"player = {_quoted(_name(rng))}")
    lines += ["[[song]]", f"title = {_quoted(_name(rng))}", 'start = "0:00"', 'end = "0:01.5"']
    lines += ["[[song]]", f"title = {_quoted(_name(rng))}", 'start = "0:01.5"', 'end = "0:03"']
    recipe.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _quoted(text: str) -> str:
    """A TOML string."""
    return '"' + "".join(sign if sign.isalnum() else f"\\U{ord(sign):08x}" for sign in text) + '"'


KINDS = {"links": links, "permissions": permissions, "names": names}
