"""The frame of every page: head, alarms, operator's PIN, light and unit, and the live link."""

from typing import Any, Final

import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, callback, ctx, dcc, html, page_container
from dash.exceptions import PreventUpdate

from dashboard.acts import ask
from dashboard.context import here
from dashboard.figures.look import TEMPLATES
from dashboard.parts.frame import button, dialog, options, section
from dashboard.parts.wiring import client, inputs, outputs, states
from dashboard.security.guard import operator_only, who_asks

CAUTION: Final = "Stokewatch can fail: keep watching the fire, not only the tablet."

INDEX: Final = """<!DOCTYPE html>
<html lang="en" data-theme="@theme@">
    <head>
        {%metas%}
        <meta name="stokewatch-version" content="@version@">
        <meta name="theme-color" content="#f7f5f0">
        <title>{%title%}</title>
        <link rel="manifest" href="/assets/manifest.webmanifest">
        <link rel="icon" href="/assets/icon.svg" type="image/svg+xml">
        {%css%}
    </head>
    <body data-state="opening" data-page="@page@">
        @first-look@
        {%app_entry%}
        <div>{%config%}{%scripts%}{%renderer%}</div>
    </body>
</html>"""

WAITING: Final = "The logger isn't answering; this will be carried out when it is back."

DOORS: Final = (("/prepare", "Prepare"), ("/", "Fire"), ("/firings", "Firings"))
"""The pages with their own link at the top; the others are reached from a firing."""

FACE: Final = '"Atkinson Hyperlegible Next", "DejaVu Sans", sans-serif'

FOR_FINGERS: Final = (
    *("Autocomplete", "Button", "Checkbox", "MultiSelect", "PasswordInput", "Select", "Slider", "Switch"),
    *("TagsInput", "Textarea", "TextInput"),
)
"""Made large everywhere."""

THEME: Final[dict[str, Any]] = {
    "fontFamily": FACE,
    "headings": {"fontFamily": FACE},
    "primaryColor": "dark",  # colour is only for heat and alarms
    "primaryShade": 9,
    "autoContrast": True,
    "defaultRadius": "sm",
    "fontSizes": {"xs": "15px", "sm": "16px", "md": "17px", "lg": "19px", "xl": "22px"},
    "cursorType": "pointer",
    "respectReducedMotion": True,
    "components": {
        **{name: {"defaultProps": {"size": "lg"}} for name in FOR_FINGERS},
        # What was typed stays as it is; a wrong number is refused next to the field, not changed.
        "NumberInput": {"defaultProps": {"size": "lg", "clampBehavior": "none", "hideControls": True}},
        # The description is below the field, so that fields side by side line up.
        "InputWrapper": {"defaultProps": {"inputWrapperOrder": ["label", "input", "description", "error"]}},
    },
}


def shell() -> Any:
    """Lay out the frame around the pages."""
    top = [_head(), _settings()]
    banners = [
        _silence("lost", "No connection to Stokewatch"),
        _silence("stale"),
        html.Div(id="silenced"),
        html.Div(id="alarms", role="alert"),
    ]
    foot = [
        html.P(CAUTION, id="caution"),
        html.P("", id="done", role="status"),
        html.P("", id="health"),
        html.P("", id="awake"),
    ]
    glass = [
        html.A("Skip to the page", href="#main", className="skip"),
        section(*top, id="top", label="Pages and settings"),
        section(*banners, id="banners", label="What is wrong"),
        html.Main(page_container, id="main", tabIndex=-1),
        html.Div(foot, id="foot", role="contentinfo"),
    ]
    parts: list[Any] = [
        dcc.Store(id="unit", storage_type="local", data="C"),
        dcc.Store(id="theme", storage_type="local", data="day"),
        dcc.Store(id="templates", data=TEMPLATES),
        dcc.Store(id="glass-px"),
        dcc.Store(id="me", data=None),
        dcc.Interval(id="me-again", interval=60_000),
        html.Div(id="hears-alarms"),
        dmc.NotificationContainer(id="notes", position="bottom-right"),
        html.Div(glass, id="glass"),
        _pin_dialog(),
    ]
    return dmc.MantineProvider(parts, id="mantine", theme=THEME, forceColorScheme="light")


