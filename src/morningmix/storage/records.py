"""Store values as cache records: dataclasses by field name, arrays by type and shape, each checked when read.

A record consists of the length of a JSON text, the text, and the arrays it refers to.
"""

from __future__ import annotations

import json
import struct
import types
from collections.abc import Collection, Mapping
from dataclasses import fields, is_dataclass
from math import prod
from pathlib import Path
from typing import Any, TypeVar, Union, cast, get_args, get_origin, get_type_hints

import numpy as np

from morningmix.storage.cache import read_entry, write_entry

T = TypeVar("T")

_LENGTH = struct.Struct("<Q")


def write_record(path: Path, value: object, known: Collection[str] = ()) -> None:
    """Write a value as a cache entry, without the fields in `known`, which every reader supplies.

    Raises `OutputError` where it cannot be written.
    """
    arrays: list[bytes] = []
    text = json.dumps(_plain(value, arrays, known)).encode("ascii")
    write_entry(path, b"".join((_LENGTH.pack(len(text)), text, *arrays)))


def read_record(path: Path, kind: type[T], known: Mapping[str, object] | None = None) -> T | None:
    """The stored value, completed by the fields in `known`; None if there is no intact value of that type."""
    content = read_entry(path)
    if content is None:
        return None
    try:
        (length,) = _LENGTH.unpack_from(content)
        arrays = _LENGTH.size + length
        return cast(T, _Reader(content, arrays).value(json.loads(content[_LENGTH.size : arrays]), kind, known or {}))
    except (ValueError, TypeError, LookupError, OverflowError, RecursionError, struct.error):
        return None


def _plain(value: Any, arrays: list[bytes], known: Collection[str] = ()) -> Any:
    """The value as JSON types; arrays are appended to a list, and replaced by type and shape."""
    if is_dataclass(value):
        names = [field.name for field in fields(value) if field.name not in known]
        return {name: _plain(getattr(value, name), arrays) for name in names}
    if isinstance(value, np.ndarray):
        arrays.append(value.tobytes())
        return [value.dtype.str, list(value.shape)]
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, Mapping):
        return {str(name): _plain(item, arrays) for name, item in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(item, arrays) for item in value]
    return value


class _Reader:
    """Builds values from the output of `_plain`; other types raise `ValueError` or `TypeError`."""

    def __init__(self, content: bytes, arrays_at: int) -> None:
        self._content, self._at = content, arrays_at

    def value(self, plain: Any, kind: Any, known: Mapping[str, object] | None = None) -> Any:
        """One value of a type."""
        origin, arguments = get_origin(kind), get_args(kind)
        if is_dataclass(kind):
            return self._dataclass(plain, kind, known or {})
        if origin in (Union, types.UnionType):
            (other,) = (item for item in arguments if item is not types.NoneType)
            return None if plain is None else self.value(plain, other)
        if origin is np.ndarray:
            return self._array(plain, get_args(arguments[1])[0])
        if origin is tuple:
            return self._tuple(plain, arguments)
        if origin is dict:
            if type(plain) is not dict:
                raise TypeError(f"{kind} expected")
            return {arguments[0](name): self.value(item, arguments[1]) for name, item in plain.items()}
        if type(plain) is not kind and (kind, type(plain)) != (float, int):
            raise TypeError(f"{kind} expected")
        return kind(plain) if kind is float else plain

    def _dataclass(self, plain: Any, kind: Any, known: Mapping[str, object]) -> Any:
        kinds = get_type_hints(kind)
        names = [field.name for field in fields(kind) if field.name not in known]
        if type(plain) is not dict or list(plain) != names:
            raise TypeError(f"the fields of {kind} expected")
        return kind(**{name: self.value(plain[name], kinds[name]) for name in names}, **known)

    def _tuple(self, plain: Any, kinds: tuple[Any, ...]) -> Any:
        if type(plain) is not list:
            raise TypeError("a list expected")
        if kinds[-1] is Ellipsis:
            kinds = (kinds[0],) * len(plain)
        return tuple(self.value(item, kind) for item, kind in zip(plain, kinds, strict=True))

    def _array(self, plain: Any, kind: Any) -> Any:
        dtype, shape = np.dtype(kind), plain[1]
        if plain[0] != dtype.str:
            raise TypeError(f"an array of {dtype} expected")
        count = prod(shape)
        array = np.frombuffer(self._content, dtype, count, self._at) if count else np.empty(0, dtype)
        self._at += count * dtype.itemsize
        # Copied, so that no array keeps the whole record in memory.
        return array.reshape(shape).copy()
