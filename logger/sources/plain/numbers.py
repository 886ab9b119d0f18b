"""Numbers in a line that some board prints, and which channel each one is. No I/O, reads no clock."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import msgspec

from logger.plan.sources import SourceChannel
from logger.reading import Sample

LONGEST_LINE: Final = 4096
"""A longer line is no sample. [bytes]"""
MOST_FIELDS: Final = 256
_NUMBER: Final = r"[-+]?(?:\d+(?:[.,]\d+)?|[.,]\d+)(?:[eE][-+]?\d+)?"
_BROKEN: Final = frozenset(
    {
        "nan",
        "-nan",
        "open",
        "oc",
        "ol",
        "nc",
        "err",
        "error",
        "fault",
        "fail",
        "---",
        "--",
        "----",
        "n/a",
        "null",
    }
)
"""What boards print where a thermocouple is broken or not there (common practice, no source)."""
_UNIT: Final = re.compile(r"\s*(?:°\s*|deg\s*)?([CFK])$")
_BARE: Final = re.compile(rf"({_NUMBER})\s*(?:°\s*[CFK]|deg\s*[CFK]|[CFK]|°)?", re.IGNORECASE)
_NAMED: Final = re.compile(
    r"(?P<name>[A-Za-z][\w.\-/#]*(?:\s[\w#]{1,12})?)\s*[=:]\s*"
    rf"(?P<value>{_NUMBER}(?![\w:])|[-A-Za-z/]{{2,5}})\s*(?P<unit>(?:°\s*|deg\s*)?[CFK]\b)?"
)
Unit = str
"""C, F or K."""


@dataclass(frozen=True, slots=True)
class Field:
    """One value of a line.

    Attributes
    ----------
    key : str
        Its name; its place, from "1", where the line names nothing; in JSON the way to it
        ("stack.0", lists count from 0).
    value : float or None
        As printed, in the board's unit; NaN where the board says that it has none; None where it is no
        number at all.
    unit : str or None
        C, F or K, where the line says so.
    """

    key: str
    value: float | None
    unit: Unit | None = None


def fields(line: bytes) -> list[Field]:
    """Take a line apart.

    Parameters
    ----------
    line : bytes
        Without its newline.

    Returns
    -------
    list of Field
        In their order; empty where there is no number in it, or it is a comment (#).
    """
    if len(line) > LONGEST_LINE:
        return []
    text = line.decode("utf-8", "replace").replace("\ufeff", "").replace("�", "°").strip().strip("\x00")
    if not text or text.startswith("#"):
        return []
    found = list(_from_json(text)) if text[0] in "{[" else _named(text) or _by_place(text)
    return found if any(f.value is not None for f in found) and len(found) <= MOST_FIELDS else []


def _from_json(text: str) -> Iterator[Field]:
    try:
        document = msgspec.json.decode(text)
    except (msgspec.DecodeError, RecursionError):
        return
    yield from leaves(document)


def leaves(document: Any, way: str = "", depth: int = 0) -> Iterator[Field]:
    """Give the values at the ends of a JSON document.

    Parameters
    ----------
    document : object
        As decoded.
    way : str, optional
        The way to it; its parts are joined by points.
    depth : int, optional
        Beyond 8 nothing is looked at.

    Yields
    ------
    Field
    """
    if depth > 8:
        return
    if isinstance(document, dict):
        for key, value in document.items():
            yield from leaves(value, f"{way}.{key}" if way else str(key), depth + 1)
    elif isinstance(document, list):
        for i, value in enumerate(document):
            yield from leaves(value, f"{way}.{i}" if way else str(i), depth + 1)
    elif isinstance(document, bool):
        return
    elif document is None:
        yield Field(way, math.nan)
    elif isinstance(document, int | float):
        yield Field(way, float(document) if abs(document) < 1e12 else None)
    elif isinstance(document, str):
        yield _value(way, document)


def _named(text: str) -> list[Field]:
    found = []
    for match in _NAMED.finditer(text):
        field = _value(match["name"].strip(), match["value"])
        unit = _UNIT.search(match["unit"]) if match["unit"] else None
        if field.value is not None:
            found.append(Field(field.key, field.value, unit[1].upper() if unit else None))
    return found


def _by_place(text: str) -> list[Field]:
    for mark in (";", "\t", ","):
        if mark in text:
            parts = text.rstrip(mark + " ").split(mark)
            break
    else:
        parts = re.sub(r"(?<=\d)\s+((?:°\s*)?[CFK])\b", r"\1", text).split()
    return [_value(str(i), part) for i, part in enumerate(parts, 1)]


def _value(key: str, text: str) -> Field:
    text = text.strip().strip('"')
    if text.lower() in _BROKEN:
        return Field(key, math.nan)
    match = _BARE.fullmatch(text)
    if match is None:
        return Field(key, None)
    unit = _UNIT.search(text.upper())
    number = float(match[1].replace(",", "."))
    return Field(key, number if math.isfinite(number) else math.nan, unit[1] if unit else None)


@dataclass(frozen=True, slots=True)
class Marked:
    """Which value is which channel.

    Attributes
    ----------
    channel : str
    key : str
        Of `Field`.
    unit : {'C', 'F', 'K'}, default 'C'
    scale, offset : float, default 1 and 0
        What it is multiplied by first (0.1 for tenths), and what is added then.
    broken : tuple of float, optional
        Values, as printed, that stand for a broken wire.
    """

    channel: str
    key: str
    unit: Unit = "C"
    scale: float = 1.0
    offset: float = 0.0
    broken: tuple[float, ...] = ()

    def sample(self, value: float) -> Sample:
        """Make a reading of a printed value.

        Parameters
        ----------
        value : float
            NaN where there is none.

        Returns
        -------
        Sample
            In °C; `open` for a broken wire, `range` for what no thermocouple can be at.
        """
        if math.isnan(value) or value in self.broken:
            return Sample(fault="open")
        number = value * self.scale + self.offset
        if self.unit == "F":
            number = (number - 32) / 1.8
        elif self.unit == "K":
            number -= 273.15
        return Sample(c=round(number, 6)) if abs(number) < 1e6 else Sample(fault="range")


def mark_of(channel: SourceChannel, unit: Unit, name: str | None = None) -> Marked:
    """Say how a channel of a plan's source is read.

    Parameters
    ----------
    channel : SourceChannel
    unit : {'C', 'F', 'K'}
        The source's, where the channel has none of its own.
    name : str, optional
        Where the plan leaves the channel's name to a topic.

    Returns
    -------
    Marked
    """
    return Marked(
        name or channel.name or "",
        str(channel.field if channel.field is not None else channel.path or ""),
        channel.unit or unit,
        channel.scale,
        channel.offset,
        tuple(channel.broken),
    )


class LineReader:
    """Turns a board's lines into samples.

    Parameters
    ----------
    marks : sequence of Marked
        Which values are channels; empty: every number is one, under its own name or as `n1`, `n2`, ….
    unit : {'C', 'F', 'K'}, default 'C'
        Where nothing is marked and the line doesn't say.

    Notes
    -----
    There is no checksum: what a line looks like is all that tells a whole one from half of one, or from what
    a board says while it starts. Lines with the same keys, one after another for `SETTLE_S`, settle what a
    sample is; a line with other keys is none. A board that prints otherwise is followed after `FOLLOW_S`.
    """

    SETTLE_S: Final = 0.4
    FOLLOW_S: Final = 5.0

    def __init__(self, marks: Sequence[Marked] = (), unit: Unit = "C") -> None:
        self._marks = tuple(marks)
        self._unit = unit
        self._settled: tuple[str, ...] | None = None
        self._before: tuple[str, ...] | None = None
        self._since_s = 0.0

    def sample(self, line: bytes, at_s: float) -> dict[str, Sample] | None:
        """Read a line.

        Parameters
        ----------
        line : bytes
        at_s : float
            When it came in. [s]

        Returns
        -------
        dict of str to Sample, or None
            By channel; None where the line is no sample: chatter, half a line, or the first of its kind.
        """
        found = fields(line)
        keys = tuple(f.key for f in found)
        if not keys:
            return None
        if keys != self._before:
            self._before, self._since_s = keys, at_s
        if keys != self._settled:
            if at_s - self._since_s < (self.SETTLE_S if self._settled is None else self.FOLLOW_S):
                return None
            self._settled = keys
        by_key = {f.key: f for f in found}
        if not self._marks:
            return {
                name: Marked(name, f.key, f.unit or self._unit).sample(f.value)
                for name, f in zip(channel_names(keys), found, strict=True)
                if f.value is not None
            } or None
        samples = {
            mark.channel: mark.sample(value)
            for mark in self._marks
            if mark.key in by_key and (value := by_key[mark.key].value) is not None
        }
        return samples or None


def offer(lines: Iterable[bytes]) -> dict[str, float]:
    """Find the numbers that a board prints again and again.

    Parameters
    ----------
    lines : iterable of bytes
        In their order.

    Returns
    -------
    dict of str to float
        By the name that its channel would have, the last value as printed (NaN: none); empty where fewer than
        three lines on end agree in their fields.
    """
    before: list[str] = []
    same, last = 0, dict[str, float]()
    for line in lines:
        found = fields(line)
        keys = [field.key for field in found]
        same = same + 1 if keys == before else 1
        before = keys
        if keys and same >= 3:
            names = channel_names(keys)
            last = {n: f.value for n, f in zip(names, found, strict=True) if f.value is not None}
    return last


def channel_names(keys: Sequence[str]) -> list[str]:
    """Make channels' names of a line's keys.

    Parameters
    ----------
    keys : sequence of str

    Returns
    -------
    list of str
        One for each, all different, each fit to be a channel's name.
    """
    names: list[str] = []
    for key in keys:
        plain = re.sub(r"[^A-Za-z0-9_.-]+", "_", key).strip("_.-")[:28] or "n"
        name = f"n{plain}" if plain[0].isdigit() else plain
        again = 1
        while name in names:
            again += 1
            name = f"{name[:28]}_{again}"
        names.append(name)
    return names
