"""Numbers in a line that some board prints, and which channel each one is. No I/O, reads no clock."""

from __future__ import annotations

import dataclasses
import math
import re
from collections import Counter, deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
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
_SIGNS: Final = str.maketrans({"℃": "°C", "℉": "°F", "\ufeff": None, "\x00": None, "�": "°"})
_COLOUR: Final = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]|\x1b[()][A-Z0-9]")
"""What terminals take for colours and places (ECMA-48)."""
_AROUND: Final = re.compile(r"^[<>|$]+\s*|\s*\*[0-9A-F]{2}$|\s*[>|]+$")
"""A prompt, brackets, and the checksum at the end of instruments' sentences."""
_COUNTS: Final = frozenset(
    ("ts", "time", "timestamp", "ms", "millis", "micros", "uptime", "seq", "count", "counter")
)
"""Names of what is no temperature, but a board's clock or count (common practice, no source)."""
_UNIT: Final = re.compile(r"\s*(?:°\s*|deg\s*)?([CFK])$")
_BARE: Final = re.compile(rf"({_NUMBER})\s*(?:°\s*[CFK]|deg\s*[CFK]|[CFK]|°)?", re.IGNORECASE)
_NAMED: Final = re.compile(
    r"(?P<name>[A-Za-z][\w.\-/#]*(?:\s[\w#]{1,12})?)\s*[=:]\s*"
    rf"(?P<value>(?>{_NUMBER})(?![\d:])|[-A-Za-z/]{{2,5}})"
    r"(?:\s*(?P<unit>(?:°\s*|deg\s*)?[CFK](?![\w°])(?!\s*[=:]))|\s*(?P<other>%|(?:m?V|m?A|hPa|ppm|lux|W)\b)"
    r"|(?!\w))"
)
_ALONE: Final = re.compile(
    rf"(?P<name>[A-Za-z][\w.\-/#]*)[\s,;\t]+(?P<value>{_NUMBER})\s*(?P<unit>(?:°\s*|deg\s*)?[CFK])?"
)
"""A name and one number: CH1 21.5."""
_DECIMAL_COMMAS: Final = re.compile(r"[-+]?\d+,\d+(?:\s+[-+]?\d+,\d+)+")
_LABEL: Final = re.compile(r"[A-Za-z][\w.\-/# ]{0,27}")
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
    whole : bool
        Whether it was printed as a whole number.
    """

    key: str
    value: float | None
    unit: Unit | None = None
    whole: bool = dataclasses.field(default=False, compare=False)


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
    text = _COLOUR.sub("", line.decode("utf-8", "replace").translate(_SIGNS)).strip()
    position = re.match(r"\$G[A-Z]", text) is not None  # a satellite receiver's sentence (NMEA 0183)
    text = _AROUND.sub("", text).strip()
    if not text or position or text.startswith("#"):
        return []
    found = list(_from_json(text)) if text[0] in "{[" else []
    found = found or _named(text) or _alone(text) or _by_place(text)
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
        unit = next((u for key in ("unit", "units") if (u := _said(document.get(key))) is not None), None)
        for key, value in document.items():
            for leaf in leaves(value, f"{way}.{key}" if way else str(key), depth + 1):
                plain = leaf.unit is None and not isinstance(value, dict | list)
                yield replace(leaf, unit=unit) if plain and leaf.value is not None else leaf
    elif isinstance(document, list):
        for i, value in enumerate(document):
            yield from leaves(value, f"{way}.{i}" if way else str(i), depth + 1)
    elif isinstance(document, bool):
        return
    elif document is None:
        yield Field(way, math.nan)
    elif isinstance(document, int | float):
        number = float(document) if abs(document) < 1e12 else None
        yield Field(way, number, whole=isinstance(document, int))
    elif isinstance(document, str):
        yield _value(way, document)


def _said(word: object) -> Unit | None:
    """Read what {"value": 71.5, "unit": "F"} says of its unit."""
    match = re.fullmatch(r"(?:°|deg(?:rees?)?)?\s*([CFK])(?:elsius|ahrenheit|elvin)?", str(word), re.I)
    return match[1].upper() if match else None


def _alone(text: str) -> list[Field]:
    match = _ALONE.fullmatch(text)
    if match is None or match["name"].lower() in _BROKEN:
        return []
    unit = _UNIT.search((match["unit"] or "").upper())
    return [replace(_value(match["name"], match["value"]), unit=unit[1] if unit else None)]


def _named(text: str) -> list[Field]:
    found = []
    for match in _NAMED.finditer(text):
        field = _value(match["name"].strip(), match["value"])
        unit = _said(match["unit"] or field.key)
        if match["other"]:
            found.append(Field(field.key, None))
        elif field.value is not None:
            found.append(replace(field, unit=unit))
    return found


def _by_place(text: str) -> list[Field]:
    if _DECIMAL_COMMAS.fullmatch(text):
        return [_value(str(i), part) for i, part in enumerate(text.split(), 1)]
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
    number = number if math.isfinite(number) else math.nan
    return Field(key, number, unit[1] if unit else None, match[1].lstrip("+-").isdigit())


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
    sure : bool, default False
        Whether the unit is this one whatever the rig says.
    """

    channel: str
    key: str
    unit: Unit = "C"
    scale: float = 1.0
    offset: float = 0.0
    broken: tuple[float, ...] = ()
    sure: bool = False

    def sample(self, value: float, said: Unit | None = None) -> Sample:
        """Make a reading of a printed value.

        Parameters
        ----------
        value : float
            NaN where there is none.
        said : {'C', 'F', 'K'}, optional
            The unit that the rig says itself.

        Returns
        -------
        Sample
            In °C; `open` for a broken wire, `range` for what no thermocouple can be at.
        """
        if math.isnan(value) or value in self.broken:
            return Sample(fault="open")
        number = value * self.scale + self.offset
        unit = self.unit if self.sure else said or self.unit
        if unit == "F":
            number = (number - 32) / 1.8
        elif unit == "K":
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
        sure=channel.unit is not None,
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
    TURNS: Final = 3
    """How often a line that names one number must come before it is a sample beside others that do."""

    def __init__(self, marks: Sequence[Marked] = (), unit: Unit = "C") -> None:
        self._marks = tuple(marks)
        self._unit = unit
        self._settled: tuple[str, ...] | None = None
        self._before: tuple[str, ...] | None = None
        self._since_s = 0.0
        self._labels = _Labels()
        self._turns: dict[str, tuple[int, float]] = {}
        self._counts: dict[str, _Count] = {}

    @property
    def counts(self) -> tuple[str, ...]:
        """Names of numbers that only count, or tell the board's time: no channels unless marked."""
        return tuple(sorted(channel_names([key])[0] for key, count in self._counts.items() if count.counts))

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
        found = self._labels.fields(line)
        keys = tuple(f.key for f in found)
        if not keys:
            return None
        if len(self._counts) > 2 * MOST_FIELDS:  # names that never come again
            self._counts.clear()
            self._turns.clear()
        for field in found:
            self._counts.setdefault(field.key, _Count(field.key)).take(field)
        if not self._is_sample(keys, at_s):
            return None
        by_key = {f.key: f for f in found}
        if not self._marks:
            return {
                name: Marked(name, f.key, f.unit or self._unit).sample(f.value)
                for name, f in zip(channel_names(keys), found, strict=True)
                if f.value is not None and not self._counts[f.key].may_count
            } or None
        samples = {
            mark.channel: mark.sample(value, by_key[mark.key].unit)
            for mark in self._marks
            if mark.key in by_key and (value := by_key[mark.key].value) is not None
        }
        return samples or None

    def _is_sample(self, keys: tuple[str, ...], at_s: float) -> bool:
        if keys != self._before:
            self._before, self._since_s = keys, at_s
        if keys == self._settled:
            return True
        if len(keys) == 1 and not keys[0].isdigit() and (self._settled is None or len(self._settled) == 1):
            # T1: 21.5 on a line, T2: 22.0 on the next: each is a sample of one channel.
            times, first_s = self._turns.get(keys[0], (0, at_s))
            self._turns[keys[0]] = times + 1, first_s
            often = [key for key, (n, _) in self._turns.items() if n >= self.TURNS]
            if len(often) > 1 and keys[0] in often and at_s - first_s >= self.SETTLE_S:
                return True
        if at_s - self._since_s < (self.SETTLE_S if self._settled is None else self.FOLLOW_S):
            return False
        self._settled = keys
        return True


