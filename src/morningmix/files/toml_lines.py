"""TOML with positions, so that every complaint can name its line.

A model is a pydantic class; `checked` turns its first error (by line) into one sentence. `Toml.places` also holds where
each value stands, so that one value can be replaced while everything else in the file stays as it is, byte for byte.
"""

from __future__ import annotations

import json
import re
import tomllib
from bisect import bisect_left
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, TypeVar, get_args

from pydantic import AfterValidator, BaseModel, ConfigDict, ValidationError  # noqa: TID251 - this room may
from pydantic.fields import FieldInfo  # noqa: TID251

from morningmix.errors import RecipeError, RecordingsError
from morningmix.model.names import is_hidden, plain

Loc = tuple[str | int, ...]
"""Path of a value: ``("song", 0, "title")``."""

_SPACE = re.compile(r"(?:\ufeff|[ \t\r\n]|#[^\n]*)+")
_KEY = re.compile(r"""[A-Za-z0-9_-]+|"(?:[^"\\\n]|\\.)*"|'[^'\n]*'""")
_DOT = re.compile(r"[ \t]*\.[ \t]*")
_VALUE_PIECE = re.compile(
    r'''"""(?:\\.|[^\\])*?"""(?:"{0,2})'''
    r"""|'''.*?'''(?:'{0,2})"""
    r'''|"(?:[^"\\\n]|\\.)*"'''
    r"""|'[^'\n]*'"""
    r"""|\#[^\n]*|[\[{]|[\]}]|\r?\n|[^"'\#\[\]{}\r\n]+|.""",
    re.DOTALL,
)
_QUOTED = re.compile(r""""(?:[^"\\\n]|\\.)*"?|'[^'\n]*'?|#[^\n]*""")
_LONGEST_LINE = 500
"""Characters outside quotes and comments. No sensible line needs a tenth of it, and a dotted key takes time with the
square of its length (design choice)."""
_SYNTAX_PLACE = re.compile(r" \(at (?:line (\d+), column \d+|end of document)\)$")


class Strict(BaseModel):
    """A table: unknown keys are refused, nothing is converted."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


_Model = TypeVar("_Model", bound=Strict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a ``key = value`` line or a ``[table]`` line stands, as offsets into the text."""

    start: int
    value_start: int
    """First character of the value (of the table's line: `start`)."""
    value_end: int
    end: int
    """After the line's own line break."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Toml:
    """A parsed text."""

    label: str
    """Name in error messages, usually the file's."""
    text: str
    data: Mapping[str, Any]
    places: Mapping[Loc, Place]
    breaks: Sequence[int]
    """Offsets of all line breaks."""

    def start(self, loc: Loc) -> int:
        """Where the value, or the nearest table around it, starts in the text."""
        nearest = (self.places.get(loc[:length]) for length in range(len(loc), 0, -1))
        return next((place.start for place in nearest if place is not None), 0)

    def line(self, loc: Loc) -> int:
        """Line, from 1, of the value or of the nearest table around it."""
        return bisect_left(self.breaks, self.start(loc)) + 1

    def refusal(self, loc: Loc, says: str) -> RecipeError:
        """An error that names the line of `loc`."""
        return RecipeError(f"{self.label}, line {self.line(loc)}: {says}")


def parse(text: str, label: str, *, inline_tables: bool = False) -> Toml:
    """Parse `text`; `RecipeError` with the line for broken syntax, dotted keys and (unless allowed) inline tables."""
    for number, outside_quotes in enumerate(_QUOTED.sub('""', text).split("\n"), 1):
        if len(outside_quotes) > _LONGEST_LINE:
            raise RecipeError(f"{label}, line {number}: this line is too long. Write one key and its value per line.")
    try:
        data = tomllib.loads(text.removeprefix("\ufeff"))
    except RecursionError as error:
        raise RecipeError(f"{label}: brackets are nested too deeply.") from error
    except ValueError as error:
        says = str(error)
        where = _SYNTAX_PLACE.search(says)
        if where is None:
            raise RecipeError(f"{label} cannot be read: {says}.") from error
        line = int(where[1]) if where[1] else _line(text, len(text.rstrip()))
        hint = (
            "Is a name written twice, or with [single] where [[double]] brackets belong?"
            if says.startswith("Cannot")
            else 'Text and times need quotes (title = "Thursday"), numbers a dot (1.5).'
        )
        raise RecipeError(f"{label}, line {line}: {says[: where.start()]}. {hint}") from error
    breaks = [found.start() for found in re.finditer("\n", text)]
    return Toml(label=label, text=text, data=data, places=_scan(text, label, inline_tables), breaks=breaks)


