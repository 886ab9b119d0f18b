"""Where something stands in a plan's file, and whether it can be one: TOML's reader doesn't say."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from logger.errors import UserError

Place = tuple[str | int, ...]
"""A key's way from the document's root."""

MAX_TOML: Final = 200_000
"""Characters; a plan with every alarm's settings is 10 kB."""
MAX_DOTS: Final = 24
"""In the keys of one line."""


class PlanError(UserError):
    """A plan that cannot be used: names the file, the line, what is wrong and the fix.

    `field` is the place in the plan, such as `probe.0.name` (None: all of it); `what` is what is wrong there,
    without the place; `bounds` are, of a number, what was given, least, most and unit, for whoever says it in
    another unit.
    """

    def __init__(self, text: str, field: str | None = None, what: str | None = None) -> None:
        super().__init__(text)
        self.field = field
        self.what = text if what is None else what
        self.bounds: tuple[object, float, float, str] | None = None


class TooLong(PlanError):
    """More text than any plan has."""

    def __init__(self, source: str) -> None:
        super().__init__(f"{source}: longer than {MAX_TOML} characters; that is no plan")


# What stands in quotes or behind a hash, and numbers: dots in them part no key from the next. A bare key may
# consist of digits too, so that what has another dot, or an equals sign, right after it is none of these.
_QUOTED: Final = re.compile(r"""\"(?:[^"\\]|\\.)*+(?:"|$)|'[^']*+(?:'|$)|#.*""")
_NUMBER: Final = re.compile(r"(?<![\w.-])[+-]?\d[\d_]*+\.\d[\d_]*+(?:[eE][+-]?\d++)?(?![\w.-]|\s*[.=])")


def check_size(text: str, source: str) -> None:
    """Refuse what no plan is, before its TOML is read: the reader's work grows with a key's parts squared."""
    if len(text) > MAX_TOML:
        raise TooLong(source)
    for number, line in enumerate(text.splitlines(), 1):
        if line.count(".") > MAX_DOTS and _NUMBER.sub("", _QUOTED.sub("", line)).count(".") > MAX_DOTS:
            raise PlanError(
                f"{source} line {number}: a key of very many parts; a plan is no deeper than alarm.RULE.KEY"
            )


_TABLE: Final = re.compile(r"^\s*+(\[\[?)([^\[\]]++)\]\]?\s*+(?:#.*)?$")
_KEY: Final = re.compile(r"""^\s*((?:[\w-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[\w-]+|"[^"]*"|'[^']*'))*)\s*=""")


def line_numbers(text: str) -> dict[Place, int]:
    """Find the line each key and table stands on: the standard reader checks TOML but doesn't tell."""
    lines: dict[Place, int] = {}
    counts: dict[Place, int] = {}
    table: Place = ()
    inside: str | None = None
    for number, line in enumerate(text.splitlines(), 1):
        if inside is not None:  # a multi-line string
            if inside in line:
                inside = None
            continue
        if head := _TABLE.match(line):
            table = ()
            for part in _split_key(head[2].strip()):  # [[source.channel]] is inside the [[source]] before it
                table = (*table, counts[table] - 1, part) if table in counts else (*table, part)
            if head[1] == "[[":
                counts[table] = counts.get(table, 0) + 1
                table = (*table, counts[table] - 1)
            lines.setdefault(table, number)
        elif key := _KEY.match(line):
            path = (*table, *_split_key(key[1]))
            for depth in range(len(table) + 1, len(path) + 1):
                lines.setdefault(path[:depth], number)
            for quotes in ('"""', "'''"):
                if line.count(quotes) % 2:
                    inside = quotes
    return lines


def _split_key(key: str) -> tuple[str, ...]:
    return tuple(part.strip("\"'") for part in re.findall(r"""[\w-]+|"[^"]*"|'[^']*'""", key))


def dotted(path: Place) -> str:
    """Write a place as people count: `probe[1].name` is the first one's."""

    def parts() -> Iterator[str]:
        for part in path:
            if isinstance(part, int):
                yield f"[{part + 1}]"
            else:
                yield f".{part}"

    return "".join(parts()).lstrip(".").replace(".[", "[") or "the plan"
