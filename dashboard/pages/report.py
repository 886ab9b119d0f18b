"""One firing's report: how it went, what people wrote down about it, photos of the pots, files to save."""

import asyncio
import contextlib
from typing import Annotated, Any, Final, Literal
from urllib.parse import quote, unquote

import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, callback, ctx, dcc, html, no_update
from dash.exceptions import PreventUpdate
from fastapi import APIRouter, Cookie, Depends, Query, Request
from starlette.responses import FileResponse, Response

from dashboard import tables
from dashboard.acts import write
from dashboard.context import Context, here
from dashboard.figures.heat_map import heat_figure
from dashboard.figures.look import Theme, Unit, theme_of, unit_of
from dashboard.figures.model import Course
from dashboard.figures.traces import glass_of, traces_figure
from dashboard.pages import progress
from dashboard.pages.asked import act, button_pressed, glass_px, id_of, next_turn, on_change
from dashboard.parts.comparison import WHOSE, told_of_load, verdict_rows
from dashboard.parts.description import form, photos
from dashboard.parts.frame import button, door_row, page_top, picture, save_as, scroll, stores
from dashboard.parts.wiring import client, inputs, outputs, states
from dashboard.security.guard import may_act
from dashboard.stored.exports import FILES, download_headers, file_name
from dashboard.words import span
from dashboard.work.works import Work
from logger.journal.reader import JournalReader
from logger.report.describe import FIELDS, TITLE, describe
from logger.report.document import POINTS, document
from logger.report.gather import Gathered
from logger.report.photos import MAX_BYTES, MOST, PhotoError, keep_photo, photo_called, photos_of
from logger.report.shown import Shown, shown
from logger.report.story import story, verdicts
from logger.requests import RequestError

MAX_POINTS: Final = 900
STEPS: Final = 300
HIGH_PX: Final = 420
"""Height of the traces, as in `rooms.css`."""
MAX_ZONE: Final = 60
PHOTOS: Final = "/api/report/photos"
"""Receives a photo of up to `MAX_BYTES`."""


def layout(firing: str = "", **_query: str) -> Any:
    """Lay out the report of a firing: its ID, or `last`."""
    parts: list[Any] = [
        *stores("report", firing=firing, ready=None, saved={}, photos_turn=0),
        page_top("Report", html.P("", id="report-about"), own="report-name"),
        door_row(id="report-doors"),
        progress.working("report"),
        html.Div(id="report-body", hidden=True, children=_body()),
    ]
    return html.Div(parts, id="report")


def _body() -> list[Any]:
    return [
        html.H2("Verdict, zone by zone"),
        scroll("Verdicts", id="report-verdicts"),
        html.H2("Traces"),
        picture("report-traces", "Traces of all probes; the tables give their figures", "report-picture"),
        html.H2("The stack through time"),
        picture(
            "report-heat", "Temperature by height and time, blank where no probe was near", "report-picture"
        ),
        html.H2("The whole load"),
        html.Dl(id="report-facts"),
        html.P(f"{WHOSE}.", className="sources"),
        html.Div(id="report-form"),
        door_row(dmc.Button("Save", id="report-save"), html.P("", id="report-written", role="status")),
        html.H2("Photos of the pots"),
        html.P(f"Up to {MOST}, scaled down and kept with the report. Where they were taken is removed."),
        door_row(button("Add photos …", "report-add-photos")),
        html.P("", id="report-photos-said", role="status"),
        html.Div(id="report-photos", className="photos"),
    ]


# --- how it went --------------------------------------------------------------------------------------------


async def _rehearsal(firing: Any) -> Work:
    gathered = here().gathering
    return await gathered.rehearsal(await gathered.firing(id_of(firing)))


progress.follow(
    "report",
    Output("report-ready", "data"),
    State("report-firing", "data"),
    find=_rehearsal,
    tell=lambda answer, firing: ("", answer["firing"]),
)


