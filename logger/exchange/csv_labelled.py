"""Files whose lines name their own numbers, and JSON of any shape. Pure."""

from __future__ import annotations

import ast
import contextlib
import itertools
import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final, Literal

from logger.conversion.printed import in_turn, named
from logger.exchange.csv_words import ERROR_WORDS, KEY, NO_READING, OPEN_WORDS, unit_in

Labels = Literal["json", "document", "named", "blocks", "points", ""]
"""One JSON object per line, another JSON document, `T1=21.5 T2=22.0` or `T1 21.5 T2 22.0`, one line per
value, one line per point of a series; or columns."""

_NUMBER: Final = r"[+\-−]?\d+(?:[.,]\d+)?(?:e[+\-]?\d+)?"
_MOMENT: Final = (
    r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:[.,]\d+)?)?(?:\s?(?:Z|[+\-]\d\d:?\d\d))?"
    r"|\d\d/[a-z]{3}/\d{4}:\d\d:\d\d:\d\d(?: [+\-]\d{4})?|\b[a-z]{3} +\d{1,2} \d\d:\d\d:\d\d"
)
_WHEN: Final = re.compile(_MOMENT, re.I)
_STAMP: Final = re.compile(
    r"(\[?\d[\d:.,/\-]*(?:[ T]\d[\d:.,]*)?\]?)\s*(?:->|=>|>)\s*|(\d{1,2}:\d\d(?::\d\d)?(?:[.,]\d+)?):\s+"
)
_LEADS: Final = re.compile(r"[\[(]?(\d[\d:.,/\-]*(?:\s?m?s)?)[\])]?:?(?=[\s,;])")
_NO_NAME: Final = OPEN_WORDS | ERROR_WORDS | NO_READING | {*"cfk", "am", "pm", "ok", "good", "utc", "gmt"}
_LINE: Final = re.compile(r"\s*(?:-\s+)?([^\W\d][\w .()°%/\-]{0,40}?)\s*[:=]\s*(.*?)\s*")
_POINT: Final = re.compile(
    r"(?P<series>(?:\\.|[^\s\\,#{])+)(?P<tags>(?:,(?:\\.|[^\s\\,=])+=(?:\\.|[^\s\\,])+)*)\s"
    r"(?P<fields>[^\s=]+=.*?)\s(?P<t>-?\d{10,19})"
    r"|(?P<metric>[A-Za-z_:][\w:]*)(?:\{(?P<labels>.*)\})?\s+(?P<value>[^\s=]+)\s+(?P<at>\d{10,13})"
)
"""InfluxDB's line protocol, and Prometheus's text format."""
_TAG: Final = re.compile(r',?\s*((?:\\.|[^\s\\,="])+)=("(?:[^"\\]|\\.)*"|(?:\\.|[^\s\\,"])+)')
_ONLY_VALUE: Final = re.compile(r"value|v|reading|temp(erature)?(_c)?|_value|gauge", re.I)
_MOST: Final = 60
_LONGEST: Final = 4000  # no board prints a longer line. [characters]
_ENOUGH: Final = 0.7
_BETWEEN: Final = re.compile(r"[\s,]*")
_EPOCH: Final = 1e8  # a larger number is a time, not a temperature: 1973 in seconds
_DEEPEST: Final = 5
_NO_PYTHON: Final = (ValueError, SyntaxError, MemoryError, RecursionError)


class BadLine(ValueError):
    """A line that isn't JSON, in a JSON file; `row` counts from 1."""

    def __init__(self, row: int, why: str) -> None:
        super().__init__(why)
        self.row = row


def labels_of(lines: Sequence[str]) -> Labels:
    """Find how the first lines of a file name their numbers."""
    first = "".join(line[:_LONGEST] for line in lines[:40]).lstrip()
    if re.match(r"\[\s*[\[{]", first):
        return "document"
    if first.startswith("{"):
        each = all(line.strip()[:1] == "{" and line.strip()[-1:] == "}" for line in lines[:-1])
        alone = len(lines) == 1 and re.search(r"\[|\"1\"\s*:|\}\s*\{", lines[0]) is not None
        return "json" if each and lines[-1].strip()[:1] == "{" and not alone else "document"
    some = [line for line in lines[-_MOST:] if line.strip()[:1] != "#"]
    enough = _ENOUGH * len(some)
    if some and sum(1 for line in some if _POINT.fullmatch(line.strip())) >= enough:
        return "points"
    keys = [tuple(_one(line)) for line in some]
    usual = max(set(keys), key=keys.count, default=())
    marked = sum(1 for line in some if named(line)) >= enough
    headed = not marked and tuple(_one(lines[0])) != usual  # columns, below names of their own
    several = len(usual) - ("time" in usual) > (not marked)
    if several and len(usual) > 1 and keys.count(usual) >= enough and not headed:
        return "named"
    some = [line for line in some if line.strip(" -=*_\r\n")]  # not the lines between records
    names = [match[1] if (match := _LINE.fullmatch(line[:_LONGEST])) else "" for line in some]
    few = 1 < len(set(names)) <= 40 and "" not in names
    return "blocks" if few and names.count(names[0]) >= max(3, 0.8 * len(names) / len(set(names))) else ""


