"""Put msgspec's refusals in plain words: where, what is wrong, and what to give instead."""

from __future__ import annotations

import re
from functools import cache
from typing import Any, Final, TypeVar

import msgspec
from msgspec import inspect

from logger.errors import shortened

Path = tuple[str | int, ...]
"""A key's path from the document's root."""

_PARTS: Final = re.compile(r"\[(\d+)\]|([^.\[\]`]+)")
_NAMED: Final = re.compile(r"Object (contains unknown|missing required) field `(.*)`", re.DOTALL)


class Mistake(ValueError):
    """What is wrong at a path in a document (empty: all of it), and the fix.

    `bounds`, for a number with a unit: value given, minimum, maximum and unit, so that a caller can write it
    in another unit.
    """

    def __init__(self, path: Path, what: str, bounds: tuple[object, float, float, str] | None = None) -> None:
        super().__init__(what)
        self.path, self.what, self.bounds = path, what, bounds

    def under(self, at: Path) -> Mistake:
        """Return the same mistake, in a document that holds this one at `at`."""
        return Mistake((*at, *self.path), self.what, self.bounds)


T = TypeVar("T", bound=msgspec.Struct)

_info = cache(inspect.type_info)


def decoded(kind: type[T], table: object, wrong: list[Mistake], at: Path = ()) -> T | None:
    """Decode a table at a path of its document; if None, all its mistakes are added to `wrong`."""
    left, before = dict(table) if isinstance(table, dict) else table, len(wrong)
    while True:
        try:
            found = msgspec.convert(left, kind)
            return found if len(wrong) == before else None
        except msgspec.ValidationError as exc:
            mistake = refused(kind, left, str(exc))
        except (RecursionError, UnicodeError):
            mistake = Mistake((), "an impossible field; send only what is asked for")
        # Take out a field that is wrong, so that other mistakes show.
        field = mistake.path[0] if mistake.path else None
        there = isinstance(left, dict) and left.pop(field, None) is not None
        if there or len(wrong) == before:
            wrong.append(mistake.under(at))
        if not there:
            return None


def decoded_each(kind: type[T], tables: object, most: int, wrong: list[Mistake], at: Path) -> dict[int, T]:
    """Decode a list of tables; return those without mistakes, by index."""
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        name = ".".join(part for part in at if isinstance(part, str))
        wrong.append(Mistake(at, f"must be a list of tables; write [[{name}]] above each {at[-1]}"))
        return {}
    if len(tables) > most:
        wrong.append(Mistake((*at, most), f"more than {most} {at[-1]}s; leave some out"))
        return {}
    each = {i: decoded(kind, table, wrong, (*at, i)) for i, table in enumerate(tables)}
    return {i: found for i, found in each.items() if found is not None}


def refused(kind: type[msgspec.Struct], data: object, why: str) -> Mistake:
    """Say what is wrong with `data`; `why` is msgspec's text.

    A field's `Meta(extra={"unit": …})` is added to its range; `{"give": …}` replaces the whole description.
    """
    what, _, way = why.partition(" - at `$")
    path: Path = tuple(int(n) if n else name for n, name in _PARTS.findall(way))
    wanted, value, unit = _info(kind), data, None
    for n, part in enumerate(path, 1):
        wanted, value = _inside(wanted, value, part)
        extra, wanted = _known(wanted)
        if "give" in extra:
            return Mistake(path[:n], f"give {extra['give']}")
        unit = extra.get("unit")
    named = _NAMED.search(what)
    if named is None or not isinstance(wanted, inspect.StructType):
        longest = getattr(wanted, "max_length", None)
        if isinstance(value, str) and longest is not None and len(value) > longest:
            return Mistake(path, f"is longer than {longest} characters; shorten it")
        if isinstance(value, str) and isinstance(wanted, inspect.StrType) and not value.strip():
            return Mistake(path, "is empty; give it a name")
        bounds = None
        if isinstance(wanted, inspect.FloatType) and unit is not None:
            bounds = (value, float(wanted.ge or 0), float(wanted.le or 0), unit)
        return Mistake(path, f"{_wrong(value, wanted)}; give {_range(wanted)} {unit or ''}".rstrip(), bounds)
    fields = {field.encode_name: field.type for field in wanted.fields}
    if named[2] in fields:
        return Mistake((*path, named[2]), f"is missing; give {_range(_known(fields[named[2]])[1])}")
    return Mistake((*path, named[2]), f"unknown key; known here: {', '.join(fields) or 'none'}")


def _inside(wanted: inspect.Type, value: Any, part: str | int) -> tuple[inspect.Type, Any]:
    if isinstance(wanted, inspect.ListType | inspect.VarTupleType):
        return wanted.item_type, value[part]
    assert isinstance(wanted, inspect.StructType)
    return next(f.type for f in wanted.fields if f.encode_name == part), value[part]


def _known(wanted: inspect.Type) -> tuple[dict[str, Any], inspect.Type]:
    """A type's extra words, and the type itself, without the None of an optional field."""
    if isinstance(wanted, inspect.UnionType):
        types = [one for one in wanted.types if not isinstance(one, inspect.NoneType)]
        if len(types) > 1:
            return {}, inspect.UnionType(tuple(types))
        wanted = types[0]
    return (wanted.extra or {}, wanted.type) if isinstance(wanted, inspect.Metadata) else ({}, wanted)


def _wrong(value: object, wanted: inspect.Type) -> str:
    kinds = {type(one) for one in (wanted.types if isinstance(wanted, inspect.UnionType) else (wanted,))}
    numbers, texts = kinds & {inspect.IntType, inspect.FloatType}, inspect.StrType in kinds
    if numbers and isinstance(value, int | float) and not isinstance(value, bool):
        return f"{shortened(value)} is {'not a number' if value != value else 'out of range'}"
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
        case inspect.StrType(pattern=str() as pattern, max_length=longest) if pattern.startswith("^"):
            return f"at most {longest} letters, digits, _, . or -, the first a letter or digit"
        case inspect.StrType(max_length=longest):
            return f"text of at most {longest} characters"
        case inspect.IntType(ge=low, le=high):
            return f"a whole number from {low} to {high}"
        case inspect.FloatType(ge=low, le=high):
            return f"a number from {low:g} to {high:g}"
        case inspect.BoolType():
            return "true or false"
        case inspect.ListType(max_length=longest) | inspect.VarTupleType(max_length=longest):
            return f"a list of at most {longest}"
    return "its fields by name"
