"""What stands on the page before any reading has come; the scripts in `assets` fill it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from dash import html

CAUTION = "Stokewatch can fail: keep watching the fire, not only the tablet."

INDEX = """<!DOCTYPE html>
<html lang="en">
    <head>
        {%metas%}
        <title>{%title%}</title>
        {%favicon%}
        {%css%}
    </head>
    <body>
        {%app_entry%}
        {%config%}
        {%scripts%}
        {%renderer%}
    </body>
</html>"""


DOORS: Final = (("prepare", "Prepare"), ("fire", "Fire"), ("archive", "Firings"))
"""The rooms that one goes to directly; the others are entered from a firing."""


def page(rooms: Sequence[Any]) -> Any:
    """Give the page's layout.

    Parameters
    ----------
    rooms : sequence of dash component
        Besides the fire, hidden until they are gone to.

    Returns
    -------
    dash component
    """
    return html.Div(
        id="page",
        children=[header(doors(rooms)), banners(), load(), html.Main([fire(), *rooms]), foot()],
    )


def doors(rooms: Sequence[Any]) -> Any:
    """Give the links to the rooms that are there."""
    there = {"room-fire", *(room.id for room in rooms)}
    return html.Nav(
        id="doors",
        **{"aria-label": "Rooms"},
        children=[
            html.A(text, href=f"#{name}", **{"data-room": name})
            for name, text in DOORS
            if f"room-{name}" in there
        ],
    )


def fire() -> Any:
    """Give the room that one is in while it burns."""
    return html.Section(
        id="room-fire",
        className="room",
        **{"aria-label": "Fire"},
        children=[
            html.Div(
                id="watch",
                tabIndex=0,
                role="group",
                **{"aria-label": "Zones, stack and traces"},
                children=[
                    html.Div(
                        id="first", children=[html.Div(id="course", children=[zones(), traces()]), stack()]
                    ),
                    html.Div(id="after", children=[pots(), log(), html.P(id="awake")]),
                ],
            )
        ],
    )


def header(doors: Any) -> Any:
    """Give the top line: what is fired, how far it is, where to go, and how it is shown."""
    return html.Header(
        [
            html.Div(
                className="name",
                children=[
                    html.H1("Stokewatch", id="title"),
                    html.P(id="stage", children="Looking for the journal …"),
                    html.P("Stokewatch", id="elsewhere"),
                ],
            ),
            html.Div(
                className="switches",
                children=[
                    doors,
                    html.Button(
                        "View",
                        id="view",
                        type="button",
                        **{"aria-expanded": "false", "aria-controls": "choices"},
                    ),
                    html.Div(
                        id="choices",
                        children=[
                            _choice(
                                "window",
                                "Time shown",
                                [("whole", "Whole"), ("1800", "30 min"), ("600", "10 min")],
                            ),
                            _choice("unit", "Unit", [("C", "°C"), ("F", "°F")]),
                            _choice("theme", "Light", [("day", "Day"), ("night", "Night")]),
                        ],
                    ),
                ],
            ),
        ]
    )


def _choice(name: str, label: str, options: list[tuple[str, str]]) -> Any:
    # Plain buttons in a group: reached by Tab, pressed by Enter or Space, told apart by aria-pressed.
    return html.Div(
        id=f"choose-{name}",
        className="choice",
        role="group",
        **{"aria-label": label},
        children=[
            html.Button(text, type="button", **{"data-choice": name, "data-value": value})
            for value, text in options
        ],
    )


def banners() -> Any:
    """Give the places for what must not be overlooked."""
    return html.Div(
        [
            html.Div(id="stale", hidden=True),
            html.Div(id="shelf", hidden=True),
            html.Div(id="alarms", role="alert", hidden=True),
        ],
        id="banners",
    )


def load() -> Any:
    """Give the place for what is so of the whole load: what it needs, what comes, and whether it is real."""
    return html.Div(
        id="load",
        children=[
            html.P(id="verdict"),
            html.P(id="come"),
            html.P("invented: nothing here was measured", id="invented", hidden=True),
        ],
    )


def zones() -> Any:
    """Give the place for the verdict of each zone, the coldest first."""
    return html.Ol(id="zones", hidden=True, **{"aria-label": "Zones, the coldest first"})


NOTES: Final = (
    ("wood", "a few sticks", "Few sticks"),
    ("wood", "an armful", "Armful"),
    ("wood", "a big load", "Big load"),
    ("raked", "", "Raked"),
    ("uncovered", "", "Uncovered"),
    ("smothered", "", "Smothered"),
    ("gust", "", "Gust"),
    ("rain", "", "Rain"),
)
"""Kind, amount and label of what is noted with one tap."""


def acts() -> Any:
    """Give what a person does beside the fire: one tap each."""
    notes = [
        html.Button(label, type="button", **{"data-note": kind, "data-amount": amount})
        for kind, amount, label in NOTES
    ]
    return html.Section(
        id="acts",
        hidden=True,
        **{"aria-label": "What you do and see"},
        children=[
            html.Div(
                className="group armfuls",
                role="group",
                **{"aria-label": "Wood added"},
                children=[html.Span("Wood", **{"aria-hidden": "true"}), *notes[:3]],
            ),
            html.Div(
                id="more-notes",
                className="group notes",
                role="group",
                children=notes[3:],
                **{"aria-label": "Notes"},
            ),
            html.Div(
                className="group words",
                role="group",
                **{"aria-label": "In words, and spot readings"},
                children=[
                    html.Button("Write …", id="write", type="button"),
                    html.Button("Spot …", id="spot", type="button"),
                ],
            ),
            html.Div(
                className="group sounds",
                role="group",
                **{"aria-label": "This tablet"},
                children=[
                    html.Button("Sound off", id="sound", type="button", **{"aria-pressed": "false"}),
                    html.Button(
                        "More",
                        id="more",
                        type="button",
                        **{"aria-expanded": "false", "aria-controls": "more-notes"},
                    ),
                ],
            ),
        ],
    )


def stack() -> Any:
    """Give the section of the stack with the values at their heights."""
    return html.Section(
        id="stack",
        **{"aria-label": "Section of the stack, with the newest readings"},
        children=[
            html.Div(id="section", **{"aria-hidden": "true"}),
            html.Ol(id="values"),
            html.P("No firing yet, waiting for the rig.", id="waiting"),
        ],
    )


def traces() -> Any:
    """Give the traces."""
    return html.Section(
        id="chart",
        **{"aria-label": "Traces of temperature over time"},
        children=[
            html.Div(id="traces"),
            html.Div(id="labels", **{"aria-hidden": "true"}),
        ],
    )


def pots() -> Any:
    """Give the place for what the pots themselves are at by the model."""
    return html.Section(
        id="pots",
        hidden=True,
        **{"aria-label": "The pots, estimated by a model"},
        children=[
            html.H2(["Pots, ", html.Span("estimated")]),
            html.P(id="pots-counts", className="hint"),
            _choice("bands", "Bands of the pots among the traces", [("on", "Bands"), ("off", "None")]),
            html.Ul(id="pots-zones"),
        ],
    )


def log() -> Any:
    """Give the list of what happened."""
    return html.Section(
        id="log",
        hidden=True,
        **{"aria-label": "What happened"},
        children=[
            html.H2("Log"),
            html.Ol(id="events"),
            html.Details(
                id="history",
                hidden=True,
                children=[html.Summary("Alarms so far"), html.Ol(id="past-alarms")],
            ),
        ],
    )


def foot() -> Any:
    """Give what stays at the bottom in every room: in the fire's what one does, and always the last line."""
    return html.Div(
        id="foot",
        children=[
            acts(),
            html.Footer(
                [
                    html.P(CAUTION, id="caution"),
                    html.P(id="done", role="status"),
                    html.P(id="health"),
                    html.Button("Operator …", id="operator", type="button", hidden=True),
                ]
            ),
        ],
    )
