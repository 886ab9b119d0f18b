"""Numbers in a board's line, and which channel each one is. No I/O, reads no clock."""

from __future__ import annotations

import dataclasses
import itertools
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import msgspec

from logger.plan.sources import SourceChannel
from logger.reading import OTHER_DIGITS, Sample

LONGEST_LINE: Final = 4096
"""A longer line isn't a sample. [bytes]"""
MOST_FIELDS: Final = 256
MOST_IDS: Final = 16
IDS_WINDOW: Final = 40
_NUMBER: Final = r"[-+]?(?:\d+(?:[.,]\d+)?|[.,]\d+)(?:[eE][-+]?\d+)?"
_BROKEN: Final = (
    *("nan", "-nan", "inf", "open", "oc", "ol", "nc", "err", "error", "fault", "fail", "---", "--"),
    *("----", "n/a", "null", "none", "burnout", "disconnected", "unplugged", "unavailable", "unknown"),
)
"""What boards print if a thermocouple is broken or missing (common practice, no source)."""
_OPEN: Final = re.compile(
    rf"(?:(?:tc|probe|sensor)\s)?(?:{'|'.join(map(re.escape, sorted(_BROKEN, reverse=True)))})"
    r"(?:\s(?:circuit|tc|probe|sensor))?\s?\d{0,2}[!.]?",
    re.I,
)
"""The same with what may stand around it: TC open, open circuit, Err7!"""
_NO_DIGITS: Final = re.compile(r"[*?]{2,8}|-+\.-+")
"""What stands in the place of digits."""
_WORD: Final = re.compile(r"\D*\d{0,2}")
"""A word, a number of an error, or nothing."""
_SIGNS: Final = OTHER_DIGITS | str.maketrans({"℃": "°C", "℉": "°F", "\ufeff": None, "\x00": None, "�": "°"})
_COLOUR: Final = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]|\x1b[()][A-Z0-9]")
"""Terminal codes for colours and positions (ECMA-48)."""
_AROUND: Final = re.compile(
    r"^[<>|$(]+\s*|\s*\*[0-9A-F]{2}$|[\s,;]*\b(?:crc|chk|checksum)\s*[=:]?\s*[0-9A-F]+$|\s*[>|)]+$", re.I
)
"""A prompt, brackets, and the checksum at the end of an instrument's line."""
_TAG: Final = re.compile(r"<(\w+)>([^<>]*)</\1>")
"""<t1>21.5</t1>"""
_SIGNED: Final = re.compile(r"\b([A-Za-z]\w*)(?=[-+]\d+\.\d+\s?[CFK]\b)")
"""T1+0021.5C"""
_STAMP: Final = re.compile(
    r"(?:\d+[-/.]\d+[-/.]\d+[T ])?\d{1,2}:\d\d(?::\d\d(?:[.,]\d+)?)?\s+(?:->\s*)?(?=[-+]?\d|[A-Za-z-])"
)
"""The time before a number, with no mark between: 12:01:02.345 -> 21.5"""
_JUDGED: Final = re.compile(
    rf"({_NUMBER}(?:\s*(?:°\s*)?[CFK]\b)?)[\s,;]+(?:(OK|GOOD|VALID)|(BAD|INVALID)|(ERR|ERROR|FAULT|FAIL|FAILED))\b",
    re.I,
)
"""A number followed by a word that says whether it is good; FAULT could also be another probe's."""
_STATES: Final = frozenset({"status", "state", "st", "quality", "fault", "error", "err", "flag"})
_GOOD: Final = frozenset({"ok", "valid", "good", "connected"})
_BAD: Final = frozenset({"bad", "invalid", "err", "error", "fault", "fail", "failed", "open", "short"})
_BARE: Final = re.compile(rf"({_NUMBER})\s*(?:(?:°|deg)?\s*([CFK])|°)?", re.IGNORECASE)
_NAMED: Final = re.compile(
    r"(?<![\w=])(?P<name>[A-Za-z][\w.\-/#]*(?:\[\d+\]|\s[\w#]{1,12})?)[\"']?(?:\s*[(\[](?P<of>°?[CFK])[)\]])?\s*(?:=>|[=:])\s*[\"']?"
    rf"(?P<value>(?>{_NUMBER})(?![\d:])|[-A-Za-z/*?.!]{{1,12}}\d{{0,2}}(?!\w|\s*[=:]))"
    r"(?:\s*(?P<unit>(?:°\s*|deg\s*)?[CFK](?![\w°])(?!\s*[=:]))|\s*(?P<other>%|(?:m?V|m?A|hPa|ppm|lux|W)\b(?!\s*[=:]))"
    r"|(?!\w))"
)
_DECIMAL_COMMAS: Final = re.compile(r"[-+]?\d+,\d+(?:,?\s+[-+]?\d+,\d+)+")
"""21,5 22,0, and 21,5, 22,0: a comma without a space is a decimal comma."""
_PROBE: Final = re.compile(r"[A-Za-z][\w.\-/#{}=\"]*")
_SLASHES: Final = re.compile(r"[-+]?\d+\.\d+\s?[CFK]?(?:\s*/\s*[-+]?\d+\.\d+\s?[CFK]?)+")
_BY_NUMBER: Final = re.compile(
    rf"\[?(?P<number>\d{{1,3}})(?:\]\s*[:=]?|\s*(?:=|:(?=\s)))\s*(?P<value>{_NUMBER}|[-A-Za-z/]{{2,5}})"
    r"\s*(?P<unit>(?:°\s*|deg\s*)?[CFK])?(?:[\s,;|]+|$)"
)
"""1: 21.5, or [1] 21.5: a probe with only a number."""
GROUP: Final = re.compile(
    rf"(?P<name>[A-Za-z][\w\-/]*)\s*[:=]\s*(?P<rest>{_NUMBER}(?:\s*[,;\s]\s*{_NUMBER})+)"
)
"""A: 21.5, 22.0"""
OPEN_NUMBERS: Final = frozenset(
    (-127.0, 1372.0, 2047.75, 2048.0, 3276.7, 6553.5, 9999.0, 32767.0, -32768.0, 65535.0)
)
"""Numbers that boards print for an open input and that no probe in an open fire reads (common practice, no
source): the limits of amplifiers, 16-bit registers and the type K table."""
Unit = str
"""C, F or K."""


