"""Presets: what holds for a role or a target until the recipe says otherwise.

One TOML file each, under ``presets/roles`` and ``presets/targets``; every number names its source. A checkout's own
folder is used where the package sits in one, otherwise the copy inside the installed package.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping
from functools import cache, lru_cache
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Literal

from pydantic import AfterValidator  # noqa: TID251 - this room may

from morningmix.errors import RecipeError
from morningmix.files.toml_lines import Strict, checked, did_you_mean, parse
from morningmix.model.names import plain
from morningmix.model.plan import Family
from morningmix.model.presets import CompressorBounds, RolePreset, Sourced, TargetPreset

LOUDNESS_LUFS = (-40.0, -8.0)
CEILING_DBTP = (-9.0, 0.0)
"""Ranges of targets, in recipes too. Design choices."""
_LARGEST_VOICE_NUMBER = 24


def _filled(text: str) -> str:
    if not text.strip():
        raise ValueError('must name a publication, "common practice" or "design choice"')
    return text


def _lower_case(words: list[str]) -> list[str]:
    for word in words:
        if word != word.lower() or not _parts(word):
            raise ValueError(f'holds "{word}", which is not a lower-case word')
    return words


class _Number(Strict):
    value: float
    source: Annotated[str, AfterValidator(_filled)]

    def sourced(self) -> Sourced:
        return Sourced(value=self.value, source=self.source)


def _from(low: float, high: float) -> AfterValidator:
    """Numbers from `low` to `high`, which is what the rest of the program can handle (design choices)."""

    def check(number: _Number | None) -> _Number | None:
        if number is not None and not low <= number.value <= high:
            raise ValueError(f"must lie between {low:+g} and {high:+g}, not {number.value:g}")
        return number

    return AfterValidator(check)


class _Compressor(Strict):
    ratio_max: Annotated[_Number, _from(1.0, 20.0)]
    mean_reduction_db: Annotated[_Number, _from(0.0, 20.0)]
    max_reduction_db: Annotated[_Number, _from(0.0, 40.0)]
    attack_s: Annotated[_Number, _from(0.0001, 1.0)]
    release_s: Annotated[_Number, _from(0.001, 10.0)]


class _Role(Strict):
    role: str
    family: Literal[Family, ""]
    pan: Literal["centre", "spread", "keep"]
    words: Annotated[list[str], AfterValidator(_lower_case)]
    level_lu: Annotated[_Number | None, _from(-60.0, 20.0)] = None
    high_pass_hz: Annotated[_Number | None, _from(10.0, 1000.0)] = None
    cleaned: bool = False
    gate_floor_db: Annotated[_Number | None, _from(-100.0, 0.0)] = None
    send_lu: Annotated[_Number | None, _from(-100.0, 10.0)] = None
    compressor: _Compressor | None = None


class _Target(Strict):
    loudness_lufs: Annotated[_Number, _from(*LOUDNESS_LUFS)]
    ceiling_dbtp: Annotated[_Number, _from(*CEILING_DBTP)]
    max_limiting_db: Annotated[_Number, _from(0.0, 40.0)]


@cache
def load_roles() -> Mapping[str, RolePreset]:
    """All roles by name. Raises `RecipeError`, naming the file, where a preset is wrong."""
    return MappingProxyType(_read_roles(presets_folder()))


def load_target(name: str) -> TargetPreset:
    """The target of that name. Raises `RecipeError`, with the nearest name and the list, if there is none."""
    return _read_target(presets_folder(), name)


def presets_folder() -> Traversable:
    """The checkout's ``presets`` folder, or the one inside the installed package."""
    checkout = Path(__file__).resolve().parents[3]
    if (checkout / "pyproject.toml").is_file() and (checkout / "presets").is_dir():
        return checkout / "presets"
    return resources.files("morningmix") / "presets"


def role_from_name(name: str, roles: Mapping[str, RolePreset]) -> tuple[str, str] | None:
    """The role that a track name suggests, and the word that suggests it; None if no word is known.

    Only whole words count. Names are split at anything but letters, at digits, and where a capital follows a small
    letter; spaces inside a word do not matter ("hi hat", "hihat"). The longest word wins, then the first. A vocal with
    a backing word anywhere in its name, or a number above one behind it ("vocal-2"), is a backing vocal unless its own
    words say that it leads.
    """
    parts = _parts(name)
    dictionary = _dictionary(tuple(roles.values()))
    longest = max(map(len, dictionary), default=0)
    found = [
        (len(joined), -start, *dictionary[joined], end)
        for start in range(len(parts))
        for end, joined in _runs(parts, start, longest)
        if joined in dictionary
    ]
    if not found:
        return None
    _, _, role, word, end = max(found)
    if role == "lead vocal" and len(_parts(word)) == 1:
        backing = max((hit for hit in found if hit[2] == "backing vocal"), default=None)
        if backing is not None:
            return backing[2], backing[3]
        number = parts[end] if end < len(parts) else ""
        if number.isdecimal() and 1 < int(number[:4]) <= _LARGEST_VOICE_NUMBER:
            return "backing vocal", f"{word} {int(number)}"
    return role, word