def checked(model: type[_Model], toml: Toml) -> _Model:
    """The data as a `model`. Raises `RecipeError` for the first error in the file."""
    try:
        return model.model_validate(toml.data)
    except ValidationError as error:
        errors = error.errors(include_url=False)
        misspelt_in = {found["loc"][:-1] for found in errors if found["type"] == "extra_forbidden"}
        # A misspelt key also leaves one missing, and the misspelling is what helps.
        errors = [found for found in errors if found["type"] != "missing" or found["loc"][:-1] not in misspelt_in]
        first = min(errors, key=lambda found: _line_start(toml.text, toml.start(found["loc"])))
        raise toml.refusal(first["loc"], _sentence(model, first)) from error


def did_you_mean(word: str, words: Iterable[str]) -> str:
    """`` Did you mean "..."?`` with the nearest of `words`, or nothing."""
    by_plain = {plain(known): known for known in words}
    near = get_close_matches(plain(word), by_plain, n=1, cutoff=0.6)
    return f' Did you mean "{by_plain[near[0]]}"?' if near else ""


def between(low: float, high: float) -> AfterValidator:
    """Numbers from `low` to `high`."""

    def check(value: float | None) -> float | None:
        if value is not None and not low <= value <= high:
            raise ValueError(f"must lie between {low:+g} and {high:+g}, not {value:g}")
        return value

    return AfterValidator(check)


def _line(text: str, offset: int) -> int:
    return text.count("\n", 0, offset) + 1


def _line_start(text: str, offset: int) -> int:
    return text.rfind("\n", 0, offset) + 1


# ---------------------------------------------------------------- places


def _scan(text: str, label: str, inline_tables: bool) -> dict[Loc, Place]:
    """Positions of all keys and tables of a text that is known to be valid."""
    places: dict[Loc, Place] = {}
    counts: dict[Loc, int] = {}
    table: Loc = ()
    at = _after(_SPACE, text, 0)
    while at < len(text):
        start = at
        if text[at] == "[":
            is_array = text.startswith("[[", at)
            keys, at = _keys(text, at + (2 if is_array else 1))
            at = text.index("]", at) + (2 if is_array else 1)
            end = _line_end(text, at)
            place = Place(start=start, value_start=start, value_end=at, end=end)
            table = _table_loc(keys, counts, is_array)
            places[table] = place
            if is_array:
                places.setdefault(table[:-1], place)
        else:
            keys, at = _keys(text, at)
            if len(keys) > 1:
                table_name = ".".join(keys[:-1])
                raise RecipeError(
                    f'{label}, line {_line(text, start)}: "{".".join(keys)}" has a dot. '
                    f"Write a line [{table_name}] and below it {keys[-1]} = ..."
                )
            at = _after(_SPACE, text, text.index("=", at) + 1)
            value_start = at
            at, has_table = _value_end(text, at)
            if has_table and not inline_tables:
                raise RecipeError(
                    f"{label}, line {_line(text, start)}: curly brackets are not used here. "
                    f'Write "{keys[0]}" as a table with one line for each key.'
                )
            end = _line_end(text, at)
            places[(*table, keys[0])] = Place(start=start, value_start=value_start, value_end=at, end=end)
        at = _after(_SPACE, text, end)
    return places


def _after(pattern: re.Pattern[str], text: str, at: int) -> int:
    found = pattern.match(text, at)
    return found.end() if found else at


def _line_end(text: str, at: int) -> int:
    newline = text.find("\n", at)
    return len(text) if newline < 0 else newline + 1


def _keys(text: str, at: int) -> tuple[list[str], int]:
    keys = []
    at = _after(_SPACE, text, at)
    while found := _KEY.match(text, at):
        raw = found[0]
        keys.append(tomllib.loads(f"key = {raw}")["key"] if raw[0] in "\"'" else raw)
        at = found.end()
        dot = _DOT.match(text, at)
        if dot is None:
            break
        at = dot.end()
    return keys, at


def _table_loc(keys: list[str], counts: dict[Loc, int], is_array: bool) -> Loc:
    loc: Loc = ()
    for key in keys[:-1]:
        loc = (*loc, key)
        if loc in counts:
            loc = (*loc, counts[loc] - 1)
    loc = (*loc, keys[-1])
    if is_array:
        counts[loc] = counts.get(loc, 0) + 1
        loc = (*loc, counts[loc] - 1)
    return loc


