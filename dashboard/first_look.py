"""What a tablet shows while its scripts load: the fire as it was when it was asked for, as plain HTML."""

from __future__ import annotations

from contextvars import ContextVar
from html import escape
from typing import Final

from dashboard.live.board import Board
from dashboard.live.screens import stage_line, title
from dashboard.parts import fire_parts
from dashboard.parts.alarm_banner import headline
from dashboard.parts.words import degrees, need

PLACE: Final = "@first-look@"
"""Where it stands in the document."""

first_look_now: ContextVar[str] = ContextVar("first_look_now", default="")
"""Of the request that is being answered; empty on every page but the fire."""


def first_look(board: Board, quiet_s: float | None, time_of_day: str) -> str:
    """Render what matters first: what is wrong, which zone is coldest, what each needs. In °C.

    Parameters
    ----------
    board : Board
    quiet_s : float or None
        Since the logger last gave a sign of life. [s]
    time_of_day : str
        Stands beside the numbers: they don't change, and must not look as if they did.

    Returns
    -------
    str
        HTML; empty where no firing is running.
    """
    if board.firing is None or not board.running:
        return ""
    state = board.state(quiet_s)
    invented = " · invented, not measured" if board.firing["invented"] else ""
    lines = [_tag("h1", title(board)), _tag("p", stage_line(board, state) + invented)]
    for alarm in board.alarms:
        # As in the banner: what has cleared no longer shouts, and good news never did.
        if alarm.get("warning") is not False and alarm.get("state") != "returned-unacknowledged":
            name, fact = headline(alarm)
            lines.append(f'<p class="alarm">{_tag("b", name)} {escape(fact)}</p>')
    if state == "fresh":
        cards = [(zone, card) for zone, card in board.cards.items() if card[6] != "coals"]
        cards.sort(key=lambda item: 1e9 if item[1][0] is None else item[1][0])
        lines.append(_tag("p", fire_parts.verdict(board.verdict, cards, board.firing, "C")))
        rows = [
            f'<li>{_tag("b", zone)}<span class="level">{escape(_level(card[0]))}</span> '
            f"{_tag('span', need(card, board.firing, 'C'))}</li>"
            for zone, card in cards
        ]
        lines.append(f"<ol>{''.join(rows)}</ol>")
    else:
        lines.append(_tag("p", "No fresh readings: look at the fire."))
    lines.append(_tag("p", f"As it was at {time_of_day}. The live page is opening."))
    return f'<div id="first-look">{"".join(lines)}</div>'


def _level(c: float | None) -> str:
    return "–" if c is None else f"{degrees(c, 'C')}C"  # the tablet's own unit isn't known yet


def _tag(name: str, text: str) -> str:
    return f"<{name}>{escape(text)}</{name}>"
