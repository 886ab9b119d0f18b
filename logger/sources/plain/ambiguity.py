"""Settle by the lines around it what a board's line leaves open. No I/O, no clock."""

from __future__ import annotations

import math
import re
from collections import Counter, deque
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from logger.conversion.printed import (
    GROUP,
    IDS_WINDOW,
    MOST_FIELDS,
    MOST_IDS,
    Field,
    Unit,
    are_ids,
    by_place,
    fields,
    is_json,
    is_judged,
    named,
    plain_text,
)
from logger.sources.plain.counting import Count

DECIMAL_COMMAS: Final = (
    "prints decimal commas, and also commas between the numbers; have it print points, or ; between the "
    'numbers, or put decimal = "," into the plan\'s [[source]]'
)
TWO_THINGS: Final = (
    "prints lines that can still mean two things: a probe's number before its value or two values, a decimal "
    "comma or one between numbers; a few more lines will tell"
)
HEXADECIMAL: Final = "prints hexadecimal numbers; have it print degrees"
_LABEL: Final = re.compile(r"[A-Za-z][\w.\-/# ]{0,27}")
_WORD_FIRST: Final = re.compile(r"(?P<word>[^\s,;]+?):?(?:\s*[,;]\s*|\s+)(?P<rest>.+)")
_TIME: Final = re.compile(r"\W*\d+(?::|[./-]\d+[./-])\d.*|(?!\d{10})[-+]?[\d.,]+[%A-Za-z/]{0,4}")
"""A time, a count, or a number and its unit: no probe's name."""
_HEX: Final = re.compile(r"(?:(?:0x)?(?:[0-9A-F]{4}|[0-9A-F]{8})(?:[,;\s]+|$))+", re.I)
_WHO: Final = re.compile(
    r"((sensor|probe|node)?[_ -]?(id|addr(ess)?|rom|idx|index|no|nr|num(ber)?|name|label))|ch(an(nel)?)?|"
    r"sensor|probe|node|location|position|place",
    re.I,
)
"""Names of what says which probe a line is about (common practice, no source)."""
_UNIT_IN_NAME: Final = re.compile(r".*(?:(?P<bare>_)|[(\[°]|deg\s?)(?P<unit>[CF])[)\]]?")
"""T1 (°F), or T1_F; K would also be a thermocouple's type."""
_COMMENT_F: Final = re.compile(rb"\s*#(?!.*(?:celsius|[^a-z]c\b)).*(?:fahrenheit|(?:\xb0|deg\w*\s)f\b)", re.I)
TURNS: Final = 3
"""How often a line that names one probe, or one board, must come before it counts as a sample."""


