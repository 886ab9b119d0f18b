"""Importing files: a preview, questions, and the firing made from them."""

import asyncio
from datetime import datetime
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote
from zoneinfo import available_timezones

import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, callback, dcc, html, no_update, set_props
from dash.exceptions import PreventUpdate

from dashboard.context import here
from dashboard.figures.look import unit_of
from dashboard.pages import progress
from dashboard.pages.asked import act, button_pressed, read_kept
from dashboard.pages.firings_sent import READ, files_sent, imports, looked_at, spool_here, works_here
from dashboard.parts.frame import ALL_FIRINGS, button, door_row, options, page_top, stores
from dashboard.parts.import_form import (
    FIELDS,
    ReadingRefused,
    fields,
    page_words,
    reading_of,
    refusal_words,
    understood,
    way_words,
)
from dashboard.parts.wiring import client, states
from dashboard.security.guard import operator_only
from dashboard.stored import shelf
from dashboard.work.works import Work

HEADERS: Final = 300
"""Column names offered at most; any other can be typed."""


BURNING: Final = (
    "A firing is running. During an import its readings wait in memory: a small file takes less than a "
    "second; leave large ones until the fire is out."
)
ABOUT: Final = (
    "A table of times and temperatures, as CSV or text, from any logger. If it wrote one file per channel, "
    "choose them all at once."
)


def layout() -> Any:
    """Lay out the page."""
    parts: list[Any] = [
        dcc.Location(id="import-address", refresh="callback-nav"),
        *stores("import", sent=None, errand=None, found=None, ways=[]),
        page_top("Import files", html.P(ABOUT, id="import-about"), door_row(ALL_FIRINGS)),
        html.P("", id="import-burning"),
        door_row(button("Choose files …", "import-choose", className="main")),
        html.P("", id="import-files", role="status"),
        progress.working("import"),
        html.Div("", id="import-done", role="status"),
        html.Div(_form(), id="import-form", hidden=True),
    ]
    return html.Div(parts, id="import")


def _form() -> list[Any]:
    zones = sorted(zone for zone in available_timezones() if "/" in zone and not zone.startswith("Etc"))
    how = [html.Summary("How to read it"), html.Div(fields(zones), className="fields")]
    begun = dmc.TextInput(
        id="import-begun",
        label="Started, if known",
        description="Local time of Stokewatch's computer",
        value="",
        attributes={"input": {"type": "datetime-local", "step": 1}},
    )
    from_plan = {"label": "Probes and limits from", "placeholder": "no plan", "data": [], "clearable": True}
    facts = [
        dmc.TextInput(id="import-title", label="Title", value=""),
        _boxed(begun),
        _boxed(dmc.Select(id="import-plan", **from_plan), hidden=True),
        dmc.Switch(id="import-invented", label="Invented, not measured"),
    ]
    return [
        html.Div("", id="import-refused", role="alert"),
        html.Div("", id="import-same", role="alert"),
        _boxed(dmc.Switch(id="import-again", label="Import it again anyway")),
        _boxed(dmc.Switch(id="import-pause", label="The missing hour was a pause")),
        html.Details(how, id="import-how", open=False),
        html.Div(facts, className="fields"),
        door_row(
            dmc.Button("Import", id="import-now", disabled=True),
            dmc.Button("Cancel", id="import-cancel", variant="default"),
        ),
        html.Div(id="import-understood"),
    ]


def _boxed(field: Any, **more: Any) -> Any:
    """Put a field in a box that hides its label too."""
    return html.Div(field, id=f"{field.id}-box", **more)


client(
    "import_files",
    Output("import-choose", "title"),
    Input("import-choose", "n_clicks"),
    prevent_initial_call=True,
)


@callback(Output("import-burning", "children"), Input("import-sent", "data"))
@operator_only
async def say_burning(_: Any) -> str:
    """Warn what an import costs while a firing is running."""
    infos = await asyncio.to_thread(shelf.firings, here().journal_path)
    return BURNING if any(info.running for info in infos) else ""


