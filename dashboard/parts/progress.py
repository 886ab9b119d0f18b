"""Long work as it goes on: how far it has come, and a button that stops it. Pure."""

from __future__ import annotations

from typing import Any

from dash import dcc, html

from dashboard.parts.frame import button


def working(prefix: str) -> Any:
    """Make what shows that something is being worked out.

    IDs after `prefix`: `-poll` asks twice a second while it is enabled, `-working` is the whole, `-progress`
    the bar, `-said` its words, `-stop` the button.
    """
    return html.Div(
        [
            dcc.Interval(id=f"{prefix}-poll", interval=500),
            html.Div(
                [
                    html.Progress(
                        id=f"{prefix}-progress", value="0", max="1", **{"aria-label": "How far it has come"}
                    ),
                    button("Stop", f"{prefix}-stop"),
                ],
                id=f"{prefix}-working",
                className="working",
            ),
            html.P("", id=f"{prefix}-said", role="status"),
        ]
    )
