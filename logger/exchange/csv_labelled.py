"""Files whose lines name their own numbers: what boards print, what logs and databases write. Pure."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Iterator, Sequence
from typing import Final, Literal

from logger.exchange.csv_dates import kind_of
from logger.exchange.csv_words import ERROR_WORDS, KEY, NO_READING, OPEN_WORDS

Labels = Literal["json", "document", "named", "pairs", "blocks", "points", ""]
"""A JSON object a line, another JSON document, `T1=21.5 T2=22.0`, `T1 21.5 T2 22.0`, a line for each value of
a reading, a line for each point of a series; or columns."""

_NUMBER: Final = r"[+\-−]?\d+(?:[.,]\d+)?(?:e[+\-]?\d+)?"
_MOMENT: Final = (
    r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:[.,]\d+)?)?(?:\s?(?:Z|[+\-]\d\d:?\d\d))?"
    r"|\d\d/[a-z]{3}/\d{4}:\d\d:\d\d:\d\d(?: [+\-]\d{4})?"
)
_NAMED: Final = re.compile(
    r"(?P<name>[^\W\d_][\w.\-/#]{0,40}(?: [\w#]{1,12})?)\s*[=:]\s*"
    rf"(?P<value>{_MOMENT}|(?>{_NUMBER})(?![\d:])|[^\W\d_]{{2,5}}\b(?!\s*[=:])|-{{2,5}})"
    r"(?:\s*(?P<unit>(?:°|º|deg ?)?[CFK](?!\w)(?!\s*[=:])|[℃℉])|(?!\w))",
    re.I,
)
_WHEN: Final = re.compile(_MOMENT, re.I)
_STAMP: Final = re.compile(
    r"(\[?\d[\d:.,/\-]*(?:[ T]\d[\d:.,]*)?\]?)\s*(?:->|=>|>)\s*|(\d{1,2}:\d\d(?::\d\d)?(?:[.,]\d+)?):\s+"
)
_BEFORE: Final = re.compile(
    rf"\[?({_MOMENT}|[\d:.,/\-]*\d:\d[\d:.,]*|\d{{9,19}})\]?[\s,;]+(?=[A-Za-z])", re.I
)
_NAME: Final = re.compile(r"[A-Za-z][\w.\-/#]{0,30}")
_VALUE: Final = re.compile(rf"{_NUMBER}(?:°?[CF])?", re.I)
_NO_VALUE: Final = OPEN_WORDS | ERROR_WORDS | (NO_READING - {""})
_NO_NAME: Final = _NO_VALUE | {"c", "f", "k", "am", "pm", "ok", "good", "utc", "gmt"}
_LINE: Final = re.compile(r"\s*(?:-\s+)?([^\W\d][\w .()°%/\-]{0,40}?)\s*[:=]\s*(.*?)\s*")
_POINT: Final = re.compile(
    r"(?P<series>(?:\\.|[^\s\\,#{])+)(?P<tags>(?:,(?:\\.|[^\s\\,=])+=(?:\\.|[^\s\\,])+)*)\s"
    r"(?P<fields>[^\s=]+=.*?)\s(?P<t>-?\d{10,19})"
    r"|(?P<metric>[A-Za-z_:][\w:]*)(?:\{(?P<labels>.*)\})?\s+(?P<value>[^\s=]+)\s+(?P<at>\d{10,13})"
)
"""InfluxDB's line protocol, and the text format of Prometheus."""
_TAG: Final = re.compile(r',?\s*((?:\\.|[^\s\\,="])+)=("(?:[^"\\]|\\.)*"|(?:\\.|[^\s\\,"])+)')
_ONLY_VALUE: Final = re.compile(r"value|v|reading|temp(erature)?(_c)?|_value|gauge", re.I)
_MOST: Final = 60
_LONGEST: Final = 4000
"""A board prints no longer line. [characters]"""
_ENOUGH: Final = 0.7


class BadLine(ValueError):
    """A line that is no JSON, in a file of it; `row` counts from 1."""

    def __init__(self, row: int, why: str) -> None:
        super().__init__(why)
        self.row = row


def labels_of(lines: Sequence[str]) -> Labels:
    """Say in what way the first lines of a file name their numbers."""
    first = "".join(line[:_LONGEST] for line in lines[:40]).lstrip()
    if re.match(r"\[\s*[\[{]", first):
        return "document"
    if first.startswith("{"):
        each = all(line.strip()[:1] == "{" and line.strip()[-1:] == "}" for line in lines[:-1])
        alone = len(lines) == 1 and re.search(r"\[|\"1\"\s*:|\}\s*\{", lines[0]) is not None
        return "json" if each and lines[-1].strip()[:1] == "{" and not alone else "document"
    some = [line for line in lines[-_MOST:] if line.strip()[:1] != "#"]
    if some and sum(1 for line in some if _POINT.fullmatch(line.strip())) >= _ENOUGH * len(some):
        return "points"
    ways: tuple[Labels, ...] = ("named", "pairs")
    for way in ways:
        keys = [tuple(_one(line, way)) for line in some]
        usual = max(set(keys), key=keys.count) if keys else ()
        if sum(name != "time" for name in usual) > (way == "pairs") and len(usual) > 1:
            with_names = way == "pairs" and tuple(_one(lines[0], way)) != usual  # a header of its own
            if keys.count(usual) >= _ENOUGH * len(keys) and not with_names:
                return way
    names = [match[1] if (match := _LINE.fullmatch(line[:_LONGEST])) else "" for line in some]
    few = 1 < len(set(names)) <= 40 and "" not in names
    return "blocks" if few and names.count(names[0]) >= max(3, 0.8 * len(names) / len(set(names))) else ""


