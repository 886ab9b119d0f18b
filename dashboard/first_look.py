"""What a tablet shows while its scripts load: the fire as it was when it was asked for, as plain HTML."""

from __future__ import annotations

from contextvars import ContextVar
from html import escape
from typing import Final, NamedTuple

from dashboard.live.board import Board
from dashboard.live.screens import stage_line, title
from dashboard.parts import fire_parts
from dashboard.parts.alarm_banner import headline
from dashboard.parts.words import Unit, degrees, need

LOOK: Final = "@first-look@"
THEME: Final = "@theme@"
"""Where they stand in the document."""


class Opening(NamedTuple):
    """How a document begins."""

    unit: Unit = "C"
    theme: str = "day"
    look: str = ""  # HTML; empty on every page but the fire

    @classmethod
    def read(cls, cookie: str) -> Opening:
        """Read what a tablet keeps of how it likes the page; anything else is day and °C."""
        return cls("F" if cookie.startswith("F") else "C", "night" if cookie.endswith("night") else "day")

    def write(self, document: str) -> str:
        """Fill a document."""
        return document.replace(THEME, self.theme).replace(LOOK, self.look)


opening_now: ContextVar[Opening] = ContextVar("opening_now", default=Opening())  # noqa: B039 immutable
"""Of the request that is being answered."""


def first_look(board: Board, quiet_s: float | None, time_of_day: str, unit: Unit) -> str:
    """Render what matters first: what is wrong, which zone is coldest, what each needs.

    Parameters
    ----------
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
            name, fact = headline(alarm, unit)
            lines.append(f'<p class="alarm">{_tag("b", name)} {escape(fact)}</p>')
    if state == "fresh":
        cards = [(zone, card) for zone, card in board.cards.items() if card[6] != "coals"]
        cards.sort(key=lambda item: 1e9 if item[1][0] is None else item[1][0])
        lines.append(_tag("p", fire_parts.verdict(board.verdict, cards, board.firing, unit)))
        rows = [
            f'<li>{_tag("b", zone)}<span class="level">{escape(_level(card[0], unit))}</span> '
            f"{_tag('span', need(card, board.firing, unit))}</li>"
            for zone, card in cards
        ]
        lines.append(f"<ol>{''.join(rows)}</ol>")
    else:
        lines.append(_tag("p", "No fresh readings: look at the fire."))
    lines.append(_tag("p", f"As it was at {time_of_day}. The live page is opening."))
    return f'<div id="first-look">{"".join(lines)}</div>'


def _level(c: float | None, unit: Unit) -> str:
    return "–" if c is None else f"{degrees(c, unit)}{unit}"


def _tag(name: str, text: str) -> str:
    return f"<{name}>{escape(text)}</{name}>"
