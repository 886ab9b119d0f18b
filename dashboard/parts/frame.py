"""Building blocks of many pages: buttons, links, graphs by day and night, short messages."""

import itertools
from collections.abc import Iterable
from typing import Any, Final

import dash_mantine_components as dmc
from dash import dcc, html, set_props

STAYS_S: Final = 8.0
"""How long a harmless message stays. [s]"""
NOTHING: Final[dict[str, Any]] = {
    "data": [],
    "layout": {
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "xaxis": {"visible": False},
        "yaxis": {"visible": False},
    },
}
"""An empty figure: plotly's own is a white sheet with axes, even at night."""
UNAIDED: Final = {"input": {"autoComplete": "off"}}
"""Attributes that stop a browser from offering what was typed elsewhere."""
ALL_FIRINGS: Final = dcc.Link("All firings", href="/firings")
_numbers = itertools.count(1)


def button(words: Any, own: str | dict[str, Any], *, aloud: str = "", **more: Any) -> Any:
    """Make a button with an ID of its own; a screen reader says `aloud` instead of its words."""
    said = {"aria-label": aloud} if aloud else {}
    return html.Button(words, id=own, type="button", **said, **more)


def options(pairs: Iterable[tuple[str, str]]) -> list[dict[str, str]]:
    """Make a select's options from pairs of value and label."""
    return [{"value": value, "label": label} for value, label in pairs]


def items(texts: Iterable[str]) -> list[Any]:
    """Make list items of sentences."""
    return [html.Li(text) for text in texts]


def facts_list(facts: Iterable[tuple[str, str]]) -> list[Any]:
    """Make the entries of a `Dl` from pairs of name and text."""
    return [html.Div([html.Dt(name), html.Dd(text)]) for name, text in facts]


def table(heads: Iterable[Any], rows: list[Any], **more: Any) -> Any:
    """Make a table of `html.Tr`s under its heads."""
    head = html.Thead(html.Tr([html.Th(text, scope="col") for text in heads]))
    return html.Table([head, html.Tbody(rows)], **more)


def stores(prefix: str, **kept: Any) -> list[Any]:
    """Make a page's stores with what they hold at first; `a_b` has the ID `prefix-a-b`."""
    return [dcc.Store(id=f"{prefix}-{name.replace('_', '-')}", data=data) for name, data in kept.items()]


def door_row(*children: Any, **more: Any) -> Any:
    """Make a row of links and buttons."""
    return html.Div(list(children), className="page-doors", **more)


def page_top(title: str, *more: Any, own: str = "") -> Any:
    """Make the top of a page: its heading, with an ID if it changes, and what is beside it."""
    head = html.H1(title, id=own) if own else html.H1(title)
    return html.Div([head, *more], className="page-top")


def section(*children: Any, label: str = "", **more: Any) -> Any:
    """Make a section of a page; `label` names one that has no heading."""
    named = {"aria-label": label} if label else {}
    return html.Section(list(children), **named, **more)


def dialog(own: str, title: str, *children: Any, **more: Any) -> Any:
    """Make a dialog that covers the page until it is answered or closed."""
    close = {"aria-label": "Close"}
    return dmc.Modal(list(children), id=own, title=title, closeButtonProps=close, **more)


def save_as(aloud: str, *doors: Any) -> Any:
    """Make the row of formats that something can be saved as."""
    head = html.Span("Save as", **{"aria-hidden": "true"})
    return html.Div([head, *doors], className="save-as", role="group", **{"aria-label": aloud})


def halves(left: Any, right: Any) -> Any:
    """Lay out two sections side by side on a wide screen, one below the other on a narrow one."""
    return html.Div([left, right], className="prepare-two")


def scroll(label: str, children: Any = None, make: Any = html.Div, **more: Any) -> Any:
    """Make a region that scrolls by finger or keyboard; `label` says what it holds."""
    named = {"aria-label": label}
    return make(children, className="scroll", tabIndex=0, role="region", **named, **more)


def graph(name: str, **more: Any) -> Any:
    """Make a graph as wide as its container, without plotly's own buttons."""
    config = {"displayModeBar": False, "responsive": True}
    return dcc.Graph(id=name, responsive=True, figure=NOTHING, config=config, **more)


def picture(name: str, label: str, kind: str = "graph") -> Any:
    """Make a graph that fills a box, with a label for those who can't see it."""
    filling = graph(name, style={"height": "100%"})
    return html.Div(filling, className=kind, role="img", **{"aria-label": label})


def notice(text: str, *, bad: bool = False) -> None:
    """Show a message in the corner, from within a callback; bad news stays until it is closed."""
    shown = {
        "action": "show",
        "id": f"note-{next(_numbers)}",
        "message": text,
        "color": "red" if bad else "gray",
        "autoClose": False if bad else round(STAYS_S * 1000),
        "closeButtonProps": {"aria-label": "Close"},
    }
    set_props("notes", {"sendNotifications": [shown]})