def rows_of(lines: Iterable[str], labels: Labels) -> Iterator[dict[str, str]]:
    """Turn such lines, but for JSON, into rows: empty where a line says nothing."""
    if labels == "points":
        for line in lines:
            yield from _points(line.strip())
    elif labels == "blocks":
        yield from _blocks(lines)
    else:
        for line in lines:
            yield _one(line, labels)


def as_cells(rows: Iterable[dict[str, str]]) -> Iterator[list[str]]:
    """Write rows with names as rows of cells, the names first."""
    rows = iter(rows)
    some = list(itertools.islice(rows, _MOST))
    names = list(dict.fromkeys(name for one in some for name in one))
    yield names
    for one in itertools.chain(some, rows):
        yield [one.get(name, "") for name in names] if one else []


def without_arrows(lines: Iterable[str], delimiter: str) -> Iterator[str]:
    """Set a terminal's time stamp (`10:00:00.123 -> 20.5,21.0`) apart as a column."""
    for line in lines:
        match = _STAMP.match(line)
        yield f"{match[1] or match[2]}{delimiter}{line[match.end() :]}" if match else line


def has_arrows(lines: Sequence[str]) -> bool:
    """Say whether most lines begin with a terminal's time stamp and its arrow."""
    return sum(1 for line in lines if _STAMP.match(line)) > len(lines) // 2


def pairs_in(text: str) -> list[tuple[str, str]]:
    """Find each name (with its unit) and value of a line such as `T1=21.5 T2=22.0`."""
    found = _NAMED.finditer(text[:_LONGEST].strip())
    return [(f"{m['name']} ({m['unit']})" if m["unit"] else m["name"], m["value"]) for m in found]


def _one(line: str, way: Labels) -> dict[str, str]:
    text = line.strip()[:_LONGEST]
    if way == "named":
        first = _NAMED.search(text)
        before = re.sub(r"\s*(->|=>|>|:|,|;)?\s*$", "", text[: first.start()]).strip("[]() ") if first else ""
        pairs = pairs_in(text)
    else:
        found = _BEFORE.match(text)
        before = found[1] if found else ""
        pairs = _in_turn(text[found.end() :] if found else text)
    if kind_of(before) is None:  # a log's line: its time stands among other words
        when = _WHEN.search(before)
        before = when[0] if when else before
    return ({"time": before} if before and pairs else {}) | dict(pairs)


def _in_turn(text: str) -> list[tuple[str, str]]:
    """Read `T1 21.5 T2 OPEN`: nothing but a name and a value in turn."""
    parts = [part.strip('"') for part in re.split(r"[\s,;]+", text.strip(" ,;"))]
    names, values = parts[::2], parts[1::2]
    good = len(names) == len(values) == len(set(names)) and all(
        _NAME.fullmatch(name) and name.lower() not in _NO_NAME for name in names
    )
    said = good and all(_VALUE.fullmatch(value) or value.lower() in _NO_VALUE for value in values)
    return list(zip(names, values, strict=True)) if said else []


def _blocks(lines: Iterable[str]) -> Iterator[dict[str, str]]:
    row: dict[str, str] = {}
    for line in lines:
        match = _LINE.fullmatch(line[:_LONGEST])
        if match is None:
            continue
        if match[1] in row:
            yield row
            row = {}
        row[match[1]] = match[2].strip("\"'")
    yield row


def _points(line: str) -> Iterator[dict[str, str]]:
    match = _POINT.fullmatch(line) if line[:1] != "#" else None
    if match is None:
        return
    tags = {key: _plain(value) for key, value in _TAG.findall(match["tags"] or match["labels"] or "")}
    name = next((value for key, value in tags.items() if KEY.fullmatch(key)), " ".join(tags.values()))
    if match["metric"]:
        yield {"time": match["at"], "probe": name or match["metric"], "value": match["value"]}
        return
    for field, value in _TAG.findall(match["fields"]):
        if re.fullmatch(rf"{_NUMBER}[iu]?", value):
            of_field = name if name and _ONLY_VALUE.fullmatch(field) else f"{name} {_plain(field)}".strip()
            yield {"time": match["t"], "probe": of_field, "value": value.rstrip("iu")}


def _plain(text: str) -> str:
    return re.sub(r"\\(.)", r"\1", text.strip('"'))
