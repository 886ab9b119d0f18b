"""A cell to a value and what it says of the probe. Pure."""

from __future__ import annotations

import re
from typing import Final

import numpy as np

from logger.exchange.csv_numbers import as_number
from logger.exchange.csv_words import ERROR_WORDS, NO_READING, OPEN_WORDS
from logger.reading import Status

_ERROR: Final = re.compile(r"(?:e|err|error|fault|f)[ .:#\-]?\d{1,3}", re.I)


_BEYOND: Final = re.compile(r"[<>≤≥]=? ?[+\-]?\d+(?:[.,]\d+)?(?: ?°?[cf])?")
"""More, or less, than the instrument can read: >1200."""


_OTHER_COMMA: Final = re.compile(r"[+\-]?\d+,(?:\d{1,2}|\d{4,})")


def is_word(cell: str, decimal: str) -> bool:
    """Say whether a cell holds no number and no digit."""
    return as_number(cell, decimal) is None and not any(c.isdigit() for c in cell)


def decimals_of(cell: str) -> str:
    """Give what stands behind a number's decimal sign."""
    return re.split(r"[.,]", cell.strip())[1] if re.search(r"\d[.,]", cell) else ""


def one_cell(cell: str, decimal: str, words: frozenset[str]) -> tuple[float | None, Status, str | None]:
    """Value, status, and the unit where the cell says one; None where it can't be read."""
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
    elif decimal == "." and _OTHER_COMMA.fullmatch(text):  # written by hand, among others with points
        text = text.replace(",", ".")
    value = as_number(text, decimal)
    return value, Status.OK, unit