@callback(
    *outputs("report-name.children", "report-about.children", "report-doors.children"),
    *outputs("report-body.hidden", "report-verdicts.children", "report-traces.figure"),
    *outputs("report-heat.figure", "report-facts.children"),
    *inputs("report-ready.data", "unit.data", "glass-px.data", "report-saved.data"),
    State("theme", "data"),
)
async def show(firing: Any, unit: Any, glass: Any, _: Any, theme: Any) -> Any:
    """Show how the firing went."""
    if not id_of(firing):
        raise PreventUpdate
    known = await here().gathering.known(id_of(firing))
    write = shown(unit_of(unit), "UTC")  # times here are minutes since the first reading
    pictures = await asyncio.to_thread(_pictures, known, write, theme_of(theme), glass_px(glass)[0])
    info = known.info
    when = f"First reading {day}" if (day := tables.day_of(info)) else "Date and time unknown"
    about = f"{when}; {span(info.length_s)} recorded, {info.readings:,} readings"
    about += "; still running. " if info.running else ". "
    invented = html.B("Invented firing: nothing here was measured.") if info.invented else ""
    top = info.title or "Firing", [about, invented], _doors(info.id, write.unit)
    rows = verdict_rows(verdicts(known, write), write)
    return *top, False, rows, *pictures, told_of_load(known.facts, write)


def _pictures(known: Gathered, write: Shown, theme: Theme, wide_px: int) -> tuple[Any, Any]:
    info, plan = known.info, known.plan
    with contextlib.closing(JournalReader(here().journal_path)) as reader:
        lines = tables.lines(reader, info, MAX_POINTS)
        steps_s, steps = tables.on_steps(reader, info, STEPS, known.distrusted)
    marks = tables.marks_of(story(known, write))
    zero_s = known.lit.t_s if known.lit.found else 0.0
    course = Course(plan.target_c, plan.burnout_c, zero_s, known.lit.found, write.unit, theme)
    stages = tables.stages(known.rehearsal["stages"])
    glass = glass_of(wide_px - 24, HIGH_PX)
    how: dict[str, Any] = {"length_s": info.length_s, "marks": marks, "stages": stages, "glass": glass}
    heat = heat_figure([line.place for line in lines], steps_s, steps, course, marks=marks)
    return traces_figure(lines, course, **how), heat


def _doors(firing: str, unit: Unit) -> list[Any]:
    own = quote(firing)
    page, file = (f"/api/report/{own}/{what}" for what in (f"page?unit={unit}", "file"))
    files = [html.A("HTML", href=f"{page}&keep=1", id="report-keep", download="")]
    files += [html.A(name, href=f"{file}/{kind}", download="") for kind, (name, *_) in FILES.items()]
    return [
        html.A("Open the report to print it", href=page, target="_blank", id="report-open"),
        save_as("Save as", *files),
        dcc.Link("Replay", href=f"/replay/{own}"),
        dcc.Link("Compare", href=f"/compare?firings={own}"),
    ]


# --- what people wrote down ---------------------------------------------------------------------------------


@callback(
    *outputs("report-form.children", "report-saved.data", "report-photos.children"),
    *inputs("report-ready.data", "report-photos-turn.data"),
)
async def show_form(firing: Any, _: Any) -> Any:
    """Show the form with what has been saved, and the photos."""
    if not id_of(firing):
        raise PreventUpdate
    info = await here().gathering.firing(id_of(firing))
    texts = _texts(info.title, info.facts)
    names = [path.name for path in await asyncio.to_thread(photos_of, here().home, info.id)]
    shown_photos = photos(info.id, names, may_act=may_act())
    if ctx.triggered_id == "report-photos-turn":
        return no_update, no_update, shown_photos
    return form(info.id, texts), texts, shown_photos


def _unsaved(names: list[Any], values: list[Any], saved: Any) -> dict[str, Any]:
    """Return the texts that differ from those saved, by field."""
    known = saved if isinstance(saved, dict) else {}
    found = zip(names, values, strict=False)
    return {n: "" if v is None else v for n, v in found if (v or "") != (known.get(n) or "")}


def _texts(title: str, facts: dict[str, Any]) -> dict[str, str]:
    texts = {f.name: text for f in FIELDS if isinstance(text := facts.get(f.name), str)}
    return {TITLE.name: title, **texts}


@act(
    *outputs("report-form.children", "report-saved.data", again=True),
    Output({"type": "report-text", "name": ALL}, "error"),
    Output("report-written", "children", allow_duplicate=True),
    Input("report-save", "n_clicks"),
    State({"type": "report-text", "name": ALL}, "value"),
    *states("report-saved.data", "report-ready.data"),
)
async def save(_: int | None, values: list[Any], saved: Any, firing: Any) -> Any:
    """Save only what was changed, so that what others wrote meanwhile stays."""
    names = [part["id"]["name"] for part in ctx.states_list[0]]
    texts = _unsaved(names, values, saved)
    errors = [""] * len(names)
    if not texts:
        return no_update, no_update, errors, "Nothing was changed."
    path = here().journal_path
    info = await here().gathering.firing(id_of(firing))
    try:
        changed = await write(path, lambda writer: describe(writer, writer.firing(info.id), texts))
    except RequestError as exc:
        if exc.field not in names:
            raise
        errors[names.index(exc.field)] = str(exc)
        return no_update, no_update, errors, "Not saved."
    # Error outputs of the old form's fields go nowhere: the new form has none.
    kept = _texts(changed.title, changed.facts)
    return form(info.id, kept), kept, [no_update] * len(names), "Saved."