@dataclass(frozen=True, slots=True)
class Field:
    """One value in a line."""

    # its name; its place, from "1", if there are no names; in JSON its path ("stack.0", lists count from 0)
    key: str
    # as printed, in the board's unit; NaN if the board says that the input is open; None if it isn't a number
    value: float | None
    unit: Unit | None = None  # C, F or K, if the line says so
    whole: bool = dataclasses.field(default=False, compare=False)  # printed as a whole number
    text: str | None = dataclasses.field(default=None, compare=False)  # as printed

    @property
    def word(self) -> bool:
        """Whether a word, or an empty place, stands for the value."""
        return self.value is None and self.text is not None and _WORD.fullmatch(self.text) is not None


def seven_bits(line: bytes) -> bytes:
    """Remove the parity from a seven-bit line (7E1) read as eight: each byte has an even count of ones."""
    if len(line) > 4 and not line.isascii() and all(byte.bit_count() % 2 == 0 for byte in line):
        return bytes(byte & 0x7F for byte in line)
    return line


def is_text(line: bytes) -> bool:
    """Say whether a line is a text, with degree signs of any kind in it."""
    line = seven_bits(line)
    for sign in (b"\xc2\xb0", b"\xb0", b"\xdf", b"\xf8"):
        line = line.replace(sign, b"")
    if line.isascii():
        return True
    try:
        return line.decode("utf-8").isprintable()
    except UnicodeDecodeError:
        return False


def plain_text(line: bytes) -> str:
    """Decode a line, without colours, prompt, brackets and an instrument's checksum (see `seven_bits`).

    Empty if it is a comment (#), too long, or a position report.
    """
    if len(line) > LONGEST_LINE:
        return ""
    text = _COLOUR.sub("", seven_bits(line).decode("utf-8", "replace").translate(_SIGNS)).strip()
    if re.match(r"\$G[A-Z]", text) is not None:  # a satellite receiver's sentence (NMEA 0183)
        return ""
    text = _AROUND.sub("", _SIGNED.sub(r"\1=", _TAG.sub(r"\1=\2 ", text))).strip()
    return "" if text.startswith("#") else text


def fields(line: bytes, decimal: str | None = None, *, judged: bool = False) -> list[Field]:
    """Split a line, without its newline, into its values, in order.

    Empty if it has no number, or is a comment (#). A line like 21,5,22,0 has two temperatures with `decimal`
    ',' and four without. `judged`: the board is known to write a word after each number; see `is_judged`.
    """
    text = plain_text(line)
    if not text:
        return []
    found = from_json(text) if text[0] in "{[" else []
    if not found:
        text = _judged(text, judged or is_judged(text))
        ways = (_numbered, _group, named, in_turn)
        given = (some for way in ways for some in [way(text)] if any(f.value is not None for f in some))
        found = next(given, []) or by_place(text, decimal)
    return found if any(f.value is not None for f in found) and len(found) <= MOST_FIELDS else []


