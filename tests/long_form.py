"""Tests have a short form for every day and a long one to run by hand: `STOKEWATCH_CHAOS=long`."""

from __future__ import annotations

import os

LONG = os.environ.get("STOKEWATCH_CHAOS") == "long"


def times(short: int, long: int) -> int:
    """How often something is repeated."""
    return long if LONG else short
