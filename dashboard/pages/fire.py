"""The fire as it burns: the live link fills the page, callbacks carry out what people do."""

from typing import Any, Final

import dash_mantine_components as dmc
from dash import Input, Output, callback, ctx, dcc, html, no_update

from dashboard.context import here
from dashboard.figures.look import unit_of
from dashboard.pages.asked import act, asking, carry_out, on_change
from dashboard.pages.fire_notes import dialogs
from dashboard.parts.frame import NOTHING, button, dialog, door_row, graph, items, options, section, stores
from dashboard.parts.single import chosen, let_single_out
from dashboard.parts.wiring import client, inputs, outputs
from dashboard.shell import WAITING
from dashboard.words import degrees
from logger.errors import StokewatchError
from logger.report.shown import shown
from logger.report.story import verdicts

GRAPH: Final[dict[str, Any]] = {
    "displaylogo": False,
    "doubleClick": False,  # a script handles it: show everything and follow the fire again
    "modeBarButtonsToRemove": ["select2d", "lasso2d", "autoScale2d", "toImage"],
    "scrollZoom": True,
    "responsive": True,
}


def layout(**_query: str) -> Any:
    """Lay out the page."""
    glance = [
        html.P([_span("glance-alarm"), _span("glance-advice")], id="glance-wrong"),
        html.P("", id="glance-zone"),
        html.P([_span("glance-number"), _span("glance-way", className="way")]),
        html.P("", id="glance-need"),
    ]
    words = [html.P("", id="verdict"), html.P([_span("since-wood"), _span("come")], id="next")]
    switches = [
        _one_of("fire-view", VIEWS),
        _one_of("fire-window", WINDOWS, persistence=True),
        button("Glance", "glance-open"),
    ]
    verdict_row = [html.Div(words, className="words"), html.Div(switches, className="switches")]
    how = {"responsive": True, "figure": NOTHING, "config": GRAPH, "className": "graph"}
    graphs = [dcc.Graph(id="traces", **how), dcc.Graph(id="heat", style={"display": "none"}, **how)]
    chart = section(*graphs, id="chart", label="Temperatures over time")
    parts: list[Any] = [
        html.H1("Fire", className="unseen"),
        *stores("fire", here=1, place=None, spot_asked=None),
        *chosen("fire"),
        _waiting(),
        html.Section(id="ended-summary", **{"aria-label": "This firing in brief"}),
        html.Div(verdict_row, id="verdict-row"),
        html.Ol(id="zones", **{"aria-label": "Zones, coldest first"}),
        html.Div([chart, _side()], id="course"),
        html.P("", id="fire-done", role="status"),
        dcc.Store(id="edit-event"),
        *dialogs(),
        _end_dialog(),
        dmc.Modal(
            html.Div(glance, id="glance-words"),
            id="glance",
            fullScreen=True,
            title="At a glance",
            closeButtonProps={"aria-label": "Close", "size": "xl"},
        ),
    ]
    return html.Div(parts, id="fire", className="opening")


def _span(own: str, **more: Any) -> Any:
    return html.Span("", id=own, **more)


FIRST_STEPS: Final = (
    "Plan it: what you will fire and how hot, where each probe will sit, what should raise an alarm.",
    "Plug in the rig. Its first reading opens a firing and appears here.",
    "Check the rig while it is cold, arm the plan, and light the fire.",
)


def _waiting() -> Any:
    return section(
        html.H2("No firing yet"),
        html.Ol(items(FIRST_STEPS)),
        dcc.Link("Prepare a firing", href="/prepare", className="button main"),
        html.P(["Readings from an earlier fire? ", dcc.Link("Import them", href="/firings?show=import")]),
        id="waiting",
        hidden=True,
        label="Before the first firing",
    )


VIEWS: Final = (("traces", "Traces"), ("heat", "Stack through time"))
WINDOWS: Final = (("whole", "Whole"), ("1800", "30 min"), ("600", "10 min"))
SIDES: Final = (("now", "Stack"), ("zones", "Zones"), ("log", "Log"))


