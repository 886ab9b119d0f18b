"""Stored firings: find, compare, save, delete and put back; and import files."""

import asyncio
import contextlib
from pathlib import Path
from typing import Annotated, Any, Final
from urllib.parse import quote

import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, callback, ctx, dcc, html, no_update, set_props
from fastapi import APIRouter, Depends, Query, Request
from starlette.responses import Response

from dashboard.context import Context, here
from dashboard.figures.look import unit_of
from dashboard.pages import firings_errands, firings_import, firings_places, progress
from dashboard.pages.asked import button_pressed, ids_of, next_turn, on_change, read_kept
from dashboard.parts.firing_card import binned_card, card, coldest, peak_id
from dashboard.parts.frame import ALL_FIRINGS, button, door_row, notice, options, page_top, stores
from dashboard.parts.wiring import inputs, outputs, states
from dashboard.security.guard import may_act
from dashboard.stored import shelf
from dashboard.words import Unit
from dashboard.work.spool import Spool
from logger.errors import StokewatchError
from logger.journal.reader import FiringInfo

A_PAGE: Final = 24
"""Cards shown at once: hundreds take a browser seconds."""
MOST_COMPARED: Final = 6

UPLOAD: Final = "/api/firings/upload"
"""Receives a file of up to `spool.MAX_BYTES`."""


def layout(show: str = "", places: str = "", **_query: str) -> Any:
    """Lay out the list, the `bin` or the `import`; `places` is the ID of a firing to be given places."""
    if places:
        return firings_places.layout(places)
    if show == "import":
        return firings_import.layout()
    return _list(binned=show == "bin")


def _list(*, binned: bool) -> Any:
    imports = dcc.Link("Import files …", href="/firings?show=import", id="firings-import-door")
    doors = [
        html.Div(imports, id="firings-import-box"),
        dcc.Link("Bin", href="/firings?show=bin", id="firings-bin-door"),
    ]
    if binned:
        doors = [ALL_FIRINGS, button("Empty the bin …", "firings-empty", className="bad", hidden=True)]
    which = "bin" if binned else "list"
    turning = [button("◂ Previous", "firings-before"), button("Next ▸", "firings-after")]
    bar = [
        html.B("", id="firings-bar-count"),
        html.Div(id="firings-bar-door"),
        button("Clear", "firings-none"),
    ]
    named = {"role": "region", "aria-label": "Firings to compare"}
    parts: list[Any] = [
        *stores("firings", which=which, page=0, turn=0, waiting=[], doomed=[], errand=None, made=None),
        dcc.Store(id="firings-chosen", data=[], storage_type="session"),
        dcc.Interval(id="firings-peaks", interval=1000, disabled=True),
        page_top(
            "Bin" if binned else "Firings",
            html.P("", id="firings-count", role="status"),
            door_row(*doors),
        ),
        _finder(which),
        firings_errands.sure(),
        progress.working("firings"),
        html.Ol(id="firings-list"),
        door_row(*turning, id="firings-pages", hidden=True),
        html.Div(bar, id="firings-bar", hidden=True, **named),
    ]
    return html.Div(parts, id="firings")


def _finder(which: str) -> Any:
    # The list and the bin each remember their own search.
    kept = {"persistence": which, "persistence_type": "session"}
    sought = {"input": {"type": "search", "maxLength": 200}}
    words = {"label": "Find", "placeholder": "Title, day, clay …", "value": "", "debounce": 300}
    order = {"label": "Sort", "value": "newest", "allowDeselect": False}
    fields = [
        dmc.TextInput(id="firings-find", attributes=sought, **words, **kept),
        dmc.Select(id="firings-order", data=options(shelf.ORDERS.items()), **order, **kept),
    ]
    return html.Div(fields, id="firings-finder")


# --- the list -----------------------------------------------------------------------------------------------