@act(
    Output("report-photos-turn", "data"),
    Input({"type": "report-photo-away", "name": ALL}, "n_clicks"),
    *states("report-ready.data", "report-photos-turn.data"),
)
async def take_photo_away(clicks: list[Any], firing: Any, turn: Any) -> Any:
    """Delete a photo."""
    name = str(button_pressed()["name"])
    photo = await asyncio.to_thread(photo_called, here().home, id_of(firing), name)
    await asyncio.to_thread(photo.unlink, missing_ok=True)
    return next_turn(turn)


@on_change(
    Output("report-written", "children"),
    Input({"type": "report-text", "name": ALL}, "value"),
    Input("report-saved", "data"),
    State({"type": "report-text", "name": ALL}, "id"),
    State("report-written", "children"),
)
def _changed(values: list[Any], saved: Any, ids: list[dict[str, Any]], said: Any) -> str:
    """Say whether everything in the form is saved."""
    if _unsaved([each.get("name") for each in ids], values, saved):
        return "Not saved yet; kept on this tablet."
    return said if said in ("Saved.", "Nothing was changed.") else ""


client(
    "report_photos",
    Output("report-add-photos", "title"),
    Input("report-add-photos", "n_clicks"),
    *states("report-ready.data", "report-photos-turn.data"),
    prevent_initial_call=True,
)


# --- files --------------------------------------------------------------------------------------------------


def routes(context: Context) -> APIRouter:
    """Make the page's endpoints: files to save, the report itself, photos."""
    router = APIRouter(prefix="/api/report")
    gathered = context.gathering

    @router.get("/{firing}/page")
    async def page(
        firing: str,
        unit: Literal["C", "F"] = "C",
        zone: Annotated[str, Query(max_length=MAX_ZONE)] = "",
        keep: bool = False,
        zone_of_tablet: Annotated[str, Cookie(alias="zone", max_length=MAX_ZONE)] = "",
    ) -> Response:
        written_in = shown(unit, zone or unquote(zone_of_tablet))
        known = await gathered.known(firing)
        text = await asyncio.to_thread(_document, context, known, written_in)
        name = file_name(known.info.title, known.info.id, "html")
        headers = download_headers(name, len(text)) if keep else {"cache-control": "no-store"}
        return Response(text, media_type="text/html; charset=utf-8", headers=headers)

    @router.get("/{firing}/file/{kind}", response_class=Response)
    async def file(firing: str, kind: Literal["csv", "parquet", "line-protocol"]) -> Response:
        return await context.exports.make(await gathered.firing(firing), kind)

    @router.get("/{firing}/photo/{name}")
    async def photo(firing: str, name: str) -> FileResponse:
        found = await asyncio.to_thread(photo_called, context.home, firing, name)
        kept = {"cache-control": "private, max-age=3600"}
        return FileResponse(found, media_type="image/jpeg", headers=kept)

    @router.post("/photos", dependencies=[Depends(context.operator)])
    async def add_photo(request: Request, firing: Annotated[str, Query(max_length=60)]) -> dict[str, str]:
        info = await gathered.firing(firing)
        data = bytearray()
        async for piece in request.stream():
            data += piece
            if len(data) > MAX_BYTES:
                raise PhotoError(f"this photo is larger than {MAX_BYTES >> 20} MB; choose a smaller one")
        kept = await asyncio.to_thread(keep_photo, context.home, info.id, bytes(data))
        return {"name": kept.name}

    return router


def _document(context: Context, known: Gathered, written_in: Shown) -> bytes:
    pictures = [path.read_bytes() for path in photos_of(context.home, known.info.id)]
    with contextlib.closing(JournalReader(context.journal_path)) as reader:
        drawn = reader.history(known.info.id, POINTS)
    return document(known, drawn, written_in, pictures).encode()
