"""Files whose lines name their own numbers: JSON objects, and what boards print (`T1=21.5 T2=22.0`). Pure."""

from __future__ import annotations

import itertools
import json
import re
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, Final, Literal

Labels = Literal["json", "array", "columns", "named", ""]

_NUMBER: Final = r"[+\-−]?\d+(?:[.,]\d+)?(?:e[+\-]?\d+)?"
_NAMED: Final = re.compile(
    r"(?P<name>[^\W\d_][\w.\-/#]{0,40}(?: [\w#]{1,12})?)\s*[=:]\s*"
    rf"(?P<value>(?>{_NUMBER})(?![\d:])|[^\W\d_]{{2,5}}\b|-{{2,5}})"
    r"(?:\s*(?P<unit>(?:°|º|deg ?)?[CFK](?!\w)(?!\s*[=:])|[℃℉])|(?!\w))",
    re.I,
)
_STAMP: Final = re.compile(r"(\[?\d[\d:.,/\-]*(?:[ T]\d[\d:.,]*)?\]?)\s*(?:->|=>|>)\s*")
_MOST: Final = 60
_LONGEST: Final = 4000
"""A board prints no longer line. [characters]"""


class BadLine(ValueError):
    """A line that is no JSON, in a file of it.

    Parameters
    ----------
    row : int
        Its number, from 1.
    why : str
    """

    def __init__(self, row: int, why: str) -> None:
        super().__init__(why)
        self.row = row


def labels_of(lines: Sequence[str]) -> Labels:
    """Say in what way lines name their numbers.

    Parameters
    ----------
    lines : sequence of str
        The first of a file.

    Returns
    -------
    {'json', 'array', 'columns', 'named', ''}
        An object a line, a list of objects, one object of lists, names before numbers, or none of these.
    """
    first = "".join(line[:_LONGEST] for line in lines[:40]).lstrip()
    if re.match(r"\[\s*\{", first):
        return "array"
    if re.match(r"\{\s*\"[^\"]*\"\s*:\s*(?:[\[{]|\"[^\"]*\"\s*,)", first) and _is_one_object(lines):
        return "columns"
    if first.startswith("{"):
        return "json" if all(line.strip()[:1] == "{" for line in lines) else ""
    keys = [tuple(name for name, _ in _pairs(line)[1]) for line in lines[-_MOST:]]
    usual = max(set(keys), key=keys.count) if keys else ()
    return "named" if len(usual) > 1 and keys.count(usual) >= 0.7 * len(keys) else ""


def rows_of(lines: Iterable[str], labels: Labels) -> Iterator[list[str]]:
    """Turn such lines into rows of cells, the names first.

    Parameters
    ----------
    lines : iterable of str
    labels : {'json', 'array', 'columns', 'named'}

    Yields
    ------
    list of str
        One for each line, empty where it says nothing; for lists one for each of their places.

    Raises
    ------
    BadLine
        It is no JSON.
    """
    objects: Iterator[dict[str, str]]
    if labels == "array":
        objects = (_flat(one) for one in _decoded("".join(lines), None))
    elif labels == "columns":
        objects = _side_by_side(_decoded("".join(lines), None))
    elif labels == "json":
        objects = (_flat(_decoded(line, n)) if line.strip() else {} for n, line in enumerate(lines, 1))
    else:
        objects = (_one(line) for line in lines)
    some = list(itertools.islice(objects, _MOST))
    names = list(dict.fromkeys(name for one in some for name in one))
    yield names
    for one in itertools.chain(some, objects):
        yield [one.get(name, "") for name in names] if one else []


def without_arrows(lines: Iterable[str], delimiter: str) -> Iterator[str]:
    """Set a terminal's time stamp (`10:00:00.123 -> 20.5,21.0`) apart as a column.

    Parameters
    ----------
    lines : iterable of str
    delimiter : str

    Yields
    ------
    str
    """
    for line in lines:
        match = _STAMP.match(line)
        yield f"{match[1]}{delimiter}{line[match.end() :]}" if match else line


def has_arrows(lines: Sequence[str]) -> bool:
    """Say whether most lines begin with a terminal's time stamp and its arrow.

    Parameters
    ----------
    lines : sequence of str

    Returns
    -------
    bool
    """
    return sum(1 for line in lines if _STAMP.match(line)) > len(lines) // 2


def _pairs(line: str) -> tuple[str, list[tuple[str, str]]]:
    """Take a line apart: what stands before the first name, and each name (with its unit) and value."""
    found = list(_NAMED.finditer(line[:_LONGEST].strip()))
    if not found:
        return "", []
    before = re.sub(r"\s*(->|=>|>|:|,|;)?\s*$", "", line.strip()[: found[0].start()])
    pairs = [(f"{m['name']} ({m['unit']})" if m["unit"] else m["name"], m["value"]) for m in found]
    return before.strip("[]() "), pairs


def _one(line: str) -> dict[str, str]:
    before, pairs = _pairs(line)
    return ({"time": before} if before else {}) | dict(pairs)


def _decoded(text: str, row: int | None) -> Any:
    try:
        return json.loads(text)
    except json.JSONDecodeError as exc:
        raise BadLine(row or exc.lineno, exc.msg) from exc


def _is_one_object(lines: Sequence[str]) -> bool:
    """Say whether lines are one JSON object, and not one each; the last of them may be cut off."""
    try:
        json.loads(lines[0])
    except json.JSONDecodeError:
        return len(lines) > 1 or len(lines[0]) > _LONGEST
    return len(lines) == 1 and re.search(r"\[|\"1\"\s*:", lines[0]) is not None


def _side_by_side(document: Any) -> Iterator[dict[str, str]]:
    """Read `{"time": [0, 10], "T1": [20, 21]}`, also with objects for lists; or a list of objects in one."""
    values = list(document.values()) if isinstance(document, dict) else []
    tables = [v for v in values if isinstance(v, list) and v and all(isinstance(one, dict) for one in v)]
    if len(tables) == 1:
        yield from (_flat(one) for one in tables[0])
        return
    columns = {name: v for name, v in document.items() if isinstance(v, (list, dict))} if values else {}
    most = max((len(column) for column in columns.values()), default=0)
    same = {name: column for name, column in columns.items() if len(column) == most}
    places = [list(c.items()) if isinstance(c, dict) else list(enumerate(c)) for c in same.values()]
    if len(same) < 2 or any([key for key, _ in one] != [key for key, _ in places[0]] for one in places):
        raise BadLine(1, "its lists are no table: they are not as long as one another")
    for row in zip(*places, strict=True):
        yield _flat({name: value for name, (_, value) in zip(same, row, strict=True)})


def _flat(document: Any, way: str = "") -> dict[str, str]:
    if isinstance(document, dict):
        parts = [_flat(value, f"{way}.{key}" if way else str(key)) for key, value in document.items()]
    elif isinstance(document, list):
        parts = [_flat(value, f"{way}.{i}") for i, value in enumerate(document)]
    else:
        return {way: "" if document is None else str(document)}
    return {name: value for part in parts for name, value in part.items()}