def is_judged(text: str) -> bool:
    """Whether a word after a number says that it is good: then another word may say the opposite."""
    return any(match[2] for match in _JUDGED.finditer(text))


def _judged(text: str, judged: bool) -> str:
    """Remove such words, and the numbers that they invalidate."""
    return _JUDGED.sub(
        lambda match: match[1] if match[2] else "nan" if match[3] or judged else match[0], text
    )


def in_turn(text: str) -> list[Field]:
    """Read CH1 21.5, and T1 21.5 T2 OPEN: alternating names and values."""
    within = text.strip(" ,;")
    parts = re.split(r"[\s,;]+", _with_units(re.sub(r"\bdeg\s*(?=[CFK]\b)", "°", within)))
    names, values = parts[::2], parts[1::2]
    if not len(names) == len(values) == len(set(names)):
        return []
    if not all(_PROBE.fullmatch(name) and name.lower() not in _BROKEN for name in names):
        return []
    found = [_value(name, value) for name, value in zip(names, values, strict=True)]
    if len(found) == 1 and (found[0].value != found[0].value or within != text):
        return []  # a word, or a place more, could be another probe's
    return found if all(field.value is not None for field in found) else []


def _with_units(text: str) -> str:
    """Put units right behind their numbers."""
    return re.sub(r"(?<=\d)\s+((?:°\s*)?[CFK])\b", r"\1", text)


def is_json(payload: bytes) -> bool:
    """Whether a message begins like an object or a list."""
    return payload.lstrip()[:1] in (b"{", b"[")


def from_json(text: str | bytes) -> list[Field]:
    """Find a document's values, with their paths ("stack.0"), down to depth 8; none if it can't be read."""
    try:
        return list(_leaves(msgspec.json.decode(text)))
    except (msgspec.DecodeError, RecursionError):
        return []


def _leaves(document: Any, way: str = "", depth: int = 0) -> Iterator[Field]:
    if depth > 8 or isinstance(document, bool):
        return
    if isinstance(document, list):
        for i, value in enumerate(document):
            yield from _leaves(value, f"{way}.{i}" if way else str(i), depth + 1)
    elif isinstance(document, dict):
        unit = next((u for key in ("unit", "units") if (u := _said(document.get(key))) is not None), None)
        bad = any(_takes_back(key, value) for key, value in document.items())
        for key, value in document.items():
            for leaf in _leaves(value, f"{way}.{key}" if way else str(key), depth + 1):
                if bad and key.lower() in _STATES:
                    leaf = replace(leaf, value=None)
                if leaf.unit is None and leaf.value is not None and not isinstance(value, dict | list):
                    said = unit or (_said(key) if len(key) > 1 else None)
                    leaf = replace(leaf, unit=said, value=math.nan if bad else leaf.value)
                yield leaf
    elif document is None:
        yield Field(way, math.nan)
    elif isinstance(document, int | float):
        number = float(document) if abs(document) < 1e12 else None
        yield Field(way, number, whole=isinstance(document, int), text=str(document))
    elif isinstance(document, str):
        yield _value(way, document)


def _takes_back(name: str, value: object) -> bool:
    """Say whether a state beside a number says that it is none: status=FAULT, or "ok": false."""
    return (name.lower() in _STATES and str(value).lower() in _BAD) or (
        name.lower() in _GOOD and value is False
    )


def _said(word: object) -> Unit | None:
    """Read the unit in {"value": 71.5, "unit": "F"}."""
    degrees = r"(?:°|deg(?:rees?)?)?\s*([CFK])(?:elsius|ahrenheit|elvin)?|temp(?:erature)?[_ ]?([CF])"
    match = re.fullmatch(degrees, str(word), re.I)
    return (match[1] or match[2]).upper() if match else None


def named(text: str) -> list[Field]:
    """Read T1=21.5 T2: OPEN, wherever that stands."""
    matches = [(match["name"].strip(), match) for match in _NAMED.finditer(text)]
    bad = any(_takes_back(name, match["value"]) for name, match in matches)
    found = []
    for name, match in matches:
        if name.lower() not in _STATES:
            field = _value(name, match["value"], match["unit"] or match["of"] or name)
            field = replace(field, value=math.nan, text="bad") if bad and field.value is not None else field
            found.append(Field(name, None) if match["other"] else field)
    return found


def _numbered(text: str) -> list[Field]:
    matches = list(_BY_NUMBER.finditer(text))
    if sum(len(match[0]) for match in matches) < len(text):
        return []
    return [_value(f"#{int(m['number'])}", m["value"], m["unit"] or "") for m in matches]