def _head() -> Any:
    stage = [
        html.Span("", id="stage-line"),
        " · ",
        html.Span("", className="clock", id="clock"),
        html.Span(" · invented", id="invented", hidden=True),
    ]
    name = [html.P("Stokewatch", id="firing-title"), html.P(stage, className="stage")]
    doors = [dcc.Link(text, href=path, id=f"door-{text.lower()}") for path, text in DOORS]
    parts = [
        html.Div(name, className="name"),
        html.Nav(doors, id="doors", **{"aria-label": "Pages"}),
        button("Sound off", "sound", **{"aria-pressed": "false"}),
    ]
    return html.Div(parts, id="head")


def _settings() -> Any:
    units = options((("C", "°C"), ("F", "°F")))
    parts: list[Any] = [
        dmc.SegmentedControl(id="unit-choice", data=units, value="C", persistence=True),
        button("Night", "theme-choice"),
        button("Operator …", "operator", hidden=True),
    ]
    return html.Div(
        parts, id="settings", role="group", **{"aria-label": "How the page looks, and who can act"}
    )


def _silence(name: str, head: str = "") -> Any:
    words = [html.B(head, id=f"{name}-head", role="alert"), html.Span("", id=f"{name}-words")]
    return html.Div([*words, button("Quiet", f"{name}-quiet")], id=name, className="stale", hidden=True)


def _pin_dialog() -> Any:
    number = {"inputMode": "numeric", "autoComplete": "off", "maxLength": 12}
    name = {"maxLength": 40}
    fields = [
        html.P("Anyone may watch. To act, enter the PIN that Stokewatch showed when it started."),
        dmc.PasswordInput(id="pin", label="PIN", attributes={"input": number}),
        dmc.TextInput(id="pin-who", label="Your name, for the log (optional)", attributes={"input": name}),
        html.P("", id="pin-wrong", className="wrong", role="alert"),
        dmc.Button("Enter", id="pin-enter"),
    ]
    return dialog("pin-dialog", "Operator", dmc.Stack(fields))


client("choose_unit", Output("unit", "data"), Input("unit-choice", "value"))
client(
    "choose_theme",
    Output("theme", "data"),
    Input("theme-choice", "n_clicks"),
    State("theme", "data"),
    prevent_initial_call=True,
)
client(
    "show_theme",
    *outputs("mantine.forceColorScheme", "theme-choice.children"),
    Input("theme", "data"),
)
client(  # for all figures but those of the Fire page, which are sent anew
    "retemplate",
    Output("templates", "storage_type"),
    Input("theme", "data"),
    State("templates", "data"),
    prevent_initial_call=True,
)
client("measure", Output("glass-px", "data"), Input("glass-px", "storage_type"))
client(
    "wish", Output("hears-alarms", "title"), *inputs("_pages_location.pathname", "unit.data", "theme.data")
)
client("me", Output("me", "data"), Input("_pages_location", "pathname"), Input("me-again", "n_intervals"))
client(
    "enter",
    Output("me", "data", allow_duplicate=True),
    *outputs("pin-dialog.opened", "pin-wrong.children", "pin.value"),
    *inputs("pin-enter.n_clicks", "pin.n_submit"),
    *states("pin.value", "pin-who.value"),
    prevent_initial_call=True,
)
client(
    "show_operator",
    *outputs("operator.hidden", "operator.children"),
    Input("me", "data"),
)
client(
    "operator_button",
    *outputs("me.data", "pin-dialog.opened", again=True),
    Input("operator", "n_clicks"),
    State("me", "data"),
    prevent_initial_call=True,
)


@callback(
    Output("done", "children"),
    Input({"type": "alarm-act", "act": ALL, "key": ALL, "minutes": ALL}, "n_clicks"),
    prevent_initial_call=True,
)
@operator_only
async def act_on_alarm(clicks: list[int | None]) -> Any:
    """Acknowledge an alarm, silence it for a while, or resume it."""
    pressed = ctx.triggered_id
    if not pressed or not any(clicks) or not ctx.triggered[0]["value"]:
        raise PreventUpdate  # a button has appeared, but nobody has pressed it
    silent = f"Silenced for {pressed['minutes']} min."
    done = {"ack": "Acknowledged.", "shelve": silent, "unshelve": "No longer silenced."}
    if (act := pressed["act"]) not in done:
        raise PreventUpdate
    data = {"minutes": pressed["minutes"]} if act == "shelve" else {}
    keys = str(pressed["key"]).split("\n")
    answers = [await ask(here().journal_path, act, {"key": key, **data}, who_asks()) for key in keys]
    return WAITING if any(answer.get("waiting") for answer in answers) else done[act]