class Lines:
    """Splits lines whose meaning only shows from the lines around them.

    Names above their numbers; `1,21.5` then `2,22.0`; `north 21.5 22.0` then `south 26.5 27.0`; decimal
    commas between commas; hexadecimal numbers. `waits`: the last line can mean two things, and more must
    come. `turn`: whose line the last one was, if several probes or boards take turns, and `turns` how often
    each did. `counts`: which of the numbers, by their keys, only count.
    """

    def __init__(self, decimal: str | None = None) -> None:
        self.waits, self.turn = False, ""
        self.turns: Counter[str] = Counter()
        self.counts: dict[str, Count] = {}
        self._trouble = ""
        self._decimal = decimal
        self._label: str | None = None
        self._bare = False
        self.units: list[Unit | None] = []
        """By place, as names above the numbers say; empty if none did."""
        self._all_f = False  # a comment said so
        self._hex = False
        self._first: deque[int] = deque(maxlen=IDS_WINDOW)
        self._ids: bool | None = False
        self._with_commas: list[str] = []
        self._commas: bool | None = None
        self._takers = Takers()
        self._judged = False
        self._places = 0

    @property
    def trouble(self) -> str:
        """Why lines are ignored, in words that follow a port's name; else empty."""
        return self._trouble or (TWO_THINGS if self.waits else "")

    @property
    def names_f(self) -> bool:
        """Whether names above the numbers, or a comment, say °F."""
        return self._all_f or "F" in self.units

    @property
    def in_turn(self) -> list[str]:
        """Those that have taken enough turns for their lines to be samples."""
        return [turn for turn, times in self.turns.items() if times >= TURNS]

    def fields(self, line: bytes, at_s: float | None = None) -> list[Field]:
        """Split a line that came `at_s`; see `printed.fields`. Also empty while it `waits`."""
        found = self._fields(line)
        if self.waits:
            return []
        if len(self.counts) > 2 * MOST_FIELDS:  # names that never come again
            self.counts.clear()
            self.turns.clear()
        counts = [self.counts.setdefault(field.key, Count(field.key)) for field in found]
        torn = bool(found) and counts[-1].torn(found[-1]) and not is_json(line)
        found = [self._told(field) for field in found]
        for count, field in zip(counts, found, strict=True):
            count.take(field, at_s)
        if len(found) > 1 and found[-1].whole and found[-1].key.isdigit():
            counts[-1].check(found[-1].value, line.rstrip()[: -len(found[-1].text or "")])
        if found and self.turn:
            self.turns[self.turn] += 1
        return [*found[:-1], replace(found[-1], value=None)] if torn else found

    def _knows(self, field: Field) -> bool:
        """Say whether a number came by that name before."""
        return field.key in self.counts and self.counts[field.key].came

    def _told(self, field: Field) -> Field:
        """A word in the place of a number that came before: there is none now, whatever the word."""
        return replace(field, value=math.nan) if field.word and self._knows(field) else field

    def _fields(self, line: bytes) -> list[Field]:
        self.waits, self.turn = False, ""
        text = plain_text(line)
        self._all_f = self._all_f or (not text and _COMMENT_F.match(line) is not None)
        self._judged = self._judged or is_judged(text)
        found = fields(line, self._decimal, judged=self._judged) or named(text)
        found = [f for f in self._whose(found) if not f.word or f.key.isdigit() or self._knows(f)]
        alone = len(found) == 1 and not self._knows(found[0]) and not re.search(r"[=:]", text)
        if not any(map(_is_finite, found)) or (alone and re.search(r"[,;\t]", text)):
            placed = by_place(text, self._decimal)
            if any(map(_is_finite, placed)) and all(map(self._knows, placed)):
                found = placed  # 21.5,FAULT: open,22.0, or E1,22.0
            elif any(f.value is None for f in found) and any(
                (f.value is None) == self._knows(f) for f in found if f.key.isdigit()
            ):
                found = []  # words of a sentence
        if _HEX.fullmatch(text) and (self._hex or re.search(r"0x|\d[A-F]|[A-F]\d", text, re.I)):
            self._hex, self._trouble = True, HEXADECIMAL
            return []
        if found and all(field.key.isdigit() for field in found):
            found = self._by_place(found, text, line)
        if self._all_f:
            found = [replace(f, unit=f.unit or "F") for f in found]
        elif len(found) == len(self.units) and all(f.key.isdigit() for f in found):
            found = [replace(f, unit=f.unit or u) for f, u in zip(found, self.units, strict=True)]
        label, self._label = self._label, None
        if not found and not self.waits:
            self.units = _units_above(text) or self.units
            self._label = text.rstrip(":") if _LABEL.fullmatch(text.rstrip(":")) else None
        elif len(found) == 1 and found[0].key == "1":
            self._bare = self._bare or label is None  # then words only come now and then, and aren't names
            if label is not None and not self._bare:
                found = [replace(found[0], key=label)]
        if len(found) == 1 and not found[0].key.isdigit():
            self.turn = found[0].key
        elif (group := GROUP.fullmatch(text)) is not None:
            self.turn = group["name"]
        return found

    def _with_empty_places(self, found: list[Field], line: bytes) -> list[Field]:
        """Count the empty places before the first tab or behind the last mark, where there were numbers."""
        missing = self._places - len(found)
        first = len(line) - len(line.lstrip(b"\t"))
        if 0 < missing <= first:
            found = [replace(f, key=str(int(f.key) + missing)) for f in found]
            found = [Field(str(i), None, text="") for i in range(1, missing + 1)] + found
        elif 0 < missing <= sum(byte in b"\t,;" for byte in line[len(line.rstrip(b"\t,; \r")) :]):
            found += [Field(str(i), None, text="") for i in range(len(found) + 1, self._places + 1)]
        self._places = max(self._places, len(found))
        return found

    def _by_place(self, found: list[Field], text: str, line: bytes) -> list[Field]:
        word = _WORD_FIRST.fullmatch(text) if found[0].value is None and len(found) > 1 else None
        if (
            word is not None
            and not _TIME.fullmatch(word["word"])
            and all(f.value is not None for f in found[1:])
        ):
            if not self._takes_turns(word["word"]):
                return found  # one board's fixed word
            return _of(word["word"], by_place(word["rest"], self._decimal))
        found = self._with_empty_places(found, line)
        if self._decimal is None and text.count(",") == len(found) - 1 > 0:
            if self._commas is None:
                self._with_commas.append(text)
                self._commas = _are_decimal_commas(self._with_commas)
            if self._commas:
                self._trouble = DECIMAL_COMMAS
                return []
            self.waits = self._commas is None
        if len(found) > 1 and all(f.value is not None for f in found[1:]):
            number = found[0].value
            if not self._ids and number is not None:  # else half a line
                id_like = found[0].whole and number >= 0
                self._first.append(min(int(number), MOST_IDS + 1) if id_like else -1)
                self._ids = are_ids(self._first)
            if self._ids and found[0].whole:
                self.turn = f"#{found[0].value:.0f}"
                return _of(self.turn, [replace(f, key=str(i)) for i, f in enumerate(found[1:], 1)])
            self.waits = self.waits or self._ids is None
        return found

    def _takes_turns(self, word: str) -> bool:
        """Count whose line it is; whether several take turns. It `waits` where that is open."""
        self._takers.take(word)
        self.turn, self.waits = word if self._takers.sure else "", self._takers.waits
        return self._takers.sure

    def _whose(self, found: list[Field]) -> list[Field]:
        """Read {"ch": 1, "temp": 21.5}, then {"ch": 2, "temp": 22.0}: each line says whose it is."""
        who = [f for f in found if says_who(f) and not (self._knows(f) and self.counts[f.key].fractions)]
        rest = [f for f in found if f not in who and f.value is not None and not Count(f.key).counts]
        if len(who) != 1 or not rest or (who[0].whole and all(f.whole for f in rest)):
            return found
        name = f"#{who[0].text}" if who[0].whole else str(who[0].text)
        if not self._takes_turns(name):
            return [f for f in found if f not in who]
        return _of(name, rest)


