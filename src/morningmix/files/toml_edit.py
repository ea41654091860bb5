"""Replace, add and remove single lines of a TOML text; everything else stays as it is, byte for byte."""

from __future__ import annotations

import re
from collections.abc import Iterable

from morningmix.files.toml_lines import Loc, Place, Toml

Edit = tuple[int, int, str | list[str]]
"""Start, end, and what replaces the text between them: characters, or whole lines to insert."""

_REMARK = re.compile(r"[ \t]*#[^\n]*(?:\n|\Z)")


def with_value(toml: Toml, table: Loc, key: str, written: str, *, remark: bool = True) -> str:
    """The text with a key of a table, which is there, set to a value as it is written in TOML.

    `remark`: what stands behind the value on its line stays.
    """
    text, place = toml.text, toml.places.get((*table, key))
    if place is None:
        last = last_lines(toml)[table]
        return with_lines(text, last.end, indent_at(text, last.start), [f"{key} = {written}"])
    if remark:
        return text[: place.value_start] + written + text[place.value_end :]
    line_end = text[place.value_end : place.end]
    newline = line_end[len(line_end.rstrip("\r\n")) :]
    return text[: place.value_start] + written + newline + text[place.end :]


def without_key(toml: Toml, table: Loc, key: str) -> str:
    """The text without the line of a key; the same text where there is none."""
    place = toml.places.get((*table, key))
    return toml.text if place is None else toml.text[: place.start] + toml.text[place.end :]


def edited(text: str, edits: Iterable[Edit]) -> str:
    """The text with edits made that do not overlap; those at one place in the order in which they come."""
    pieces, done, newline = [], 0, _newline(text)
    for start, end, what in sorted(edits, key=lambda edit: edit[:2]):
        pieces += [text[done:start], what if isinstance(what, str) else _lines_at(text, start, what, newline)]
        done = end
    return "".join([*pieces, text[done:]])


def regions(toml: Toml, kind: str) -> dict[int, tuple[int, int]]:
    """Where each [[table]] of a kind starts, and where it ends with the tables in it."""
    found: dict[int, tuple[int, int]] = {}
    for loc, place in toml.places.items():
        if loc[0] == kind and len(loc) > 1 and isinstance(loc[1], int):
            start, end = found.get(loc[1], (place.start, place.end))
            found[loc[1]] = min(start, place.start), max(end, place.end)
    return found


def end_of(toml: Toml, table: Loc) -> int:
    """Where a table ends with all that belongs to it, also settings that are still comments."""
    end = max(place.end for loc, place in toml.places.items() if loc[: len(table)] == table)
    while remark := _REMARK.match(toml.text, end):
        end = remark.end()
    return end


def above(text: str, at: int) -> int:
    """Start of the comment lines right above the line that starts at `at`."""
    while at > 0 and text[text.rfind("\n", 0, at - 1) + 1 : at].lstrip(" \t").startswith("#"):
        at = text.rfind("\n", 0, at - 1) + 1
    return at


def as_comments(text: str) -> str:
    """The lines of a text as comments; what is one already, and empty lines, stay."""
    return re.sub(r"(?m)^(?=[^\n]*\S)(?![ \t]*#)", "# ", text)


def with_lines(text: str, at: int, indent: str, lines: list[str]) -> str:
    """`lines` inserted at the line start `at` (or the end of a text whose last line is not ended)."""
    indented = [indent + line if line else "" for line in lines]
    return text[:at] + _lines_at(text, at, indented, _newline(text)) + text[at:]


def _newline(text: str) -> str:
    return "\r\n" if "\r\n" in text else "\n"


def _lines_at(text: str, at: int, lines: list[str], newline: str) -> str:
    inserted = "".join(line + newline for line in lines)
    return inserted if at > 0 and text[at - 1] == "\n" else newline + inserted.removesuffix(newline)


def indent_at(text: str, at: int) -> str:
    """The blanks before the line that `at` lies in."""
    line_start = text.rfind("\n", 0, at) + 1
    return re.sub(r"[^ \t]", "", text[line_start:at])


def last_lines(toml: Toml) -> dict[Loc, Place]:
    """The last line of each table itself, without the tables in it."""
    found: dict[Loc, Place] = {}
    for loc, place in toml.places.items():
        table = loc if toml.text[place.start] == "[" else loc[:-1]
        if table not in found or place.end > found[table].end:
            found[table] = place
    return found