@callback(
    *outputs("firings-list.children", "firings-count.children", "firings-waiting.data"),
    *outputs("firings-peaks.disabled", "firings-pages.hidden", "firings-before.disabled"),
    *outputs("firings-after.disabled", "firings-page.data"),
    *inputs("firings-find.value", "firings-order.value", "firings-page.data", "unit.data"),
    *inputs("theme.data", "firings-turn.data", "me.data"),
    *states("firings-which.data", "firings-chosen.data"),
)
async def show(
    words: Any, order: Any, page: Any, unit: Any, theme: Any, _: Any, __: Any, which: Any, chosen: Any
) -> Any:
    """List the firings that match the search."""
    path, binned = here().journal_path, which == "bin"
    every = await asyncio.to_thread(shelf.firings, path, binned=binned)
    searched = len(every) > 1  # otherwise the search field is hidden
    infos = shelf.found(every, words[:200] if isinstance(words, str) and searched else "")
    order = order if isinstance(order, str) else "newest"
    peaks: dict[str, float] = {}
    missing: list[str] = []
    if order in ("hottest", "coldest") and infos:
        peaks, missing = await asyncio.to_thread(shelf.peaks_of, path, infos)
    infos = shelf.in_order(infos, order, peaks)
    pages = max(1, -(-len(infos) // A_PAGE))
    at = min(max(read_kept(int, page) or 0, 0), pages - 1)
    some = infos[at * A_PAGE : (at + 1) * A_PAGE]
    rows = await asyncio.to_thread(shelf.rows, path, some) if some else []
    for row in rows:
        row.failed, row.waits = not row.known and _key(path, row.info) in _failed, not binned
    looks: dict[str, Any] = {"night": theme == "night", "may_act": may_act()}
    own: Unit = unit_of(unit)
    if binned:
        cards = [binned_card(row, own, **looks) for row in rows]
        set_props("firings-empty", {"hidden": not (every and looks["may_act"])})
    else:
        cards = [card(row, own, chosen=row.info.id in ids_of(chosen), **looks) for row in rows]
        set_props("firings-import-box", {"hidden": not looks["may_act"]})
    set_props("firings-finder", {"hidden": not searched})
    unknown = [row.info.id for row in rows if not (row.known or row.failed or row.info.running)]
    waiting = [] if binned else [*unknown, *(firing for firing in missing if firing not in unknown)]
    count = _count(len(infos), len(every), at, pages, binned=binned)
    moved = at if at != page else no_update
    return cards, count, waiting, not waiting, pages == 1, at == 0, at == pages - 1, moved


def _count(found: int, every: int, at: int, pages: int, *, binned: bool) -> str:
    if not every:
        none = "No firings yet. The first appears with the rig's first reading; you can also import a file."
        return "The bin is empty." if binned else none
    if not found:
        return f"No match among {every} firings."
    what = "firing" if every == 1 else "firings"
    said = f"{every} {what}" if found == every else f"{found} of {every} {what}"
    return said if pages == 1 else f"{said}, {at * A_PAGE + 1} to {min((at + 1) * A_PAGE, found)}"


@on_change(
    Output("firings-page", "data", allow_duplicate=True),
    *inputs("firings-before.n_clicks", "firings-after.n_clicks"),
    State("firings-page", "data"),
)
def turn_page(_: Any, __: Any, page: Any) -> int:
    """Show the previous or next page."""
    return max(0, (read_kept(int, page) or 0) + (1 if ctx.triggered_id == "firings-after" else -1))


_failed: set[tuple[Path, str, int | None, int]] = set()
"""Firings that could not be rehearsed, as they were then; tried again once they have changed."""


@on_change(
    Output(peak_id(ALL), "children"),
    *outputs("firings-waiting.data", "firings-peaks.disabled", "firings-turn.data", again=True),
    Input("firings-peaks", "n_intervals"),
    *states("firings-waiting.data", "firings-order.value", "firings-turn.data", "unit.data"),
)
async def work_out_peaks(_: Any, waiting: Any, order: Any, turn: Any, unit: Any) -> Any:
    """Work out the next unknown peak and write it into its card.

    The cards stay in place, since a finger or the keyboard's focus may be on one; they are sorted again once
    all peaks are known.
    """
    path, there = here().journal_path, [part["id"]["firing"] for part in ctx.outputs_list[0]]
    gathered, left = here().gathering, ids_of(waiting)
    told: list[Any] = [no_update] * len(there)
    info = None
    while left and (info is None or info.running):
        with contextlib.suppress(StokewatchError):  # deleted meanwhile
            info = await gathered.firing(left[0])
        if info is not None and not info.running:
            work = await gathered.rehearsal(info)
            if await progress.so_far(work) is not None:
                return told, left, False, no_update
            if work.failed:
                _failed.add(_key(path, info))
            for row in await asyncio.to_thread(shelf.rows, path, [info] if info.id in there else []):
                row.failed = work.failed
                told[there.index(info.id)] = coldest(row, unit_of(unit))
        left = left[1:]
    by_heat = order in ("hottest", "coldest")
    return told, left, not left, next_turn(turn) if by_heat and not left else no_update


def _key(path: Path, info: FiringInfo) -> tuple[Path, str, int | None, int]:
    return path, info.id, info.last_us, info.readings


# --- comparing ----------------------------------------------------------------------------------------------


@on_change(
    Output("firings-chosen", "data"),
    Output({"type": "firing-choose", "firing": ALL}, "aria-pressed"),
    Input({"type": "firing-choose", "firing": ALL}, "n_clicks"),
    Input("firings-none", "n_clicks"),
    State({"type": "firing-choose", "firing": ALL}, "id"),
    State("firings-chosen", "data"),
)
def choose(clicks: list[Any], _: Any, there: list[Any], chosen: Any) -> Any:
    """Add a firing to those to be compared, or remove it."""
    ids = [] if ctx.triggered_id == "firings-none" else ids_of(chosen)
    if ctx.triggered_id != "firings-none":
        firing = str(button_pressed().get("firing"))
        if firing in ids:
            ids.remove(firing)
        elif len(ids) >= MOST_COMPARED:
            notice(f"You can compare at most {MOST_COMPARED} firings; remove one first.")
        else:
            ids.append(firing)
    return ids, [str(each.get("firing") in ids).lower() for each in there]


@callback(
    *outputs("firings-bar.hidden", "firings-bar-count.children", "firings-bar-door.children"),
    Input("firings-chosen", "data"),
    State("firings-which", "data"),
)
def show_chosen(chosen: Any, which: Any) -> Any:
    """Show how many firings are chosen, and the link to compare them."""
    ids = ids_of(chosen)[:MOST_COMPARED]
    door = html.Span("Choose at least one more.")
    if len(ids) > 1:
        href = f"/compare?firings={quote(','.join(ids), safe=',')}"
        door = dcc.Link("Compare them", href=href, className="main")
    return not ids or which == "bin", f"{len(ids)} chosen", door


# --- endpoints ----------------------------------------------------------------------------------------------


def routes(context: Context) -> APIRouter:
    """Make the page's endpoints: uploads, and files ready for download."""
    router = APIRouter(prefix="/api/firings")
    spool = Spool(context.home)

    @router.get("/made/{token}", response_class=Response)
    async def made(token: str) -> Response:
        return context.exports.take(token)

    @router.post("/upload", dependencies=[Depends(context.operator)])
    async def upload(
        request: Request,
        name: Annotated[str, Query(max_length=400)],
        batch: Annotated[str, Query(max_length=40)] = "",
    ) -> dict[str, str]:
        token = batch or spool.open()
        return {"batch": token, "name": await spool.take(token, name, request.stream())}

    return router