# ---------------------------------------------------------------- files


def _read_roles(folder: Traversable) -> dict[str, RolePreset]:
    roles: dict[str, RolePreset] = {}
    for file in sorted((folder / "roles").iterdir(), key=lambda entry: entry.name):
        if not file.name.endswith(".toml"):
            continue
        toml = parse(_text(file), f"presets/roles/{file.name}", inline_tables=True)
        read = checked(_Role, toml)
        expected = f"{read.role.replace(' ', '-')}.toml"
        if read.role in roles or file.name != expected:
            raise toml.refusal(("role",), f'the file of the role "{read.role}" must be called {expected}.')
        bounds = read.compressor
        roles[read.role] = RolePreset(
            role=read.role,
            family=read.family,
            words=tuple(read.words),
            pan=read.pan,
            level_lu=read.level_lu.sourced() if read.level_lu else None,
            high_pass_hz=read.high_pass_hz.sourced() if read.high_pass_hz else None,
            cleaned=read.cleaned,
            gate_floor_db=read.gate_floor_db.sourced() if read.gate_floor_db else None,
            send_lu=read.send_lu.sourced() if read.send_lu else None,
            compressor=CompressorBounds(
                ratio_max=bounds.ratio_max.sourced(),
                mean_reduction_db=bounds.mean_reduction_db.sourced(),
                max_reduction_db=bounds.max_reduction_db.sourced(),
                attack_s=bounds.attack_s.sourced(),
                release_s=bounds.release_s.sourced(),
            )
            if bounds
            else None,
        )
    if not roles:
        raise RecipeError("There are no role presets in presets/roles. Is the program installed completely?")
    return roles


def _read_target(folder: Traversable, name: str) -> TargetPreset:
    names = sorted(entry.name.removesuffix(".toml") for entry in (folder / "targets").iterdir())
    wanted = next((known for known in names if plain(known) == plain(name)), None)
    if wanted is None:
        listed = ", ".join(f'"{known}"' for known in names)
        raise RecipeError(f'there is no target "{name}".{did_you_mean(name, names)} The targets are: {listed}.')
    file = folder / "targets" / f"{wanted}.toml"
    read = checked(_Target, parse(_text(file), f"presets/targets/{file.name}", inline_tables=True))
    return TargetPreset(
        name=wanted,
        loudness_lufs=read.loudness_lufs.sourced(),
        ceiling_dbtp=read.ceiling_dbtp.sourced(),
        max_limiting_db=read.max_limiting_db.sourced(),
    )


def _text(file: Traversable) -> str:
    try:
        return file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise RecipeError(f"The preset {file.name} cannot be read: {error}.") from error


# ---------------------------------------------------------------- words

_SHOWN_BY_NUMBER = re.compile(r"\\(?:x[0-9a-f]{2}|u[0-9a-f]{4}|U[0-9a-f]{8})")
"""As `model.names.visible` shows what cannot be printed: ``\\u200f`` says nothing about effects."""
_LETTERS_WITHOUT_DECOMPOSITION = str.maketrans({"ł": "l", "ø": "o", "œ": "oe", "æ": "ae", "đ": "d"})


def _parts(name: str) -> list[str]:
    """Runs of letters and runs of digits, without case and accents; an escaped character is neither."""
    shown = _SHOWN_BY_NUMBER.sub(" ", unicodedata.normalize("NFC", name))
    humps = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", shown)
    bare = unicodedata.normalize("NFKD", humps.casefold().translate(_LETTERS_WITHOUT_DECOMPOSITION))
    return re.findall(r"[^\W\d_]+|\d+", "".join(sign for sign in bare if not unicodedata.combining(sign)))


@lru_cache
def _dictionary(roles: tuple[RolePreset, ...]) -> dict[str, tuple[str, str]]:
    return {"".join(_parts(word)): (preset.role, word) for preset in roles for word in preset.words}


def _runs(parts: list[str], start: int, longest: int) -> Iterator[tuple[int, str]]:
    """Where runs of `parts` from `start` on end, and how they read written together, up to that many characters."""
    joined = ""
    for end in range(start, len(parts)):
        joined += parts[end]
        if len(joined) > longest:
            return
        yield end + 1, joined