class Takers:
    """Tells who takes turns: words that come again and again, and change more often than a state does."""

    MOST: Final = 32

    def __init__(self) -> None:
        self.came: Counter[str] = Counter()
        self._before = ""
        self._changes = self._lines = 0

    def take(self, word: str) -> None:
        """Take a word."""
        self._lines += 1
        self._changes += self._before not in ("", word)
        self._before = word
        if len(self.came) < self.MOST or word in self.came:
            self.came[word] += 1

    @property
    def sure(self) -> bool:
        """Whether several take turns; `MOST` words are a count of messages."""
        again = sum(1 for times in self.came.values() if times > 1)
        return again > 1 and len(self.came) < self.MOST and self._changes >= max(3, self._lines / 4)

    @property
    def waits(self) -> bool:
        """Whether that is open still."""
        return not self.sure and self._lines < 4


def says_who(field: Field) -> bool:
    """Say whether a value names a probe: {"ch": 1}, {"id": "28ff01"}."""
    named = _WHO.fullmatch(field.key.rsplit(".", 1)[-1]) is not None
    return named and bool(field.text) and (field.whole or field.value is None)


def _units_above(names: str) -> list[Unit | None]:
    """Read the units in `time,T1 (°F),T2 (°F)`.

    T1_F could also mean the front, unless all names but the first end like that.
    """
    parts = [_UNIT_IN_NAME.fullmatch(part.strip().strip('"')) for part in re.split("[,;\t]", names)]
    sure = len(parts) > 1 and all(parts[1:])
    units = [part["unit"] if part and (sure or not part["bare"]) else None for part in parts]
    return units if any(units) else []


def _of(turn: str, values: Sequence[Field]) -> list[Field]:
    """Name values after the probe, or the board of several, whose line it is."""
    return [replace(f, key=turn if len(values) == 1 else f"{turn}.{f.key}") for f in values]


def _is_finite(field: Field) -> bool:
    return field.value is not None and math.isfinite(field.value)


_PATIENCE: Final = 10


def _are_decimal_commas(lines: Sequence[str]) -> bool | None:
    """Tell 21,5,22,0 from four whole numbers: every second one has one digit, and jumps from line to line.

    None: still undecided.
    """
    warm, leaps, before = False, 0, list[int]()
    for line in lines:
        parts = [part.strip() for part in line.split(",")]
        wholes, decimals = parts[::2], parts[1::2]
        if len(parts) % 2 or not all(re.fullmatch(r"[-+]?\d+", part) for part in parts):
            return False
        digits = {len(decimal) for decimal in decimals}
        if digits == {2} and any(decimal[0] == "0" for decimal in decimals):
            return not any(w.lstrip("+-")[0] == "0" and len(w) > 1 for w in wholes)
        if digits != {1}:
            return False
        now = [int(d) for d in decimals]
        warm |= any(abs(int(w)) > 9 for w in wholes)
        leaps += any(abs(a - b) > 1 for a, b in zip(now, before, strict=False))
        before = now
    return True if warm and leaps > 2 else None if len(lines) < _PATIENCE else False
