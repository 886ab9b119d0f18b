"""Numbers and cells in CSV files: decimal marks, thousands separators, words in place of numbers. Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

import numpy as np

from logger.exchange.csv_table import CsvOptions, Hint, Table, shown
from logger.exchange.csv_words import ERROR_WORDS, NO_READING, OPEN_WORDS
from logger.reading import Floats, Status

_SPACED: Final = r"|\d{1,3}(?:[ \u00a0\u202f'’]\d{3})+)?"
_POWER: Final = r"(?:[ed][+-]?\d{1,3})?"
_POINT: Final = re.compile(
    rf"[+\-]?(?=[.,]?\d)(?:\d+|\d{{1,3}}(?:,\d{{3}})+{_SPACED}(?:\.\d*)?{_POWER}", re.I
)
_COMMA: Final = re.compile(
    rf"[+\-]?(?=[.,]?\d)(?:\d+|\d{{1,3}}(?:\.\d{{3}})+{_SPACED}(?:,\d*)?{_POWER}", re.I
)
_SPACES: Final = re.compile(r"[\s'’]")
_AFTER: Final = re.compile(r"(?<=\d)(?:e[+\-]?\d{1,3}|\s*[°º]?\s?[CFK℃℉])$", re.I)
"""What may follow a number: its exponent, or its unit."""
_THREE: Final = re.compile(r"[+\-−]?[1-9]\d{0,2},\d{3}")
_WITH_COMMA: Final = re.compile(r"[+\-−]?\d+,\d+")
_WITH_POINT: Final = re.compile(r"[+\-−]?(?:\d+|\d{1,3}(?:,\d{3})+)\.\d+")
_GROUPED: Final = re.compile(r"[+\-−]?\d{1,3}(?:\.\d{3})+,\d+")
_BOTH: Final = re.compile(r"[+\-−]?\d{1,3}(?:,\d{3})+\.\d+")
_ERROR: Final = re.compile(r"(?:e|err|error|fault|f)[ .:#\-]?\d{1,3}", re.I)
_BEYOND: Final = re.compile(r"[<>≤≥]=? ?[+\-]?\d+(?:[.,]\d+)?(?: ?°?[cf])?")
"""Above or below what the instrument can read: >1200."""
_OTHER_COMMA: Final = re.compile(r"[+\-]?\d+,(?:\d{1,2}|\d{4,})")


def as_number(cell: str, decimal: str) -> float | None:
    """Read a number; None if it isn't one.

    The one of point and comma that isn't `decimal` may separate thousands, in groups of three digits.
    """
    text = cell.strip().replace("−", "-").removeprefix("'")
    if text[:1] in ("+", "-"):
        text = text[0] + text[1:].lstrip()
    pattern = _COMMA if decimal == "," else _POINT
    if len(text) > 40 or not pattern.fullmatch(text):
        return None
    text = text.replace(".", "").replace(",", ".") if decimal == "," else text.replace(",", "")
    return float(_SPACES.sub("", text).lower().replace("d", "e"))


def numbers_in(table: Table, i: int) -> list[float]:
    """Return the numbers in a column's first rows."""
    found = (as_number(cell, table.decimal) for cell in table.cells(i))
    return [number for number in found if number is not None]


def find_decimal(table: Table, options: CsvOptions) -> str:
    """Find a table's decimal mark, point or comma; CsvError: it could be either, as in 1,234 alone."""
    if options.decimal is not None:
        if options.decimal not in (".", ","):
            raise table.refuse(f"--decimal {options.decimal!r}: must be '.' or ','", code="decimal")
        return options.decimal
    if table.own or (table.delimiter == "," and not any("," in c for _, row in table.head for c in row)):
        return "."
    sample = [
        (number, j, _AFTER.sub("", cell.strip())) for number, row in table.head for j, cell in enumerate(row)
    ]
    texts = [cell for *_, cell in sample]
    commas = [place for place in sample if _WITH_COMMA.fullmatch(place[2])]
    points = sum(1 for text in texts if _WITH_POINT.fullmatch(text))
    grouped = any(_GROUPED.fullmatch(text) for text in texts)
    if not commas and not grouped:
        return "."
    if not grouped and not points and all(_THREE.fullmatch(cell) for *_, cell in commas):
        return _thousands_or_decimals(table, commas, sample)
    if not grouped and (len(commas) <= points or any(_BOTH.fullmatch(text) for text in texts)):
        return "."
    table.guesses.append("numbers have a decimal comma")
    return ","


