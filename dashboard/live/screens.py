"""What a tablet shows of the board: properties of components, by their ids. Pure."""

from __future__ import annotations

from typing import Any, Final

from dash import html

from dashboard.live.board import Board
from dashboard.live.hub import Props
from dashboard.live.messages import Wish
from dashboard.parts.alarm_banner import alarm_banner, silenced
from dashboard.parts.words import STAGES, age, span

SILENCES: Final = ("logger", "rig", "trouble")


def draw(board: Board, wish: Wish, quiet_s: float | None, whole: bool) -> Props:
    """Render what a wish is to see.

    Parameters
    ----------
    board : Board
    wish : Wish
    quiet_s : float or None
        Since the logger gave a sign of life. [s]
    whole : bool
        Whether the pictures are to be drawn from the beginning.

    Returns
    -------
    dict
    """
    props = frame(board, quiet_s)
    return props


def frame(board: Board, quiet_s: float | None) -> Props:
    """Render what stands on every page."""
    state = board.state(quiet_s)
    head, words = _silence(board, state, quiet_s or 0.0)
    return {
        "firing-title": {"children": title(board)},
        "stage-line": {"children": stage_line(board, state)},
        "alarms": {"children": alarm_banner(board.alarms if board.running else [])},
        "silenced": {"children": silenced(board.events) if board.running else []},
        "stale": {"hidden": state not in SILENCES},
        "stale-head": {"children": head},
        "stale-words": {"children": words},
        "health": {"children": _health(board, state)},
    }


def title(board: Board) -> str:
    """Name what burns."""
    return "Stokewatch" if board.firing is None else board.firing["title"] or "Firing"


def stage_line(board: Board, state: str) -> list[Any]:
    """Say how far the firing is.

    Parameters
    ----------
    board : Board
    state : str

    Returns
    -------
    list of component
    """
    if board.firing is None:
        return ["No firing yet, waiting for the rig" if state == "waiting" else ""]
    length_s = board.firing["ended_s"] if board.firing["ended_s"] is not None else board.newest_s or 0.0
    if not board.running:
        return [f"This firing has ended; it took {span(length_s)}."]
    if not board.firing["planned"]:
        return [f"No plan is armed; the rig has been recorded for {span(length_s)}."]
    stage = STAGES.get((board.verdict or {}).get("stage") or last_stage(board), "")
    lit_s = lighting_s(board)
    since = (
        f"{span(length_s)} since the first reading"
        if lit_s is None
        else f"{span(length_s - lit_s)} since lighting"
    )
    return [f"{stage}, {since}" if stage else since, " · ", html.Span("", className="clock")]


def lighting_s(board: Board) -> float | None:
    """Give when somebody noted that the fire was lit; None where nobody did [s]."""
    return next(
        (e["t"] for e in board.events if e["kind"] == "note" and e["data"].get("kind") == "lit"), None
    )


def last_stage(board: Board) -> str:
    """Give the stage that was told last."""
    return next((e["data"].get("stage", "") for e in reversed(board.events) if e["kind"] == "stage"), "")


def _silence(board: Board, state: str, quiet_s: float) -> tuple[str, str]:
    newest_s = board.newest_s
    last = (
        "not there yet" if newest_s is None else age(board.age_s(newest_s, quiet_s)).replace(" ago", " old")
    )
    last = "just a moment old" if last == "now" else last
    if state == "logger":
        words = f" Nothing is being recorded that this page knows of. The last reading is {last}."
        return "The logger is silent", f"{words} Watch the fire."
    if state == "rig":
        words = f" No readings from the rig; the last one is {last}. Look at its cable and battery."
        return "The rig is silent", f"{words} Watch the fire."
    if state == "trouble":
        return "The journal can't be read", f" {board.trouble} Watch the fire."
    return "", ""


def _health(board: Board, state: str) -> str:
    if board.firing is None:
        return ""
    kept = f"{board.readings:,} readings kept"
    told = [s for s in board.sources if s and s.get("name") and s.get("state")] if state == "fresh" else []
    return " · ".join([kept, *(f"{str(s['name']).split('/')[-1]}: {s['state']}" for s in told)])