class _Labels:
    """Takes lines apart whose numbers stand below their names: `Top`, and `21.5` on the next line."""

    def __init__(self) -> None:
        self._label: str | None = None
        self._bare = False

    def fields(self, line: bytes) -> list[Field]:
        found = fields(line)
        label, self._label = self._label, None
        if not found:
            text = line.decode("ascii", "replace").strip().rstrip(":")
            self._label = text if _LABEL.fullmatch(text) else None
        elif len(found) == 1 and found[0].key == "1":
            self._bare = self._bare or label is None  # then words come now and then, and name nothing
            if label is not None and not self._bare:
                found = [replace(found[0], key=label)]
        return found


class _Count:
    """Tells a counter or a board's clock from a temperature: whole, and up by 1, or by 50 and more.

    What once moved otherwise is a temperature for good: one of whole degrees may climb like a counter.
    """

    def __init__(self, key: str) -> None:
        self._named = key.rsplit(".", 1)[-1].lower() in _COUNTS
        self._moved_otherwise = False
        self._last: float | None = None
        self._steps: deque[float] = deque(maxlen=6)

    def take(self, field: Field) -> None:
        value = field.value
        if value is None or not math.isfinite(value):
            self._steps.clear()
            self._last = None
            return
        if self._last is not None:
            step = value - self._last if field.whole else 0.0
            if step >= -1 or value > 0.5 * self._last:  # else it has begun again
                self._moved_otherwise |= step != 1 and step < 50
                self._steps.append(step)
        self._last = value

    @property
    def may_count(self) -> bool:
        """Whether all that came is a count's, even if it is little."""
        steps = self._steps
        if self._named or self._moved_otherwise:
            return self._named
        return bool(steps) and (all(s == 1 for s in steps) or all(s >= 50 for s in steps))

    @property
    def counts(self) -> bool:
        """Whether that is sure."""
        return self.may_count and (self._named or len(self._steps) > 2 or self._steps[-1] != 1)


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
    labels, turns, counts = _Labels(), Counter[str](), dict[str, _Count]()
    alone: dict[str, float] = {}
    for line in lines:
        found = labels.fields(line)
        keys = [field.key for field in found]
        for field in found:
            counts.setdefault(field.key, _Count(field.key)).take(field)
        if len(keys) == 1 and not keys[0].isdigit() and found[0].value is not None:
            turns[keys[0]] += 1
            alone[channel_names(keys)[0]] = found[0].value
        same = same + 1 if keys == before else 1
        before = keys or before
        if keys and same >= 3:
            names = channel_names(keys)
            last = {
                n: f.value
                for n, f in zip(names, found, strict=True)
                if f.value is not None and not counts[f.key].counts
            }
    in_turn = {channel_names([key])[0] for key, times in turns.items() if times >= LineReader.TURNS}
    return last or ({n: v for n, v in alone.items() if n in in_turn} if len(in_turn) > 1 else {})


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
