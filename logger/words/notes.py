"""What the kinds of notes are called, by page, report and exports."""

from __future__ import annotations

from typing import Final

NOTES: Final = {
    "wood": "Wood",
    "raked": "Coals raked",
    "uncovered": "Uncovered",
    "smothered": "Smothered",
    "gust": "Gust",
    "rain": "Rain",
    "lit": "Lit",
}
"""By kind, as the journal keeps it; `text` is a note in somebody's own words."""
