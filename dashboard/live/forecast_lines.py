"""What is to come of the coldest zone as it is going: a band, and its middle in dashes. Pure."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from dashboard.figures.look import numbers
from dashboard.live.board import Board
from dashboard.live.messages import Wish

FURTHEST_S: Final = 1200.0
"""Nothing further ahead is drawn: a forecast is surest for what comes soon. [s]"""
LEAST_S: Final = 120.0
ROOM: Final = 0.9
"""Above this share of the axis there is none for a name."""
SHARE: Final = 0.25
"""How much is shown of what is to come, as a share of the past that is shown."""


def told(board: Board) -> dict[str, Any] | None:
    """Find the coldest zone's forecast; None once the firing has ended, or where there is none."""
    coldest = (board.verdict or {}).get("coldest")
    if not board.running or coldest is None:
        return None
    return ((board.forecast or {}).get("zones") or {}).get(coldest)


def ahead_s(board: Board, span_s: float) -> float:
    """Tell how far ahead to draw beside so much that has been [s]."""
    return 0.0 if told(board) is None else min(FURTHEST_S, max(LEAST_S, SHARE * span_s))


def forecast_lines(board: Board, wish: Wish, top: float) -> list[dict[str, Any]]:
    """Make the forecast's traces: least, most and a veil between, the middle dashed, whose it is in words.

    `top` is where the axis ends, in the unit shown.
    """
    now = told(board)
    if now is None:
        return []
    from dashboard.live.screens import lighting_s

    coldest = (board.verdict or {})["coldest"]
    zero_s = lighting_s(board) or 0.0
    reach_s = ahead_s(board, wish.window_s or now["at_s"])
    after_s = np.asarray(now["ahead_s"], np.float64)
    at_s = np.append(after_s[after_s < reach_s], min(reach_s, float(after_s[-1])))
    x = [round((now["at_s"] + t - zero_s) / 60.0, 3) for t in at_s.tolist()]
    low, middle, high = (
        numbers(np.interp(at_s, after_s, np.asarray(now[key], np.float64)), wish.unit)
        for key in ("low_c", "middle_c", "high_c")
    )
    rises = now["middle_c"][-1] >= now["middle_c"][0]
    y = min(high[-1] or top, top) if rises else low[-1] or 0.0
    plain = {"hoverinfo": "skip", "mode": "lines", "meta": {"forecast": coldest}}
    edge = {**plain, "x": x, "line": {"width": 1, "dash": "2px,4px", "color": "#8a7a6a"}}
    return [
        {**edge, "y": low, "name": "to come, least"},
        {
            **edge,
            "y": high,
            "name": "to come, most",
            "fill": "tonexty",
            "fillcolor": "rgba(138,122,106,0.18)",
        },
        {
            **plain,
            "x": x,
            "y": middle,
            "name": "to come",
            "line": {"width": 2.2, "dash": "7px,5px", "color": "#8a7a6a"},
        },
        {
            **plain,
            "x": [x[-1]],
            "y": [y],
            "mode": "text",
            "text": [coldest.replace("<", "&lt;")],  # short: on a phone more would lie over the traces
            # Away from the numbers at the lines' ends: above what rises, below what falls.
            "textposition": "top left" if rises and y < ROOM * top else "bottom left",
            "name": "whose forecast",
        },
    ]
