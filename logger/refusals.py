"""What msgspec refuses, said in plain words: where it stands, what is wrong there, what to give."""

from __future__ import annotations

import re
from typing import Any, Final

import msgspec
from msgspec import inspect

from logger.errors import shortened

Path = tuple[str | int, ...]

_PARTS: Final = re.compile(r"\[(\d+)\]|([^.\[\]`]+)")
_NAMED: Final = re.compile(r"Object (contains unknown|missing required) field `(.*)`", re.DOTALL)


def refused(kind: type[msgspec.Struct], data: object, why: str) -> tuple[Path, str]:
    """Say where in `data` something is wrong (empty: all of it), and what; `why` is msgspec's text."""
    what, _, way = why.partition(" - at `$")
    path: Path = tuple(int(n) if n else name for n, name in _PARTS.findall(way))
    wanted, value = inspect.type_info(kind), data
    for part in path:
        wanted, value = _inside(wanted, value, part)
    named = _NAMED.search(what)
    if named is None or not isinstance(wanted, inspect.StructType):
        longest = getattr(wanted, "max_length", None)
        if isinstance(value, str) and longest is not None and len(value) > longest:
            return path, f"is longer than {longest} characters; shorten it"
        return path, f"{_wrong(value, wanted)}; give {_range(wanted)}"
    fields = {field.encode_name: field.type for field in wanted.fields}
    if named[2] in fields:
        return (*path, named[2]), f"is missing; give {_range(_but_none(fields[named[2]]))}"
    return (*path, named[2]), f"unknown key; known here: {', '.join(fields) or 'none'}"


def _inside(wanted: inspect.Type, value: Any, part: str | int) -> tuple[inspect.Type, Any]:
    if isinstance(wanted, inspect.ListType):
        return _but_none(wanted.item_type), value[part]
    assert isinstance(wanted, inspect.StructType)
    return _but_none(next(f.type for f in wanted.fields if f.encode_name == part)), value[part]


def _but_none(wanted: inspect.Type) -> inspect.Type:
    """What a field takes that may be left out."""
    if not isinstance(wanted, inspect.UnionType):
        return wanted
    types = [one for one in wanted.types if not isinstance(one, inspect.NoneType)]
    return types[0] if len(types) == 1 else inspect.UnionType(tuple(types))


def _wrong(value: object, wanted: inspect.Type) -> str:
    kinds = {type(one) for one in (wanted.types if isinstance(wanted, inspect.UnionType) else (wanted,))}
    numbers, texts = kinds & {inspect.IntType, inspect.FloatType}, inspect.StrType in kinds
    if numbers and isinstance(value, int | float) and not isinstance(value, bool):
        return f"{shortened(value)} is out of range"
    if numbers and not texts:
        return f"{shortened(value)} is not a number"
    if texts and not numbers and not isinstance(value, str):
        return f"{shortened(value)} is not text"
    return f"{shortened(value)} won't do"


def _range(wanted: inspect.Type) -> str:
    match wanted:
        case inspect.UnionType(types=types):
            return ", or ".join(map(_range, types))
        case inspect.LiteralType(values=values):
            return f"one of {', '.join(map(str, values))}"
        case inspect.StrType(pattern=str(), max_length=longest):
            return f"at most {longest} letters, digits, _, . or -, the first a letter or digit"
        case inspect.StrType(max_length=longest):
            return f"text of at most {longest} characters"
        case inspect.IntType(ge=low, le=high):
            return f"a whole number from {low} to {high}"
        case inspect.FloatType(ge=low, le=high):
            return f"a number from {low:g} to {high:g}"
        case inspect.ListType(max_length=longest):
            return f"a list of at most {longest}"
    return "its fields by name"
