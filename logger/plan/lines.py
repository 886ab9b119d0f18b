"""Line numbers in a plan's file, and limits on its size: Python's TOML reader offers neither."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

from logger.errors import UserError
from logger.refusals import Mistake, Path

MAX_TOML: Final = 200_000
"""Characters; a plan with every alarm's settings is 10 kB."""
_LONGEST: Final = 64
"""How much of a key an error shows."""
MAX_DOTS: Final = 24
"""Most dots in the keys of one line."""


class PlanError(UserError):
    """A plan that can't be used: names the file, the line, what is wrong and the fix.

    `field` is the place in the plan, such as `probe.0.name` (None: all of it); `what` is the text without the
    place; `bounds` are those of a `Mistake`.
    """

    def __init__(
        self, text: str, field: str | None = None, mistake: Mistake | None = None, line: int = 0
    ) -> None:
        super().__init__(text, field)
        self.line = line
        self.what, self.bounds = (text, None) if mistake is None else (mistake.what, mistake.bounds)


def placed(mistake: Mistake, source: str = "plan", lines: Mapping[Path, int] | None = None) -> PlanError:
    """Make a mistake an error that says where it is; `lines` are the file's `line_numbers`."""
    path = tuple(part if isinstance(part, int) else part[:_LONGEST] for part in mistake.path)
    # A missing key is reported at the table it belongs to.
    line = next((n for k in range(len(path), 0, -1) if (n := (lines or {}).get(path[:k]))), 0)
    where = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in path)
    file = f"{source} line {line}" if line else source
    text = f"{file}: {where.lstrip('.') or 'the plan'}: {mistake.what}"
    return PlanError(text, ".".join(map(str, path)) or None, mistake, line)


def too_long(source: str) -> PlanError:
    """Refuse more text than any plan has."""
    return PlanError(f"{source}: longer than {MAX_TOML} characters; this is not a plan")


# Quoted text, comments and numbers, whose dots separate no keys. A bare key may consist of digits too, so
# digits followed by another dot or an equals sign are not a number.
_QUOTED: Final = re.compile(r"""\"(?:[^"\\]|\\.)*+(?:"|$)|'[^']*+(?:'|$)|#.*""")
_NUMBER: Final = re.compile(r"(?<![\w.-])[+-]?\d[\d_]*+\.\d[\d_]*+(?:[eE][+-]?\d++)?(?![\w.-]|\s*[.=])")


def check_size(text: str, source: str) -> None:
    """Refuse what can't be a plan before its TOML is read, which takes time quadratic in a key's parts."""
    if len(text) > MAX_TOML:
        raise too_long(source)
    for number, line in enumerate(text.splitlines(), 1):
        if line.count(".") > MAX_DOTS and _NUMBER.sub("", _QUOTED.sub("", line)).count(".") > MAX_DOTS:
            raise PlanError(
                f"{source} line {number}: a key with too many parts; plans go no deeper than alarm.RULE.KEY"
            )


_TABLE: Final = re.compile(r"^\s*+(\[\[?)([^\[\]]++)\]\]?\s*+(?:#.*)?$")
_KEY: Final = re.compile(r"""^\s*((?:[\w-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[\w-]+|"[^"]*"|'[^']*'))*)\s*=""")


def line_numbers(text: str) -> dict[Path, int]:
    """Find the line of each key and table, which Python's TOML reader doesn't give."""
    lines: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    table: Path = ()
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
