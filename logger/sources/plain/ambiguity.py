"""Settle by the lines around it what a board's line leaves open. No I/O, no clock."""

from __future__ import annotations

import itertools
import math
import re
from collections import Counter, deque
from dataclasses import replace
from typing import Final

from logger.sources.plain.counting import Count
from logger.sources.plain.numbers import (
    GROUP,
    MOST_FIELDS,
    Field,
    by_place,
    fields,
    is_json,
    is_judged,
    named,
    plain_text,
)

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
        self._hex = False
        self._ids = _Ids()
        self._commas = _Commas()
        self._takers = Takers()
        self._judged = False
        self._places = 0

    @property
    def trouble(self) -> str:
        """Why lines are ignored, in words that follow a port's name; else empty."""
        return self._trouble or (TWO_THINGS if self.waits else "")

    @property
    def in_turn(self) -> list[str]:
        """Those that have taken enough turns for their lines to be samples."""
        return [turn for turn, times in self.turns.items() if times >= TURNS]

    def fields(self, line: bytes, at_s: float | None = None) -> list[Field]:
        """Split a line that came `at_s`; see `numbers.fields`. Also empty while it `waits`."""
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
        self._judged = self._judged or is_judged(text)
        found = fields(line, self._decimal, judged=self._judged) or named(text)
        found = [f for f in self._whose(found) if not f.word or f.key.isdigit() or self._knows(f)]
        alone = len(found) == 1 and not self._knows(found[0]) and re.search(r"[=:]", text) is None
        if not any(_is_finite(f) for f in found) or (alone and re.search(r"[,;\t]", text) is not None):
            placed = by_place(text, self._decimal)
            if any(_is_finite(f) for f in placed) and all(self._knows(f) for f in placed):
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
        label, self._label = self._label, None
        if not found and not self.waits:
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
            if len(found) == 2:
                return [replace(found[1], key=word["word"])]
            return [replace(f, key=f"{word['word']}.{f.key}") for f in by_place(word["rest"], self._decimal)]
        found = self._with_empty_places(found, line)
        if self._decimal is None and text.count(",") == len(found) - 1 > 0:
            self._commas.take(text)
            if self._commas.sure:
                self._trouble = DECIMAL_COMMAS
                return []
            self.waits = self._commas.may_be
        if len(found) > 1 and all(f.value is not None for f in found[1:]):
            self._ids.take(found[0])
            if self._ids.sure and found[0].whole:
                self.turn = f"#{found[0].value:.0f}"
                if len(found) == 2:
                    return [replace(found[1], key=self.turn)]
                return [replace(f, key=f"{self.turn}.{i}") for i, f in enumerate(found[1:], 1)]
            self.waits = self.waits or self._ids.may_be
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
        return [replace(f, key=name if len(rest) == 1 else f"{name}.{f.key}") for f in rest]


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


def _is_finite(field: Field) -> bool:
    return field.value is not None and math.isfinite(field.value)


class _Ids:
    """Tells a probe's number before its value from a temperature: 0, 1, 2, 0, 1, 2, again and again.

    A lost line doesn't count against it; evidence for it is collected as long as lines come. `may_be`: it is
    still undecided.
    """

    MOST = 16
    WINDOW = 40

    def __init__(self) -> None:
        self.sure = self.may_be = False
        self._lines = 0
        self._came: deque[int] = deque(maxlen=self.WINDOW)

    def take(self, field: Field) -> None:
        """Take the first number of a line with two."""
        if self.sure or field.value is None:  # half a line
            return
        whole = field.whole and field.value >= 0
        self._lines += 1
        self._came.append(min(int(field.value), self.MOST + 1) if whole else -1)
        numbers = [n for n in self._came if n >= 0]
        low, top = min(numbers, default=0), max(numbers, default=0)
        back = low > 1 and any(b < a for a, b in itertools.pairwise(numbers))
        if 2 * len(numbers) <= len(self._came) or top > self.MOST or back:
            self.may_be = False
            return
        steps = list(itertools.pairwise(self._came))
        odd = sum(1 for a, b in steps if b != a + 1 and (a, b) != (top, low))
        rounds = steps.count((top, low)) if top > low else 0
        self.sure = low < 2 and rounds >= (2 if top - low > 1 else 4) and 8 * odd <= len(self._came) + 7
        self.may_be = not self.sure and self._lines < self.WINDOW and 4 * odd < len(self._came) + 3


class _Commas:
    """Tells 21,5,22,0 from four whole numbers: every second one has one digit, and jumps from line to line.

    `may_be`: it is still undecided.
    """

    PATIENCE = 10

    def __init__(self) -> None:
        self.sure, self.may_be = False, True
        self._warm = False
        self._before: list[int] = []
        self._leaps = self._lines = 0

    def take(self, text: str) -> None:
        """Take a line with only commas between its numbers."""
        if self.sure or not self.may_be:
            return
        parts = [part.strip() for part in text.split(",")]
        wholes, decimals = parts[::2], parts[1::2]
        digits = {len(decimal) for decimal in decimals}
        self.may_be = len(parts) % 2 == 0 and all(re.fullmatch(r"[-+]?\d+", part) for part in parts)
        if self.may_be and digits == {2} and any(decimal[0] == "0" for decimal in decimals):
            self.sure = not any(w.lstrip("+-")[0] == "0" and len(w) > 1 for w in wholes)
        self.may_be = self.may_be and digits == {1}
        if not self.may_be:
            return
        now = [int(d) for d in decimals]
        self._warm |= any(abs(int(w)) > 9 for w in wholes)
        self._leaps += any(abs(a - b) > 1 for a, b in zip(now, self._before, strict=False))
        self._before = now
        self._lines += 1
        self.sure = self._warm and self._leaps > 2
        self.may_be = self._lines < self.PATIENCE