def _thousands_or_decimals(
    table: Table, commas: Sequence[tuple[int, int, str]], sample: Sequence[tuple[int, int, str]]
) -> str:
    """Decide what 1,234 is if every number with a comma has three digits after it, and none has a point."""
    columns = {j for _, j, _ in commas}
    whole = {j for _, j, cell in sample if j in columns and re.fullmatch(r"\d{1,3}", cell) and cell != "0"}
    if whole == columns:  # 950 is in the same column: 950, 975, 1,000
        table.guesses.append("commas separate thousands")
        return "."
    number, column, cell = commas[0]
    what = f"the comma in {shown(cell)} may separate thousands or decimals; say which with"
    thousands = Hint("decimal", ".", "if it separates thousands")
    decimals = Hint("decimal", ",", "if it is a decimal comma")
    raise table.refuse(what, thousands, decimals, row=number, column=column, code="decimal-or-thousands")


def plain_floats(cells: Sequence[str]) -> Floats | None:
    """Read cells that are all plain numbers with points, or empty (NaN); None if one isn't."""
    try:
        values = np.array([float(cell or "nan") for cell in cells])
    except ValueError:
        return None
    return None if "_" in "".join(cells) else values


def is_number(cell: str) -> bool:
    """Whether a cell is a number with either decimal mark."""
    return as_number(cell, ".") is not None or as_number(cell, ",") is not None


def is_word(cell: str, decimal: str) -> bool:
    """Whether a cell has neither a number nor a digit."""
    return as_number(cell, decimal) is None and not any(c.isdigit() for c in cell)


def decimals_of(cell: str) -> str:
    """Return the digits after a number's decimal mark."""
    return re.split(r"[.,]", cell.strip())[1] if re.search(r"\d[.,]", cell) else ""


def one_cell(cell: str, decimal: str, words: frozenset[str]) -> tuple[float | None, Status, str | None]:
    """Return value (None if it can't be read), status, and the unit if the cell gives one."""
    text = cell.strip().replace("−", "-")
    lower = text.lower()
    letters = re.sub(r"[^a-z0-9%#]+", "", lower)
    if lower.lstrip("+-") in ("inf", "infinity", "1.#inf"):
        return np.nan, Status.RANGE, None
    empty = not letters or letters in ("null", "na", "nodata") or "1.#" in lower
    if lower in NO_READING or lower in words or empty:
        return np.nan, Status.ABSENT, None
    if lower in OPEN_WORDS or letters in ("tcopen", "opentc", "burnout", "oc", "opencircuit"):
        return np.nan, Status.OPEN, None
    if lower in ERROR_WORDS or _ERROR.fullmatch(lower):
        return np.nan, Status.CORRUPT, None
    if _BEYOND.fullmatch(lower):
        return np.nan, Status.RANGE, None
    unit = None
    if lower[-1:] in ("c", "f", "℃", "℉") and any(c.isdigit() for c in text):
        unit = "f" if lower[-1] in ("f", "℉") else "c"
        text = text[:-1].removesuffix("deg").rstrip(" °º")
    if decimal == "," and "," not in cell:
        text = text.replace(".", ",")
    elif decimal == "." and _OTHER_COMMA.fullmatch(text):  # typed by hand among others with points
        text = text.replace(",", ".")
    value = as_number(text, decimal)
    return value, Status.OK, unit
