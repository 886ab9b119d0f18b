"""The fire as it burns: the live link fills the page, callbacks carry out what people do."""

from typing import Any, Final

import dash_mantine_components as dmc
from dash import Input, Output, callback, ctx, dcc, html, no_update

from dashboard.context import here
from dashboard.figures.look import unit_of
from dashboard.pages.asked import act, carry_out
from dashboard.pages.fire_notes import dialogs
from dashboard.pages.fire_reading import ended_summary
from dashboard.parts.frame import NOTHING, button, client, dialog, graph, options
from dashboard.parts.single import chosen, let_single_out
from dashboard.shell import WAITING

GRAPH: Final[dict[str, Any]] = {
    "displaylogo": False,
    "doubleClick": False,  # a script handles it: show everything and follow the fire again
    "modeBarButtonsToRemove": ["select2d", "lasso2d", "autoScale2d", "toImage"],
    "scrollZoom": True,
    "responsive": True,
}


def layout(**_query: str) -> Any:
    """Lay out the page."""
    return html.Div(
        id="fire",
        className="opening",
        children=[
            html.H1("Fire", className="unseen"),
            dcc.Store(id="fire-here", data=1),
            dcc.Store(id="fire-place"),
            dcc.Store(id="fire-spot-asked"),
            *chosen("fire"),
            _waiting(),
            html.Section(id="ended-summary", **{"aria-label": "This firing in brief"}),
            _verdict_row(),
            html.Ol(id="zones", **{"aria-label": "Zones, coldest first"}),
            html.Div([_chart(), _side()], id="course"),
            html.P("", id="fire-done", role="status"),
            dcc.Store(id="edit-event"),
            *dialogs(),
            _end_dialog(),
            dmc.Modal(
                html.Div(
                    [
                        html.P(
                            [html.Span("", id="glance-alarm"), html.Span("", id="glance-advice")],
                            id="glance-wrong",
                        ),
                        html.P("", id="glance-zone"),
                        html.P(
                            [
                                html.Span("", id="glance-number"),
                                html.Span("", id="glance-way", className="way"),
                            ]
                        ),
                        html.P("", id="glance-need"),
                    ],
                    id="glance-words",
                ),
                id="glance",
                fullScreen=True,
                title="At a glance",
                closeButtonProps={"aria-label": "Close", "size": "xl"},
            ),
        ],
    )


def _waiting() -> Any:
    return html.Section(
        id="waiting",
        hidden=True,
        **{"aria-label": "Before the first firing"},
        children=[
            html.H2("No firing yet"),
            html.Ol(
                [
                    html.Li(
                        "Plan it: what you will fire and how hot, where each probe will sit, what should "
                        "raise an alarm."
                    ),
                    html.Li("Plug in the rig. Its first reading opens a firing and appears here."),
                    html.Li("Check the rig while it is cold, arm the plan, and light the fire."),
                ]
            ),
            dcc.Link("Prepare a firing", href="/prepare", className="button main"),
            html.P(
                [
                    "Readings from an earlier fire? ",
                    dcc.Link("Import them", href="/firings?show=import"),
                ]
            ),
        ],
    )


def _verdict_row() -> Any:
    return html.Div(
        id="verdict-row",
        children=[
            html.Div(
                [
                    html.P("", id="verdict"),
                    html.P([html.Span("", id="since-wood"), html.Span("", id="come")], id="next"),
                ],
                className="words",
            ),
            html.Div(
                className="switches",
                children=[
                    dmc.SegmentedControl(
                        id="fire-view",
                        value="traces",
                        data=options((("traces", "Traces"), ("heat", "Stack through time"))),
                    ),
                    dmc.SegmentedControl(
                        id="fire-window",
                        value="whole",
                        persistence=True,
                        data=options((("whole", "Whole"), ("1800", "30 min"), ("600", "10 min"))),
                    ),
                    button("Glance", "glance-open"),
                ],
            ),
        ],
    )