# --- preview ------------------------------------------------------------------------------------------------


@act(
    Output("import-errand", "data"),
    Output("import-poll", "disabled", allow_duplicate=True),
    Output(READ, "error"),
    Output("import-title", "placeholder"),
    Input("import-sent", "data"),
    Input(READ, "value"),
    State(READ, "id"),
    State("import-errand", "data"),
)
async def look_again(sent: Any, values: list[Any], ids: list[Any], running: Any) -> Any:
    """Look at the files again: new ones were sent, or the reading options changed."""
    files = files_sent(sent)
    if not files.files or imports(running):
        raise PreventUpdate
    await works_here().stop(running)
    if running != files.batch:
        spool_here().drop(str(running))
    try:
        reading = reading_of(ids, values)
    except ReadingRefused as exc:
        return no_update, True, [exc.wrong.get(own.get("field"), "") for own in ids], no_update
    paths = [str(path) for path in spool_here().files(files.batch, files.files)]
    works_here().begin_apart("preview", "Reading …", files.batch, files=paths, options=reading)
    return files.batch, False, [no_update] * len(ids), Path(files.files[0]).stem


async def _find(errand: Any, _: Any) -> Work | None:
    return works_here().find(errand)


def _tell(answer: dict[str, Any], errand: Any, found: Any) -> tuple[str, Any]:
    """Report the outcome: a preview's key is its batch; an import is of the files `found` before."""
    if "firing" not in answer:
        return "", errand
    spool_here().drop(str(found))
    set_props("import-form", {"hidden": True})
    set_props("import-files", {"children": ""})
    set_props("import-sent", {"data": None})
    set_props("import-errand", {"data": None})
    set_props("import-done", {"children": _done(answer)})
    return "", None


progress.follow(
    "import",
    Output("import-found", "data"),
    *states("import-errand.data", "import-found.data"),
    find=_find,
    tell=_tell,
    failed=lambda why, *_: page_words(why)[0],
    stopped=None,
)


def _done(made: dict[str, Any]) -> Any:
    own = quote(made["firing"])
    doors = [
        dcc.Link("Replay it", href=f"/replay/{own}", className="main"),
        dcc.Link("Places, zones and plan", href=f"/firings?places={own}"),
        ALL_FIRINGS,
    ]
    return html.Div([html.P(["Imported: ", html.B(made["title"]), "."]), door_row(*doors)])


@act(
    output={
        "form": Output("import-form", "hidden"),
        "refused": Output("import-refused", "children"),
        "same": Output("import-same", "children"),
        "again": Output("import-again-box", "hidden"),
        "pause": Output("import-pause-box", "hidden"),
        "understood": Output("import-understood", "children"),
        "begun": Output("import-begun-box", "hidden"),
        "plans": Output("import-plan", "data"),
        "no_plans": Output("import-plan-box", "hidden"),
        "open": Output("import-how", "open"),
        "ways": Output("import-ways", "data"),
        "errors": Output(READ, "error", allow_duplicate=True),
        "boxes": Output({"type": "read-box", "field": ALL}, "className"),
        "files": Output("import-files", "children"),
    },
    inputs={"found": Input("import-found", "data"), "unit": Input("unit", "data")},
    state={
        "ids": State(READ, "id"),
        "sent": State("import-sent", "data"),
        "was_open": State("import-how", "open"),
    },
)
async def show(found: Any, unit: Any, ids: list[Any], sent: Any, was_open: Any) -> dict[str, Any]:
    """Show what was understood, and ask what wasn't."""
    if not isinstance(found, str):
        raise PreventUpdate
    told, leaps, same = await looked_at(found)
    whole = told["whole"]
    error, asked = page_words(whole["error"] or "")
    hints = whole["refusal"]["hints"] if whole["refusal"] else []
    ways = [hint for hint in hints if hint["value"] is not None]
    if whole["refusal"]:
        asked = [hint["field"] for hint in hints if hint["field"] in FIELDS] or asked
        error = refusal_words(whole["refusal"]) or error
    if leaps:
        error, asked = page_words(leaps[0])[0], ["timezone"]
    path = here().journal_path
    fitting = [] if whole["error"] else await asyncio.to_thread(_fitting, path, whole["names"])
    headers = list(dict.fromkeys(header for each in told["files"] for header in each["headers"]))[:HEADERS]
    for name in ("time", "keep", "leave_out"):
        set_props({"type": "read", "field": name}, {"data": headers})
    names = [own_id.get("field") for own_id in ids]
    started = whole["started"]
    begun = f"{datetime.fromisoformat(started).astimezone():%-d %B %Y, %H:%M:%S}" if started else ""
    return {
        "form": False,
        "refused": _refused(error, ways, stands=bool(whole["error"])) if error else "",
        "same": _same(same),
        "again": not same,
        "pause": not leaps,
        "understood": understood(told, unit_of(unit), begun),
        "begun": bool(whole["error"]) or whole["started"] is not None,
        "plans": fitting,
        "no_plans": not fitting,
        "open": bool(asked and not ways) or bool(was_open),  # what one tap answers needs no field
        "ways": ways,
        "errors": ["say which" if name in asked else "" for name in names],
        "boxes": ["asked" if name in asked else "" for name in names],
        "files": ", ".join(files_sent(sent).files),
    }