def cells_of(lines: Iterable[str], labels: Labels, last_line: int | None) -> Iterator[list[str]]:
    """Turn such lines, up to the last one wanted, into rows of cells, names first.

    A line that says nothing becomes an empty row. BadLine: not JSON, or no rows in it.
    """
    lines = itertools.islice(lines, last_line)
    rows: Iterator[dict[str, str]]
    if labels == "document":
        rows = _rows_in("".join(lines), cut=last_line is not None)
    elif labels == "json":
        rows = (_flat(_decoded(line, n)) if line.strip() else {} for n, line in enumerate(lines, 1))
    elif labels == "blocks":
        rows = _blocks(lines)
    elif labels == "points":
        rows = (row for line in lines for row in _points(line.strip()))
    else:
        rows = (_one(line) for line in lines)
    some = list(itertools.islice(rows, _MOST))
    names = list(dict.fromkeys(name for one in some for name in one))
    yield names
    for one in itertools.chain(some, rows):
        yield [one.get(name, "") for name in names] if one else []


def without_arrows(lines: Iterable[str], delimiter: str) -> Iterator[str]:
    """Make a terminal's time stamp (`10:00:00.123 -> 20.5,21.0`) a column of its own."""
    for line in lines:
        match = _STAMP.match(line)
        yield f"{match[1] or match[2]}{delimiter}{line[match.end() :]}" if match else line


def has_arrows(lines: Sequence[str]) -> bool:
    """Whether most lines begin with a terminal's time stamp and arrow."""
    return sum(1 for line in lines if _STAMP.match(line)) > len(lines) // 2


def _pairs_in(text: str) -> dict[str, str]:
    """Find each name (with its unit) and value in a line such as `T1=21.5 T2=22.0`, or `T1 21.5 T2 OPEN`."""
    found = named(text) or in_turn(text)
    if any(field.key.lower() in _NO_NAME for field in found):
        return {}
    return {
        f"{f.key} ({f.unit})" if f.unit and unit_in(f.key)[1] is None else f.key: f.text or "" for f in found
    }


def _one(line: str) -> dict[str, str]:
    text = line.strip()[:_LONGEST]
    when = _WHEN.search(text) or _LEADS.match(text)
    if when is None:
        return _pairs_in(text)
    pairs = _pairs_in(f"{text[: when.start()]} {text[when.end() :]}".strip(" ,;:[]()|"))
    return {"time": when[when.lastindex or 0]} | pairs if pairs else {}


def _blocks(lines: Iterable[str]) -> Iterator[dict[str, str]]:
    row: dict[str, str] = {}
    for match in (match for line in lines if (match := _LINE.fullmatch(line[:_LONGEST]))):
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


# --- JSON ---------------------------------------------------------------------------------------------------


def _decoded(text: str, row: int) -> Any:
    """Read one document, in JSON or as Python prints it."""
    try:
        return json.loads(text)
    except json.JSONDecodeError as exc:
        with contextlib.suppress(*_NO_PYTHON):
            return ast.literal_eval(text.strip())
        raise BadLine(row, exc.msg) from exc


def _rows_in(text: str, *, cut: bool) -> Iterator[dict[str, str]]:
    """Find the rows in one document or several in a row; BadLine: not JSON, or no rows in it.

    `cut`: only the part before its end is wanted, so a list may be left open.
    """
    found = _elements(text, cut=cut)
    rows = _rows(found[0] if len(found) == 1 and isinstance(found[0], dict) else found)
    if rows is None:
        raise BadLine(1, "its lists aren't a table: they differ in length")
    return map(_flat, rows)


def _elements(text: str, *, cut: bool) -> list[Any]:
    """Read the elements of a list, or several documents, one by one."""
    decoder = json.JSONDecoder()
    opened = text.lstrip("\ufeff \t\r\n").startswith("[")
    at = _BETWEEN.match(text, text.index("[") + 1 if opened else 0).end()  # type: ignore[union-attr]
    found: list[Any] = []
    while at < len(text) and text[at] != "]":
        try:
            one, end = decoder.raw_decode(text, at)
        except json.JSONDecodeError as exc:
            with contextlib.suppress(*_NO_PYTHON):
                whole = ast.literal_eval(text.strip())
                return list(whole) if isinstance(whole, (list, tuple)) else [whole]
            raise BadLine(text.count("\n", 0, at) + 1, exc.msg) from exc
        found.append(one)
        at = _BETWEEN.match(text, end).end()  # type: ignore[union-attr]
    if opened and at >= len(text) and not cut:
        raise BadLine(text.count("\n") + 1, "the list isn't closed")
    return found