def _value_end(text: str, at: int) -> tuple[int, bool]:
    """Offset after the value that starts at `at`, and whether it holds an inline table."""
    depth = 0
    has_table = False
    end = at
    while found := _VALUE_PIECE.match(text, at):
        piece = found[0]
        if depth == 0 and (piece[0] == "#" or piece in ("\n", "\r\n")):
            break
        if piece in "[{":
            depth += 1
            has_table = has_table or piece == "{"
        elif piece in "]}":
            depth -= 1
        at = found.end()
        end = at - (len(piece) - len(piece.rstrip(" \t")))
    return end, has_table


# ---------------------------------------------------------------- writing


def quoted(text: str) -> str:
    """A TOML basic string with invisible characters escaped. JSON's escapes are TOML's.

    Raises `RecordingsError` for a file name that no UTF-8 text can hold.
    """
    try:
        text.encode("utf-8")
    except UnicodeEncodeError as error:
        raise RecordingsError(f'The name "{text}" is not UTF-8 text. Rename the file.') from error
    return "".join(_escaped(sign) if is_hidden(sign) else sign for sign in json.dumps(text, ensure_ascii=False))


def _escaped(sign: str) -> str:
    return f"\\u{ord(sign):04x}" if ord(sign) < 0x10000 else f"\\U{ord(sign):08x}"


def comment(text: str | None) -> str:
    """A comment behind a value; nothing for None."""
    return "" if text is None else "  # " + "".join(sign if sign.isprintable() else " " for sign in text)


# ---------------------------------------------------------------- sentences


def _sentence(model: type[Strict], found: Mapping[str, Any]) -> str:
    loc: Loc = found["loc"]
    words = [part for part in loc if isinstance(part, str)]
    key = words[-1] if words else ""
    value = found["input"]
    kind = found["type"]
    if kind == "extra_forbidden":
        return f'there is no "{key}" here.{did_you_mean(key, _words_at(model, loc[:-1]))}'
    if kind == "missing":
        return f'"{key}" is missing here.'
    if kind == "value_error":
        says = f"{key} {found['ctx']['error']}"
        return says if says.endswith(("?", ".")) else f"{says}."
    if kind == "literal_error":
        expected = found["ctx"]["expected"].replace("'", '"')
        near = did_you_mean(value, re.findall(r'"([^"]*)"', expected)) if isinstance(value, str) else ""
        return f"{key} must be {expected}, not {_shown(value)}.{near}"
    say: Callable[[], str] | None = {
        "float_type": lambda: f"{key} must be a number without quotes, not {_shown(value)}.",
        "int_type": lambda: f"{key} must be a whole number, not {_shown(value)}.",
        "finite_number": lambda: f"{key} must be a number, not {_shown(value)}.",
        "string_type": lambda: f"{key} must be text in quotes, not {_shown(value)}.",
        "bool_type": lambda: f"{key} must be true or false, without quotes, not {_shown(value)}.",
        "list_type": lambda: f"{key} needs double brackets around each of its headings: [[{'.'.join(words)}]].",
        "model_type": lambda: f"{key} must be a table that starts with its own line [{'.'.join(words)}].",
    }.get(kind)
    return say() if say else f"{key}: {found['msg']}."


def _shown(value: object) -> str:
    text = f'"{value}"' if isinstance(value, str) else str(value).lower() if isinstance(value, bool) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _words_at(model: type[Strict], loc: Loc) -> list[str]:
    """Keys that the table at `loc` may have."""
    for part in loc:
        if isinstance(part, str):
            model = _model_in(_fields(model)[part].annotation)
    return list(_fields(model))


def _fields(model: type[Strict]) -> dict[str, FieldInfo]:
    return {field.alias or name: field for name, field in model.model_fields.items()}


def _model_in(annotation: Any) -> type[Strict]:
    """The one table class inside ``list[X]`` or ``X | None``."""
    if isinstance(annotation, type) and issubclass(annotation, Strict):
        return annotation
    return next(_model_in(inner) for inner in get_args(annotation) if _holds_model(inner))


def _holds_model(annotation: Any) -> bool:
    if isinstance(annotation, type) and issubclass(annotation, Strict):
        return True
    return any(_holds_model(inner) for inner in get_args(annotation))