def _one_of(own: str, choices: tuple[tuple[str, str], ...], **more: Any) -> Any:
    """Make a switch between choices, at first the first."""
    return dmc.SegmentedControl(id=own, value=choices[0][0], data=options(choices), **more)


def _side() -> Any:
    now = [
        graph("stack", className="stack"),
        html.P("Touch the place where you add wood, rake, or aim the gun.", className="hint act"),
        html.Ol(id="values", tabIndex=0, **{"aria-label": "Probes, from the top down"}),
    ]
    zones = [
        html.Ol(id="zone-details"),
        dmc.Switch(id="fire-bands", label="Show estimates of the pots", checked=True, persistence=True),
        html.Ul(id="limits", **{"aria-label": "What this rig can't judge"}),
    ]
    log = [
        html.H2("What happened"),
        html.Ol(id="events"),
        html.Details([html.Summary("Alarms so far"), html.Ol(id="past-alarms")]),
        button("End the firing …", "end-open", className="act"),
    ]
    return section(
        _one_of("fire-side", SIDES, fullWidth=True),
        button("Note …", "note-open", className="act"),
        html.Div(now, id="side-now"),
        html.Div(zones, id="side-zones", hidden=True, tabIndex=0),
        html.Div(log, id="side-log", hidden=True, tabIndex=0),
        id="side",
        label="The stack, its zones, and what happened",
    )


def _end_dialog() -> Any:
    choices = [
        button("End the firing", "end-now", className="big main"),
        button("Keep recording", "end-not", className="big"),
    ]
    words = "Nothing more is recorded until the next firing. Coals stay hot under ash for a day."
    return dialog("end-dialog", "End the firing?", html.P(words), html.Div(choices, className="choices"))


client("arrive", Output("fire-here", "storage_type"), Input("fire-here", "data"))
client(
    "look",
    *outputs("traces.style", "heat.style"),
    *inputs("fire-view.value", "fire-window.value", "fire-bands.checked"),
)
let_single_out("fire", "traces")


@callback(
    *outputs("side-now.hidden", "side-zones.hidden", "side-log.hidden"),
    Input("fire-side", "value"),
)
def turn(side: str) -> list[bool]:
    """Show one of the panels beside the traces."""
    return [side != name for name in ("now", "zones", "log")]


for _dialog, _door in (("glance", "glance-open"), ("end-dialog", "end-open")):
    on_change(Output(_dialog, "opened"), Input(_door, "n_clicks"))(lambda _: True)


@act(
    *outputs("end-dialog.opened", "fire-done.children", again=True),
    *inputs("end-now.n_clicks", "end-not.n_clicks"),
    running=asking("end-dialog"),
)
async def end(now: int | None, go_on: int | None) -> Any:
    """End the firing, once confirmed."""
    if ctx.triggered_id != "end-now" or not now:
        return False, no_update
    answer = await carry_out("finish", {})
    return False, WAITING if answer.get("waiting") else "The firing has ended."


@on_change(Output("ended-summary", "children"), Input("fire", "className"), Input("unit", "data"))
async def summary(state: str, unit: str) -> Any:
    """Sum up an ended firing: peaks, verdicts, and where to go from here."""
    if state != "ended":
        return []
    in_unit = unit_of(unit)
    try:
        known = await here().gathering.known("last")
    except StokewatchError:
        return []
    info = known.info
    rows = []
    for zone in verdicts(known, shown(in_unit, "UTC")):
        if zone["peak_c"] is not None:
            peak = html.Span(degrees(zone["peak_c"], in_unit), className="level")
            rows.append(html.Li([html.B(zone["zone"]), peak, html.Span(zone["verdict"])]))
    doors = (
        dcc.Link("Report", href=f"/report/{info.id}"),
        dcc.Link("Replay", href=f"/replay/{info.id}"),
        dcc.Link("Prepare the next firing", href="/prepare"),
    )
    return [
        html.H2("How it went"),
        door_row(*doors),
        html.P("Each zone's peak and verdict, coldest first.", className="hint"),
        html.Ol(rows),
    ]