def _group(text: str) -> list[Field]:
    match = GROUP.fullmatch(text)
    return [replace(f, key=f"{match['name']}.{f.key}") for f in by_place(match["rest"])] if match else []


def by_place(text: str, decimal: str | None = None) -> list[Field]:
    """Split a line without names; see `fields`."""
    if _DECIMAL_COMMAS.fullmatch(text):
        return [_value(str(i), part.rstrip(",")) for i, part in enumerate(text.split(), 1)]
    marks = ";\t/," if _SLASHES.fullmatch(text) else ";\t,"
    mark = next((mark for mark in marks if mark in text), None)
    parts = _with_units(text).split() if mark is None else text.rstrip(f"{mark} ").split(mark)
    if mark is not None:
        parts[0] = _STAMP.sub("", parts[0].strip(), count=1)
    if mark == decimal == "," and len(parts) % 2 == 0:
        parts = [f"{whole},{part}" for whole, part in zip(parts[::2], parts[1::2], strict=True)]
    return [_value(str(i), part) for i, part in enumerate(parts, 1)]


def _value(key: str, text: str, said: str | None = None) -> Field:
    """Read a value; a unit `said` elsewhere overrides its own, even if empty."""
    text = text.strip().strip('"')
    if _OPEN.fullmatch(text) is not None or _NO_DIGITS.fullmatch(text) is not None:
        return Field(key, math.nan, _said(said), text=text)
    match = _BARE.fullmatch(text)
    if match is None:
        return Field(key, None, _said(said), text=text)
    number = float(match[1].replace(",", "."))
    unit = _said(match[2] if said is None else said)
    whole = match[1].lstrip("+-").isdigit()
    return Field(key, number if math.isfinite(number) else math.nan, unit, whole, text)


def are_ids(came: Sequence[int], most: int = MOST_IDS) -> bool | None:
    """Tell probes' numbers before their values from temperatures: 0, 1, 2, 0, 1, 2, again and again.

    `came` are lines' first numbers, −1 for one that isn't whole, and none above `most`; None: still
    undecided, in less than `IDS_WINDOW`. A lost line doesn't count against it.
    """
    numbers = [n for n in came if n >= 0]
    low, top = min(numbers, default=0), max(numbers, default=0)
    back = low > 1 and any(b < a for a, b in itertools.pairwise(numbers))
    if 2 * len(numbers) <= len(came) or top > most or back:
        return False
    steps = list(itertools.pairwise(came))
    odd = sum(1 for a, b in steps if b != a + 1 and (a, b) != (top, low))
    rounds = steps.count((top, low)) if top > low else 0
    if low < 2 and rounds >= (2 if top - low > 1 else 4) and 8 * odd <= len(came) + 7:
        return True
    return None if len(came) < IDS_WINDOW and 4 * odd < len(came) + 3 else False


def as_reading(channel: SourceChannel, value: float, unit: Unit) -> Sample:
    """Convert a number (NaN: open) to °C as its channel says; `unit` is for one that says none.

    `open` for a broken wire, `range` for a temperature that no thermocouple can have.
    """
    if math.isnan(value) or value in channel.broken:
        return Sample(fault="open")
    number = value * channel.scale + channel.offset
    unit = channel.unit or unit
    if unit == "F":
        number = (number - 32) / 1.8
    elif unit == "K":
        number -= 273.15
    return Sample(c=round(number, 6)) if abs(number) < 1e6 else Sample(fault="range")


class Printed:
    """Converts what boards print, whose numbers can also mean an open input, unless the plan says more.

    −1 is one of these (common practice, no source), but for a probe that has been within 15 degrees of it: a
    frosty morning. `unit` is for numbers whose unit neither plan nor line says.
    """

    def __init__(self, unit: Unit) -> None:
        self._unit = unit
        self._near: set[str] = set()

    def reading(self, name: str, channel: SourceChannel, value: float, said: Unit | None) -> Sample:
        """Convert a number (NaN: open) of the channel that is called so, in the unit that the rig `said`."""
        if channel.scale == 1 and channel.offset == 0 and not channel.broken:
            if value in OPEN_NUMBERS or (value == -1 and name not in self._near):
                value = math.nan
            elif abs(value + 1) < 15 and len(self._near) < MOST_FIELDS:
                self._near.add(name)
        return as_reading(channel, value, said or self._unit)


def channel_names(keys: Sequence[str]) -> list[str]:
    """Turn a line's keys into channel names: one for each, all different and valid."""
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
