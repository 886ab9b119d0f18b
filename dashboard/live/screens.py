"""Turn the board into what a tablet shows: component properties by id. Pure."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

from dashboard.live.board import Board
from dashboard.live.messages import Wish
from dashboard.parts.alarm_banner import alarm_banner, silenced
from dashboard.words import Unit, old, span
from logger.words.looks import STAGES

SILENCES: Final = ("logger", "rig", "trouble")


@dataclass(slots=True)
class Drawn:
    """A rendered screen."""

    props: dict[str, dict[str, Any]] = field(default_factory=dict)  # by component: its properties
    texts: dict[str, str | list[str]] = field(default_factory=dict)  # by element: its text, or text and class
    # by component: what makes its children, for those that can wait
    slow: dict[str, Callable[[], list[Any]]] = field(default_factory=dict)


def draw(board: Board, wish: Wish, quiet_s: float | None, whole: bool) -> Drawn:
    """Render what a wish asks for; `whole` draws the pictures from scratch."""
    drawn = _frame(board, quiet_s, wish.unit)
    if wish.page == "fire":
        from dashboard.live.fire_screen import fire_screen

        fire_screen(drawn, board, wish, quiet_s, whole)
    return drawn


def _frame(board: Board, quiet_s: float | None, unit: Unit) -> Drawn:
    """Render what every page shows."""
    state, firing = board.state(quiet_s), board.firing
    head, words = _silence(board, state, quiet_s or 0.0)
    alarms, events = (board.alarms, board.events) if board.running else ([], [])
    props: dict[str, dict[str, Any]] = {
        "alarms": {"children": board.kept(f"alarms {unit}", alarms, lambda: alarm_banner(alarms, unit))},
        "silenced": {"children": silenced(events, board.now_s(quiet_s or 0.0), board.scale)},
        "stale": {"hidden": state not in SILENCES},
        "invented": {"hidden": not (firing and firing["invented"])},
    }
    texts: dict[str, str | list[str]] = {
        "firing-title": "Stokewatch" if firing is None else firing["title"] or "Firing",
        "stage-line": stage_line(board, state),
        "stale-head": head,
        "stale-words": words,
        "health": _health(board, state),
    }
    return Drawn(props, texts)


def stage_line(board: Board, state: str) -> str:
    """Say how far the firing is."""
    if board.firing is None:
        return "No firing yet; waiting for the rig" if state == "waiting" else ""
    length_s = board.firing["ended_s"] if board.firing["ended_s"] is not None else board.newest_s or 0.0
    if not board.running:
        return f"Ended after {span(length_s)}"
    if not board.firing["planned"]:
        return f"No plan is armed; recorded for {_gone(length_s)}"
    reported = (e["data"].get("stage", "") for e in reversed(board.events) if e["kind"] == "stage")
    stage = STAGES.get((board.verdict or {}).get("stage") or next(reported, ""), "")
    lit_s = lighting_s(board)
    what = "the first reading" if lit_s is None else "lighting"
    since = f"{_gone(length_s - (lit_s or 0.0))} since {what}"
    return f"{stage}, {since}" if stage else since


def _gone(seconds: float) -> str:
    """Write how many minutes have gone by, rounded down as a clock does."""
    return span(seconds // 60.0 * 60.0)


def lighting_s(board: Board) -> float | None:
    """Find when the note says the fire was lit [s]; None where there is no such note."""
    return next((note["t"] for note in _notes(board, "lit")), None)


def _notes(board: Board, kind: str) -> list[dict[str, Any]]:
    return [e for e in board.events if e["kind"] == "note" and e["data"].get("kind") == kind]


def since_wood(board: Board, quiet_s: float) -> str:
    """Say how long ago wood was last added; empty where none was noted or the firing has ended."""
    wood = _notes(board, "wood")
    if not wood or not board.running:
        return ""
    last = max(wood, key=lambda e: e["t"])
    amount = f" ({last['data']['amount']})" if last["data"].get("amount") else ""
    return f"{_gone(board.now_s(quiet_s) - last['t'])} since wood{amount}"


def _silence(board: Board, state: str, quiet_s: float) -> tuple[str, str]:
    last = "There is no reading yet."
    if board.newest_s is not None:
        last = f"The last reading is {old(board.age_s(board.newest_s, quiet_s))}."
    if state == "logger":
        words = f" As far as this page can tell, nothing is being recorded. {last}"
        return "The logger is silent", f"{words} Watch the fire."
    if state == "rig":
        words = f" No readings are coming in. {last} Check the rig's cable and battery."
        return "The rig is silent", f"{words} Watch the fire."
    if state == "trouble":
        name = "Nothing is being recorded" if board.unrecorded else "The journal can't be read"
        return name, f" {board.trouble} Watch the fire."
    return "", ""


def _health(board: Board, state: str) -> str:
    if board.firing is None:
        return ""
    kept = f"{board.readings:,} readings kept"
    told = [s for s in board.sources if s and s.get("name") and s.get("state")] if state == "fresh" else []
    words = [kept, *(f"{str(s['name']).split('/')[-1]}: {s['state']}" for s in told)]
    if unproven := board.firing["unproven"]:
        words.append(f"no checksum or counter from {', '.join(unproven)}: lost readings go unnoticed")
    return " · ".join(words)
