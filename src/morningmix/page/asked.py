"""What a page asks for: a few values of known kinds, each checked before it is used."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any, TypeVar

from morningmix.errors import UsageError

_Choice = TypeVar("_Choice")
_LONGEST = 300
_ODD = "This page sent something that makes no sense here. Load it again."


class Asked:
    """The values of one request. Everything raises `UsageError` for a value that is missing or of another kind."""

    def __init__(self, values: Mapping[str, Any]) -> None:
        self._values = values

    @classmethod
    def read(cls, body: bytes) -> Asked:
        """From the JSON of a request."""
        try:
            values = json.loads(body)
        except (ValueError, RecursionError) as error:
            raise UsageError(_ODD) from error
        if not isinstance(values, dict):
            raise UsageError(_ODD)
        return cls(values)

    def text(self, key: str, most: int = _LONGEST) -> str:
        """A text of at most so many characters, with nothing in it that no file could hold."""
        value = self._values.get(key)
        if not isinstance(value, str):
            raise UsageError(_ODD)
        if len(value) > most:
            raise UsageError(f"That is too long: {most} characters at most.")
        if "\0" in value or any(0xD800 <= ord(sign) <= 0xDFFF for sign in value):
            raise UsageError("It contains a character that cannot be saved as text.")
        return value

    def flag(self, key: str) -> bool:
        """Yes or no."""
        value = self._values.get(key)
        if not isinstance(value, bool):
            raise UsageError(_ODD)
        return value

    def seconds(self, key: str) -> float:
        """A time of 0 or more, in seconds."""
        return self.number(key, 0.0, 1e6)

    def number(self, key: str, low: float, high: float) -> float:
        """A number between two others."""
        value = self._values.get(key)
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise UsageError(_ODD)
        if not math.isfinite(value) or not low <= value <= high:
            raise UsageError(_ODD)
        return float(value)

    def whole(self, key: str, below: int) -> int:
        """A whole number from 0 on, below another."""
        value = self._values.get(key)
        if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < below:
            raise UsageError(_ODD)
        return value

    def one_of(self, key: str, choices: Sequence[_Choice]) -> _Choice:
        """The one of several things that a page means by its number."""
        return choices[self.whole(key, len(choices))]

    def gives(self, key: str) -> bool:
        """Whether there is such a value."""
        return self._values.get(key) is not None