def _rows(document: Any) -> list[dict[str, Any]] | None:
    """Find a document's rows, whatever its shape; None if it has none."""
    columns, data = (document.get(k) if isinstance(document, dict) else None for k in ("columns", "data"))
    if isinstance(columns, list) and isinstance(data, list):
        index = document.get("index") or [None] * len(data)
        of_index = "index" if all(isinstance(one, int) for one in index) else "time"
        names = [of_index, *map(str, columns)]
        return [dict(zip(names, [at, *row], strict=False)) for at, row in zip(index, data, strict=False)]
    if series := list(_series(document, 0)):
        pairs = [pair for _, values in series for pair in values[:9]]
        turned = all(_is_time(pair[1]) and not _is_time(pair[0]) for pair in pairs)
        return [
            {"time": pair[turned], "probe": name, "value": pair[not turned]}
            for name, values in series
            for pair in values
        ]
    if isinstance(document, dict):
        lists = (value for value in document.values() if isinstance(value, list))
        tables = [value for value in lists if value and isinstance(value[0], (dict, list))]
        return (_rows(tables[0]) if len(tables) == 1 else None) or _side_by_side(document)
    if all(isinstance(one, dict) for one in document):
        measured = document and all("v" in one or "bn" in one or "bt" in one for one in document)
        return _resolved(document) if measured else document
    if len(document) < 2 or not all(isinstance(one, list) for one in document):
        return None
    first = document[0]
    named = all(isinstance(cell, str) and not cell[:1].isdigit() for cell in first)
    names = first if named else [str(i) for i in range(1, len(first) + 1)]
    return [dict(zip(names, row, strict=False)) for row in document[named:]]


def _resolved(records: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Put base name, time, unit and value into each record (SenML, RFC 8428, section 4)."""
    base: dict[str, Any] = {}
    found = []
    for record in records:
        base |= {key: value for key, value in record.items() if key[:1] == "b"}
        if "v" not in record:
            continue
        unit = record.get("u", base.get("bu", ""))
        row = {"time": record.get("t", 0) + base.get("bt", 0), "probe": record.get("n", "") or base.get("bn")}
        row["value"] = record["v"] + base.get("bv", 0)
        found.append(row | ({"unit": "°C" if unit == "Cel" else unit} if unit else {}))
    return found


def _series(document: Any, depth: int) -> Iterator[tuple[str, list[Any]]]:
    """Find a probe's name and its pairs of time and value, wherever they are."""
    if depth > _DEEPEST or not isinstance(document, (dict, list)):
        return
    if isinstance(document, dict):
        for value in document.values():
            pairs = isinstance(value, list) and len(value) > 1
            if pairs and all(isinstance(one, list) and len(one) == 2 for one in value) and _name(document):
                yield _name(document), value
                return
    for one in document.values() if isinstance(document, dict) else document[:4096]:
        yield from _series(one, depth + 1)


def _name(series: Mapping[str, Any]) -> str:
    for key in ("name", "probe", "label", "target", "title", "id", "metric", "tags", "labels"):
        said = series.get(key)
        if isinstance(said, dict):
            said = " ".join(str(value) for name, value in said.items() if name[:2] != "__")
        if isinstance(said, str) and said:
            return said
    return ""


def _is_time(value: Any) -> bool:
    if isinstance(value, (int, float)):
        return value > _EPOCH
    return isinstance(value, str) and re.match(r"\d{4}-\d\d-\d\d", value) is not None


def _side_by_side(document: dict[str, Any]) -> list[dict[str, Any]] | None:
    """Read `{"time": [0, 10], "T1": [20, 21]}`, where lists may also be objects."""
    columns = {name: v for name, v in document.items() if isinstance(v, (list, dict))}
    most = max((len(column) for column in columns.values()), default=0)
    same = {name: column for name, column in columns.items() if len(column) == most}
    places = [list(c.items()) if isinstance(c, dict) else list(enumerate(c)) for c in same.values()]
    if len(same) < 2 or any([key for key, _ in one] != [key for key, _ in places[0]] for one in places):
        return None
    return [
        {name: value for name, (_, value) in zip(same, row, strict=True)} for row in zip(*places, strict=True)
    ]


def _flat(document: Any, way: str = "") -> dict[str, str]:
    """Return a document's innermost values by their paths."""
    if isinstance(document, str) and document.strip()[:1] == "{":  # a message within a message
        with contextlib.suppress(json.JSONDecodeError):
            return _flat(json.loads(document), way)
    if isinstance(document, str) and len(pairs := _pairs_in(document)) > 1:
        return pairs
    if isinstance(document, dict) and len(document) == 1 and next(iter(document))[:1] == "$":
        return _flat(next(iter(document.values())), way)  # {"$date": …}: a type, not a name
    if isinstance(document, dict):
        parts = [_flat(value, f"{way}.{key}" if way else str(key)) for key, value in document.items()]
    elif isinstance(document, list):
        parts = [_flat(value, f"{way}.{i}") for i, value in enumerate(document)]
    else:
        return {way: "" if document is None else str(document)}
    return {name: value for part in parts for name, value in part.items()}
