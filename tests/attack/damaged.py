"""Damaged and foreign files, each given to a command that reads it."""

from __future__ import annotations

import io
import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile  # noqa: TID251 - an outside writer of the files under attack

from attack.mutate import VALUES, Rng, flipped, json_changed, one_of
from attack.place import MIX, Place, differences, files_in, songs_in, torn
from fuzzing import damaged_sound, damaged_text

Words = tuple[str | Path, ...]


def recordings(place: Place, rng: Rng) -> Iterator[str]:
    """One raw track is damaged, or is another kind of file under its old name."""
    other = shutil.copytree(place.take, place.root / "other")
    # The home knows other tracks under these names.
    place.recipe.write_text(place.recipe.read_text().replace('"../take"', '"../other"'))
    path = one_of(rng, sorted(other.glob("*.wav")))
    data = path.read_bytes()
    kind = one_of(rng, ("wav", "wav", "FLAC", "AIFF", "W64", "RF64", "CAF", "FLOAT"))
    if kind != "wav":
        sound, rate_hz = soundfile.read(path)
        file = io.BytesIO()
        container, subtype = ("WAV", "FLOAT") if kind == "FLOAT" else (kind, "PCM_16")
        soundfile.write(file, sound[:4000], rate_hz, format=container, subtype=subtype)
        path.unlink()
        path = path.with_suffix(".wav" if kind in ("FLOAT", "RF64") else f".{kind.lower()}")
        data = file.getvalue()
    path.write_bytes(damaged_sound(rng, data))
    yield from _holds(
        place,
        one_of(
            rng, (("check", "other", "--out", "new"), ("mix", place.recipe, *MIX), ("recipe", "other", "--out", "new"))
        ),
    )


def recipes(place: Place, rng: Rng) -> Iterator[str]:
    """The recipe is damaged."""
    place.recipe.write_bytes(damaged_text(rng, place.recipe.read_bytes()))
    yield from _holds(
        place,
        one_of(
            rng,
            (
                ("turn", place.recipe, "lead vocal", "up", "2"),
                ("turn", place.recipe, "kick", "down", "1", "--song", "Two"),
                ("wishes", place.recipe, "mara.txt"),
                ("check", place.recipe),
                ("songs", place.recipe, "--redo"),
                ("share", place.home),
                ("compare", "last week mix", place.recipe),
                ("mix", place.recipe, *MIX),
            ),
        ),
    )


def input_lists(place: Place, rng: Rng) -> Iterator[str]:
    """The band's band.toml or input list is damaged."""
    text = (
        '[[input]]\nfile = "kick.wav"\nname = "kick"\nrole = "kick"\nplayer = "Ole"\n[[input]]\nfile = "guitar 1.wav"\n'
    )
    usual = 'level_db = 2.0\npan = -0.5\n[[family]]\nname = "drums"\nroom_db = 3\n[[song]]\ntitle = "One"\n'
    name, text = one_of(rng, (("inputs.toml", text), ("band.toml", f'band = 1\nname = "Ole"\n{text}{usual}')))
    (place.root / name).write_bytes(damaged_text(rng, text.encode()))
    yield from _holds(
        place,
        one_of(
            rng,
            (
                ("check", "take"),
                ("recipe", "take", "--out", "new"),
                ("check", place.recipe),
                ("turn", place.recipe, "kick", "up", "1"),
                ("remember", place.home, "--json"),
            ),
        ),
    )


def wishes(place: Place, rng: Rng) -> Iterator[str]:
    """What somebody sent is damaged."""
    path = place.root / "mara.txt"
    path.write_bytes(damaged_text(rng, path.read_bytes()))
    yield from _holds(place, ("wishes", place.recipe, "mara.txt"))


def sheets(place: Place, rng: Rng) -> Iterator[str]:
    """A recall sheet holds another value somewhere, or is damaged."""
    damage = rng.random() < 0.15
    text = place.sheet.read_text(encoding="utf-8")
    place.sheet.write_bytes(
        damaged_text(rng, text.encode()) if damage else json_changed(rng, text).encode("utf-8", "surrogatepass")
    )
    yield from _holds(
        place,
        one_of(
            rng,
            (
                *(("mix", place.sheet),) * 6,
                ("why", place.sheet),
                ("why", place.recipe),
                ("compare", "last week mix", place.home),
                ("share", place.home),
                ("mix", place.recipe, *MIX),
                ("wishes", place.recipe, "mara.txt"),
            ),
        ),
        sheet_is_damaged=True,
    )


def findings(place: Place, rng: Rng) -> Iterator[str]:
    """What was found, here or in the home beside, is damaged."""
    path = one_of(rng, (place.home, place.root / "last week mix")) / "findings.json"
    text = '{"when": "2020-01-01", "findings": [{"input": "kick", "kind": "hum", "says": "kick hums"}]}'
    path.write_bytes(
        damaged_text(rng, text.encode())
        if rng.random() < 0.4
        else json_changed(rng, text).encode("utf-8", "surrogatepass")
    )
    yield from _holds(place, ("check", place.recipe))


