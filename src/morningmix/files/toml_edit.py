"""Replace, add and remove single lines of a TOML text; everything else stays as it is, byte for byte."""

from __future__ import annotations

import re

from morningmix.files.toml_lines import Loc, Place, Toml

_REMARK = re.compile(r"[ \t]*#[^\n]*(?:\n|\Z)")


def with_value(toml: Toml, table: Loc, key: str, written: str, *, remark: bool = True) -> str:
    """The text with a key of a table, which is there, set to a value as it is written in TOML.

    `remark`: what stands behind the value on its line stays.
    """
    text, place = toml.text, toml.places.get((*table, key))
    if place is None:
        last = _last_line(toml, table)
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
    return text[:at] + lines_at(text, at, indent, lines) + text[at:]


def lines_at(text: str, at: int, indent: str, lines: list[str]) -> str:
    """What `with_lines` inserts."""
    newline = "\r\n" if "\r\n" in text else "\n"
    inserted = "".join((indent + line if line else "") + newline for line in lines)
    return inserted if at > 0 and text[at - 1] == "\n" else newline + inserted.removesuffix(newline)


def indent_at(text: str, at: int) -> str:
    """The blanks before the line that `at` lies in."""
    line_start = text.rfind("\n", 0, at) + 1
    return re.sub(r"[^ \t]", "", text[line_start:at])


def _last_line(toml: Toml, table: Loc) -> Place:
    """The last line of a table itself, without the tables in it."""
    own = [place for loc, place in toml.places.items() if loc[:-1] == table and isinstance(loc[-1], str)]
    return max(
        (toml.places[table], *(place for place in own if toml.text[place.start] != "[")), key=lambda place: place.end
    )
