"""JSON as rows with names: objects, lists of them, columns, and a series for each probe. Pure."""

from __future__ import annotations

import ast
import contextlib
import json
import re
from collections.abc import Iterator, Mapping
from typing import Any, Final

from logger.exchange.csv_labelled import BadLine, pairs_in

_BETWEEN: Final = re.compile(r"[\s,]*")
_EPOCH: Final = 1e8
"""A larger number is a time, and no temperature: 1973 in seconds."""
_DEEPEST: Final = 5


def decoded(text: str, row: int) -> Any:
    """Read one document, be it written as Python writes it."""
    try:
        return json.loads(text)
    except json.JSONDecodeError as exc:
        if (found := _as_python(text)) is not None:
            return found
        raise BadLine(row, exc.msg) from exc


def _as_python(text: str) -> Any:
    with contextlib.suppress(ValueError, SyntaxError, MemoryError, RecursionError):
        return ast.literal_eval(text.strip())
    return None


def rows_in(text: str, *, cut: bool) -> Iterator[dict[str, str]]:
    """Find the rows in a document, or in several one after another; BadLine: no JSON, or no rows in it.

    With `cut` somebody wants what stands before its end: a list may stay open.
    """
    try:
        document = json.loads(text)
    except json.JSONDecodeError:
        document = _elements(text, cut=cut)
    rows = _rows(document)
    if rows is None:
        raise BadLine(1, "its lists are no table: they are not as long as one another")
    return (flat(row) for row in rows)


def _elements(text: str, *, cut: bool) -> list[Any]:
    """Read a list's elements, or documents one after another, one by one."""
    decoder = json.JSONDecoder()
    opened = text.lstrip("\ufeff \t\r\n").startswith("[")
    at = _BETWEEN.match(text, text.index("[") + 1 if opened else 0).end()  # type: ignore[union-attr]
    found: list[Any] = []
    while at < len(text) and text[at] != "]":
        try:
            one, end = decoder.raw_decode(text, at)
        except json.JSONDecodeError as exc:
            if (whole := _as_python(text)) is not None:
                return list(whole) if isinstance(whole, (list, tuple)) else [whole]
            raise BadLine(text.count("\n", 0, at) + 1, exc.msg) from exc
        found.append(one)
        at = _BETWEEN.match(text, end).end()  # type: ignore[union-attr]
    if opened and at >= len(text) and not cut:
        raise BadLine(text.count("\n") + 1, "the list has no end")
    return found


def _rows(document: Any) -> list[dict[str, Any]] | None:
    if isinstance(document, list):
        return _of_list(document)
    if not isinstance(document, dict):
        return None
    if isinstance(document.get("columns"), list) and isinstance(document.get("data"), list):
        index = document.get("index") or [None] * len(document["data"])
        of_index = "index" if all(isinstance(one, int) for one in index) else "time"
        return [
            {of_index: at} | dict(zip(map(str, document["columns"]), row, strict=False))
            for at, row in zip(index, document["data"], strict=False)
        ]
    if series := list(_series(document, 0)):
        return _of_series(series)
    tables = [v for v in document.values() if isinstance(v, list) and v and isinstance(v[0], (dict, list))]
    if len(tables) == 1 and (found := _of_list(tables[0])):
        return found
    return _side_by_side(document)


def _of_list(values: list[Any]) -> list[dict[str, Any]] | None:
    if series := list(_series(values, 0)):
        return _of_series(series)
    objects = [one for one in values if isinstance(one, dict)]
    if len(objects) == len(values):
        measured = [one for one in objects if "v" in one or "bn" in one or "bt" in one]
        return _resolved(objects) if measured and len(measured) == len(objects) else objects
    rows = [one for one in values if isinstance(one, list)]
    if len(rows) < 2 or len(rows) < len(values):
        return None
    named = all(isinstance(cell, str) and not cell[:1].isdigit() for cell in rows[0])
    names = rows[0] if named else [str(i) for i in range(1, len(rows[0]) + 1)]
    return [dict(zip(names, row, strict=False)) for row in rows[named:]]


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
    """Find a probe's name and its pairs of time and value, wherever they stand."""
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


def _of_series(series: list[tuple[str, list[Any]]]) -> list[dict[str, Any]]:
    turned = all(_is_time(pair[1]) and not _is_time(pair[0]) for _, pairs in series for pair in pairs[:9])
    return [
        {"time": pair[turned], "probe": name, "value": pair[not turned]}
        for name, pairs in series
        for pair in pairs
    ]


def _is_time(value: Any) -> bool:
    if isinstance(value, (int, float)):
        return value > _EPOCH
    return isinstance(value, str) and re.match(r"\d{4}-\d\d-\d\d", value) is not None


def _side_by_side(document: dict[str, Any]) -> list[dict[str, Any]] | None:
    """Read `{"time": [0, 10], "T1": [20, 21]}`, also with objects for lists; or a list of objects in one."""
    columns = {name: v for name, v in document.items() if isinstance(v, (list, dict))}
    most = max((len(column) for column in columns.values()), default=0)
    same = {name: column for name, column in columns.items() if len(column) == most}
    places = [list(c.items()) if isinstance(c, dict) else list(enumerate(c)) for c in same.values()]
    if len(same) < 2 or any([key for key, _ in one] != [key for key, _ in places[0]] for one in places):
        return None
    return [
        {name: value for name, (_, value) in zip(same, row, strict=True)} for row in zip(*places, strict=True)
    ]


def flat(document: Any, way: str = "") -> dict[str, str]:
    """Give what stands at the ends of a document, by the way to it."""
    if isinstance(document, str) and document.strip()[:1] == "{":  # a message within a message
        with contextlib.suppress(json.JSONDecodeError):
            return flat(json.loads(document), way)
    if isinstance(document, str) and len(pairs := pairs_in(document)) > 1:
        return dict(pairs)
    if isinstance(document, dict) and len(document) == 1 and next(iter(document))[:1] == "$":
        return flat(next(iter(document.values())), way)  # {"$date": …}: a type, and no name
    if isinstance(document, dict):
        parts = [flat(value, f"{way}.{key}" if way else str(key)) for key, value in document.items()]
    elif isinstance(document, list):
        parts = [flat(value, f"{way}.{i}") for i, value in enumerate(document)]
    else:
        return {way: "" if document is None else str(document)}
    return {name: value for part in parts for name, value in part.items()}