def _chart() -> Any:
    return html.Section(
        id="chart",
        **{"aria-label": "Temperatures over time"},
        children=[
            dcc.Graph(id="traces", responsive=True, figure=NOTHING, config=GRAPH, className="graph"),
            dcc.Graph(
                id="heat",
                responsive=True,
                figure=NOTHING,
                config=GRAPH,
                className="graph",
                style={"display": "none"},
            ),
        ],
    )


def _side() -> Any:
    return html.Section(
        id="side",
        **{"aria-label": "The stack, its zones, and what happened"},
        children=[
            dmc.SegmentedControl(
                id="fire-side",
                value="now",
                fullWidth=True,
                data=options((("now", "Stack"), ("zones", "Zones"), ("log", "Log"))),
            ),
            button("Note …", "note-open", className="act"),
            html.Div(
                id="side-now",
                children=[
                    graph("stack", className="stack"),
                    html.P("Touch the place where you add wood, rake, or aim the gun.", className="hint act"),
                    html.Ol(id="values", tabIndex=0, **{"aria-label": "Probes, from the top down"}),
                ],
            ),
            html.Div(
                id="side-zones",
                hidden=True,
                tabIndex=0,
                children=[
                    html.Ol(id="zone-details"),
                    dmc.Switch(
                        id="fire-bands",
                        label="Show estimates of the pots",
                        checked=True,
                        persistence=True,
                    ),
                    html.Ul(id="limits", **{"aria-label": "What this rig can't judge"}),
                ],
            ),
            html.Div(
                id="side-log",
                hidden=True,
                tabIndex=0,
                children=[
                    html.H2("What happened"),
                    html.Ol(id="events"),
                    html.Details([html.Summary("Alarms so far"), html.Ol(id="past-alarms")]),
                    button("End the firing …", "end-open", className="act"),
                ],
            ),
        ],
    )


def _end_dialog() -> Any:
    return dialog(
        "end-dialog",
        "End the firing?",
        html.P("Nothing more is recorded until the next firing. Coals stay hot under ash for a day."),
        html.Div(
            [
                button("End the firing", "end-now", className="big main"),
                button("Keep recording", "end-not", className="big"),
            ],
            className="choices",
        ),
    )


client("arrive", Output("fire-here", "storage_type"), Input("fire-here", "data"))
client(
    "look",
    Output("traces", "style"),
    Output("heat", "style"),
    Input("fire-view", "value"),
    Input("fire-window", "value"),
    Input("fire-bands", "checked"),
)
let_single_out("fire", "traces")


@callback(
    Output("side-now", "hidden"),
    Output("side-zones", "hidden"),
    Output("side-log", "hidden"),
    Input("fire-side", "value"),
)
def turn(side: str) -> list[bool]:
    """Show one of the panels beside the traces."""
    return [side != name for name in ("now", "zones", "log")]


for _dialog, _door in (("glance", "glance-open"), ("end-dialog", "end-open")):
    callback(Output(_dialog, "opened"), Input(_door, "n_clicks"), prevent_initial_call=True)(lambda _: True)


@act(
    Output("end-dialog", "opened", allow_duplicate=True),
    Output("fire-done", "children", allow_duplicate=True),
    Input("end-now", "n_clicks"),
    Input("end-not", "n_clicks"),
)
async def end(now: int | None, go_on: int | None) -> Any:
    """End the firing, once confirmed."""
    if ctx.triggered_id != "end-now" or not now:
        return False, no_update
    answer = await carry_out("finish", {})
    return False, WAITING if answer.get("waiting") else "The firing has ended."


@callback(
    Output("ended-summary", "children"),
    Input("fire", "className"),
    Input("unit", "data"),
    prevent_initial_call=True,
)
async def summary(state: str, unit: str) -> Any:
    """Sum up an ended firing: peaks, verdicts, and where to go from here."""
    if state != "ended":
        return []
    return await ended_summary(here().journal_path, unit_of(unit))
