"""What a tablet shows while its scripts load: the page as it was when it was asked for, standing still."""

from contextvars import ContextVar
from typing import Final, NamedTuple

from dashboard.figures.standing import standing_traces
from dashboard.live.board import Board
from dashboard.live.fire_screen import picture, value_rows
from dashboard.live.messages import Wish
from dashboard.live.screens import draw
from dashboard.shell import shell
from dashboard.standing.still import Markup, still

LOOK: Final = "@first-look@"
THEME: Final = "@theme@"
PAGE: Final = "@page@"
"""Where they stand in a document."""


class Opening(NamedTuple):
    """How a document begins."""

    wish: Wish = Wish()
    look: str = ""  # HTML; empty on every page but the fire

    @classmethod
    def read(cls, cookie: str) -> "Opening":
        """Read what a tablet keeps of how it likes the page; anything else is day and °C."""
        unit, theme = cookie.startswith("F"), cookie.endswith("night")
        return cls(Wish("fire", "F" if unit else "C", "night" if theme else "day"))

    def write(self, document: str) -> str:
        """Fill a document."""
        page = "fire" if self.look else ""
        return document.replace(THEME, self.wish.theme).replace(PAGE, page).replace(LOOK, self.look)


opening_now: ContextVar[Opening] = ContextVar("opening_now", default=Opening())  # noqa: B039 immutable
"""For the request that is being answered."""


def first_look(board: Board, quiet_s: float | None, time_of_day: str, wish: Wish) -> str:
    """Render the fire's page: what is wrong, which zone is coldest, what each needs, and the traces.

    HTML; empty where no firing is running. `time_of_day` stands below: the numbers don't change, and must not
    look as if they did.
    """
    from dashboard.pages import fire

    if board.firing is None or not board.running:
        return ""
    drawn = draw(board, wish, quiet_s, False)
    props = drawn.props | {
        "door-fire": {"aria-current": "page"},
        "clock": {"children": time_of_day[:5]},
        "sound": {"children": "Sound is off: tap"},
        "_pages_content": {"children": fire.layout()},
        "values": {"children": value_rows(board)},
        "traces": {"children": Markup(standing_traces(picture(board, wish)))},
    }
    if board.state(quiet_s) != "fresh":
        props |= {"zones": {}, "values": {}}
    texts = drawn.texts | {"health": f"As it was at {time_of_day}. The live page is opening."}
    for name, told in texts.items():
        words, kind = (told, None) if isinstance(told, str) else told
        props[name] = {"children": words} | ({"className": kind} if kind else {})
    return f'<div id="first-look">{still(shell(), props)}</div>'