def _refused(error: str, ways: list[dict[str, Any]], *, stands: bool) -> Any:
    buttons = [
        button(way_words(way["field"], way["value"], way["words"]), {"type": "import-way", "n": n})
        for n, way in enumerate(ways)
    ]
    head = "It can't be imported yet. " if stands else "One question first. "
    end = "" if error.endswith((".", "?", ":")) else "."
    return [html.P([html.B(head), error + end]), door_row(*buttons) if buttons else ""]


def _same(same: list[Any]) -> Any:
    parts: list[Any] = [html.B("This file has already been imported: ")]
    for n, info in enumerate(same[:3]):
        parts.append(", " if n else "")
        title = info.title or "Firing"
        if info.binned:
            parts += [title, " (in the ", dcc.Link("bin", href="/firings?show=bin"), ")"]
        else:
            parts.append(dcc.Link(title, href=f"/replay/{quote(info.id)}"))
    return html.P([*parts, "."]) if same else ""


def _fitting(path: Path, names: list[str]) -> list[dict[str, str]]:
    """List plans whose probes are named like the columns: a file holds no heights."""
    own = {name.casefold() for name in names}
    found = [(sum(name.casefold() in own for name in p["names"]), p) for p in shelf.known_plans(path)]
    best = sorted(found, key=lambda each: each[0], reverse=True)
    return options((p["ref"], f"{p['title']}: {fits} of {len(names)} columns") for fits, p in best if fits)


@act(
    [Output(READ, "value")],
    Input({"type": "import-way", "n": ALL}, "n_clicks"),
    State("import-ways", "data"),
    State(READ, "id"),
    State(READ, "value"),
)
def take_way(_: list[Any], ways: Any, ids: list[Any], values: list[Any]) -> list[list[Any]]:
    """Take one of the ways forward that a refusal offers."""
    n, found = button_pressed()["n"], read_kept(list[dict[str, Any]], ways) or []
    way = found[n] if isinstance(n, int) and 0 <= n < len(found) else {}
    name, value, names = way.get("field"), way.get("value"), [own.get("field") for own in ids]
    if name not in names:
        raise PreventUpdate
    at = names.index(name)
    if FIELDS[str(name)].takes == "several":
        more = value if isinstance(value, list) else [value]
        before = values[at] if isinstance(values[at], list) else []
        value = [*before, *(str(each) for each in more if str(each) not in before)]
    elif isinstance(value, bool):
        value = "true" if value else "false"
    return [[value if k == at else no_update for k in range(len(names))]]