def caches(place: Place, rng: Rng) -> Iterator[str]:
    """A file of the cache is damaged: the mix is the one that it would have been."""
    song = place.mixes / "01 One"
    path = one_of(rng, sorted(path for path in place.cache.rglob("*") if path.is_file() and path.name != "lock"))
    path.write_bytes(
        _other_keys(rng) if path.suffix == ".npz" and rng.random() < 0.3 else flipped(rng, path.read_bytes())
    )
    before = songs_in(place.mixes)["01 One"]
    # Mixed anew from what the cache holds, or standing because the cache says so.
    if rng.random() < 0.7:
        shutil.rmtree(song)
    yield from _holds(place, ("mix", place.recipe, *MIX), sheet_is_damaged=True)
    after = songs_in(place.mixes).get("01 One", {})
    for name in sorted(before.keys() & after.keys()):
        if before[name] != after[name]:
            yield f"wrong: {name} is another after {path.suffix} was damaged"


def _other_keys(rng: Rng) -> bytes:
    file = io.BytesIO()
    kinds = (np.zeros(3), np.array(1.0), np.zeros((2, 0)), np.array(["x"]), np.full(5, np.nan), np.zeros((1, 1, 1)))
    np.savez(file, **{name: one_of(rng, kinds) for name in ("ears", "hop_s", "powers", "x")[: int(rng.integers(5))]})
    return file.getvalue()


def journals(place: Place, rng: Rng) -> Iterator[str]:
    """A swap was begun that names whatever it likes."""
    take, beside = str(place.take), str(place.root / "beside")
    names = (
        *("01 One", "02 Two", "earlier", "01 Three", "01 one", ".partial", "report.html", "", ".", ".."),
        *(
            "../../take",
            "../../../take",
            take,
            "../../beside",
            beside,
            "../../../beside/precious.txt",
            "../recipe.toml",
        ),
        *("../.cache", "../../last week mix", "..\\..\\take", "/", "~", "01 One/stems", "a" * 400, "\0", "C:"),
    )

    def name() -> object:
        return one_of(rng, names) if rng.random() < 0.9 else one_of(rng, VALUES)

    journal: object = {
        "new": name(),
        "built": name(),
        "moves": [[name(), name()] for _ in range(int(rng.integers(3)))],
        "discard": [name() for _ in range(int(rng.integers(3)))],
    }
    text = json.dumps(journal)
    if rng.random() < 0.4:
        text = json_changed(rng, text)
    partial = place.mixes / ".partial"
    built = partial / "new" / str(one_of(rng, ("01 One", "02 Two", "01 Three")))
    built.mkdir(parents=True)
    if rng.random() < 0.5:
        (built / "new.wav").write_bytes(b"new")
        (built / "recall.json").write_bytes((place.mixes / "02 Two" / "recall.json").read_bytes())
        # Where the journal calls for the very folder that was built.
        text = text.replace('"built": "', '"built": "' if rng.random() < 0.5 else f'"built": "{built.name}", "x": "')
    (partial / "swap.json").write_bytes(text.encode("utf-8", "surrogatepass"))
    yield from _holds(
        place,
        one_of(
            rng,
            (
                ("mix", place.recipe, *MIX),
                ("mix", place.recipe, *MIX),
                ("share", place.home),
                ("why", place.recipe),
                ("mix", place.sheet),
            ),
        ),
        journal=True,
    )


def _holds(place: Place, words: Words, *, sheet_is_damaged: bool = False, journal: bool = False) -> Iterator[str]:
    """A command ends well or with one line, nothing outside the home is another, nothing of the user's is lost."""
    outside, mixes = place.outside(), files_in(place.mixes)
    ended = place.run(*words)
    told = " ".join(str(word).replace(f"{place.root}/", "") for word in words)
    if ended.wrong:
        yield f"{ended.wrong} ({told})"
    new = place.root / "new"
    for line in differences(outside, {n: w for n, w in place.outside().items() if n.split("/")[0] != new.name}):
        yield f"outside: {line} ({told})"
    for line in place.lost():
        yield f"lost: {line} ({told})"
    if ended.code and not journal:
        for line in differences(mixes, files_in(place.mixes)):
            yield f"lost: mixes/{line} although it ended with {ended.code} ({told})"
    if not sheet_is_damaged and not journal:
        for line in torn(place.mixes):
            yield f"torn: {line} ({told})"


KINDS = {
    "recordings": recordings,
    "recipes": recipes,
    "input lists": input_lists,
    "wishes": wishes,
    "sheets": sheets,
    "findings": findings,
    "caches": caches,
    "journals": journals,
}
