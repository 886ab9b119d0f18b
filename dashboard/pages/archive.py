"""The room of stored firings: all of them at a glance, files in, files out."""

from __future__ import annotations

import asyncio
import contextlib
import importlib.util
import re
import secrets
from collections import OrderedDict
from collections.abc import AsyncIterator
from pathlib import Path
from typing import IO, Annotated, Any, Final, Literal

from dash import html
from fastapi import APIRouter, Depends, Query
from fastapi.responses import Response
from pydantic import BaseModel, Field
from starlette.requests import Request

from dashboard.apart import Apart
from dashboard.context import Context
from dashboard.downloads import Download, Downloads
from dashboard.glimpse import glimpse
from dashboard.spool import MAX_BYTES, MAX_FILES, Spool, plain_name
from logger.errors import UserError
from logger.journal.reader import FiringInfo, JournalReader, NoJournalError
from logger.plan import Plan
from logger.plan.library import list_plans, load_plan

MAX_PICTURES: Final = 24
MAX_PLANS: Final = 30
KEPT_PICTURES: Final = 2000

KINDS: Final = {
    "csv": ("csv", "text/csv; charset=utf-8"),
    "parquet": ("parquet", "application/vnd.apache.parquet"),
    "line-protocol": ("lp", "text/plain; charset=utf-8"),
}

FIELDS: Final = {
    "day-first": "Order of dates",
    "month-first": "Order of dates",
    "decimal": "Decimal sign",
    "delimiter": "Between columns",
    "unit": "Unit of temperature",
    "time": "Column of the time",
    "time-unit": "Unit of the time",
    "timezone": "Time zone",
    "skip": "Lines above the header",
    "last-line": "Last line to read",
    "skip-rows": "Rows to leave out",
    "keep": "Columns to keep",
    "leave-out": "Columns to leave out",
    "no-reading": "Words for no reading",
    "order": "Rows that go back in time",
    "repeats": "Rows of the same time",
    "encoding": "Encoding",
}
"""What the command's options are called on the page."""


class ImportRefused(UserError):
    """Files that can't be imported like that: names the field of the form that helps."""

    def __init__(self, text: str) -> None:
        said, fields = page_words(text)
        super().__init__(said)
        self.field = fields[0] if fields else "files"


class Reading(BaseModel, extra="forbid"):
    """How files are to be read; what is left out is found out. See `logger.exchange.csv_table.CsvOptions`."""

    encoding: Annotated[str, Field(max_length=40)] | None = None
    delimiter: Annotated[str, Field(min_length=1, max_length=1)] | None = None
    decimal: Literal[".", ","] | None = None
    skip: Annotated[int, Field(ge=0)] | None = None
    last_line: Annotated[int, Field(ge=1)] | None = None
    skip_rows: Annotated[list[Annotated[str, Field(max_length=2000)]], Field(max_length=100)] = []
    time: Annotated[list[str], Field(max_length=6)] = []
    time_unit: Annotated[str, Field(max_length=20)] | None = None
    day_first: bool | None = None
    timezone: Annotated[str, Field(max_length=60)] | None = None
    unit: Literal["c", "f", "k"] | None = None
    keep: Annotated[list[str], Field(max_length=100)] = []
    leave_out: Annotated[list[str], Field(max_length=100)] = []
    no_reading: Annotated[list[str], Field(max_length=20)] = []
    order: Literal["refuse", "sort"] = "refuse"
    repeats: Literal["refuse", "last", "spread"] = "refuse"


class Files(BaseModel):
    """Files that were sent, and how to read them."""

    batch: str
    files: Annotated[list[str], Field(min_length=1, max_length=MAX_FILES)]
    reading: Reading = Reading()


class Import(Files):
    """Files to make a firing of."""

    title: Annotated[str, Field(max_length=200)] = ""
    plan: Annotated[str, Field(max_length=120)] = ""
    started_s: Annotated[float, Field(ge=0, le=7.3e9)] | None = None
    invented: bool = False


def layout() -> Any:
    """Give the room, hidden and empty.

    Returns
    -------
    dash component
    """
    return html.Section(
        id="room-archive",
        className="room",
        hidden=True,
        **{"aria-label": "Firings"},
        children=[
            html.Div(
                className="archive-top",
                children=[
                    html.H2("Firings"),
                    html.P(id="archive-said", role="status"),
                    html.Button("Bring in files …", id="archive-bring", type="button"),
                ],
            ),
            html.Div(id="archive-import", hidden=True),
            html.Ol(id="archive-list"),
            html.Div(id="archive-chosen", hidden=True),
        ],
    )


def routes(context: Context) -> APIRouter:
    """Give the room's endpoints.

    Parameters
    ----------
    context : Context

    Returns
    -------
    APIRouter
    """
    router = APIRouter(prefix="/api/archive")
    spool, apart, pictures = Spool(context.home), Apart(), _Pictures(context.journal_path)
    downloads = Downloads(context.home)
    operator = [Depends(context.operator)]

    @router.get("")
    def firings() -> dict[str, Any]:
        return {
            "firings": [_listed(f) for f in _all_firings(context.journal_path)],
            "parquet": importlib.util.find_spec("pyarrow") is not None,
            "max_bytes": MAX_BYTES,
        }

    @router.get("/pictures")
    def some_pictures(ids: Annotated[str, Query(max_length=2000)]) -> dict[str, Any]:
        return pictures.of(ids.split(",")[:MAX_PICTURES])

    @router.get("/{firing}/export/{kind}", response_class=Response)
    async def export(firing: str, kind: Literal["csv", "parquet", "line-protocol"]) -> Download:
        info = await asyncio.to_thread(_firing, context.journal_path, firing)
        place = downloads.place()
        folder = spool.folder(spool.open())
        given = {"journal": str(context.journal_path), "firing": info.id, "kind": kind}
        try:
            out = folder / secrets.token_hex(4)
            await apart.run("export", file_mb=place.room_mb, **given, out=str(out))
            file = out.open("rb")
        except BaseException:
            place.leave()
            raise
        finally:
            spool.drop(folder.name)  # an open file stays readable, and nothing is left however this ends
        ending, media = KINDS[kind]
        name = plain_name(f"{info.title} {info.id}".replace(".", "_") + f".{ending}", f"{info.id}.{ending}")
        return Download(file, place, media, download_headers(name, _size(file)))

    @router.get("/plans")
    def plans() -> list[dict[str, Any]]:
        return known_plans(context)

    @router.post("/upload", dependencies=operator)
    async def upload(
        request: Request,
        name: Annotated[str, Query(max_length=400)],
        batch: Annotated[str, Query(max_length=40)] = "",
    ) -> dict[str, str]:
        token = batch or spool.open()
        return {"batch": token, "file": await spool.take(token, name, _body(request))}

    @router.post("/preview", dependencies=operator)
    async def preview(given: Files) -> dict[str, Any]:
        paths = spool.files(given.batch, given.files)
        found = await apart.run(
            "preview", files=[str(path) for path in paths], options=given.reading.model_dump()
        )
        for part in (*found["files"], found["whole"]):
            part["error"], part["fields"] = page_words(part["error"] or "")
        return dict(found)

    @router.post("/import", dependencies=operator)
    async def import_files(given: Import) -> dict[str, Any]:
        paths = spool.files(given.batch, given.files)
        plan = await asyncio.to_thread(plan_called, context, given.plan) if given.plan else None
        try:
            made = await apart.run(
                "import",
                plan=None if plan is None else plan.dumps(),
                journal=str(context.journal_path),
                files=[str(path) for path in paths],
                options=given.reading.model_dump(),
                title=given.title.strip(),
                started_us=None if given.started_s is None else round(given.started_s * 1e6),
                invented=given.invented,
            )
        except UserError as exc:
            raise ImportRefused(str(exc)) from exc
        spool.drop(given.batch)
        return dict(made)

    @router.post("/leave", dependencies=operator)
    async def leave(given: Files) -> dict[str, bool]:
        spool.drop(given.batch)
        return {"ok": True}

    return router


class _Pictures:
    """Small pictures, made once for each state of a firing."""

    def __init__(self, journal_path: Path) -> None:
        self._path = journal_path
        self._made: OrderedDict[str, tuple[tuple[Any, ...], dict[str, Any]]] = OrderedDict()

    def of(self, ids: list[str]) -> dict[str, Any]:
        found = {}
        with contextlib.closing(JournalReader(self._path)) as reader:
            for firing_id in ids:
                try:
                    info = reader.firing(firing_id)
                except UserError:
                    continue  # a tablet may ask for what another journal had
                found[info.id] = self._one(reader, info)
        return found

    def _one(self, reader: JournalReader, info: FiringInfo) -> dict[str, Any]:
        state = (info.last_us, info.readings, info.late, info.plan_toml)
        kept = self._made.get(info.id)
        if kept is None or kept[0] != state:
            kept = (state, glimpse(reader, info))
            self._made[info.id] = kept
            while len(self._made) > KEPT_PICTURES:
                self._made.popitem(last=False)
        return kept[1]


def known_plans(context: Context) -> list[dict[str, Any]]:
    """List the plans by which a file's columns may be known.

    Parameters
    ----------
    context : Context

    Returns
    -------
    list of dict
        `ref` for `plan_called`, `title`, and the probes' `names`: those that were saved, then those of the
        latest firings, each plan once.
    """
    found = [(f"plan:{p.name}", p.plan.title or p.name, p.plan) for p in list_plans(context.home) if p.plan]
    texts: set[str] = set()
    for firing in _all_firings(context.journal_path):
        if firing.plan_toml and firing.plan_toml not in texts and len(texts) < MAX_PLANS:
            texts.add(firing.plan_toml)
            found.append((f"firing:{firing.id}", f"{firing.title} ({firing.id[:8]})", firing.plan))
    return [
        {"ref": ref, "title": title, "names": [p.name for p in plan.probes]}
        for ref, title, plan in found
        if plan.probes
    ]


def plan_called(context: Context, ref: str) -> Plan:
    """Find a plan of `known_plans`.

    Parameters
    ----------
    context : Context
    ref : str

    Returns
    -------
    Plan

    Raises
    ------
    UserError
        There is no such plan.
    """
    kind, _, name = ref.partition(":")
    if kind == "plan":
        return load_plan(context.home, name)
    return _firing(context.journal_path, name).plan


def page_words(text: str) -> tuple[str, list[str]]:
    """Say an importer's refusal in the words of the page's form.

    Parameters
    ----------
    text : str
        It names options of the command.

    Returns
    -------
    text : str
    fields : list of str
        The form's fields that were named, by the options' names in `Reading`.
    """
    fields: list[str] = []

    def name(match: re.Match[str]) -> str:
        option = match[1]
        if option not in FIELDS:
            return match[0]
        field = "day_first" if option == "month-first" else option.replace("-", "_")
        if field not in fields:
            fields.append(field)
        return f"“{FIELDS[option]}”"

    said = text.replace("--day-first, or --month-first", "--day-first")
    return re.sub(r"--([a-z-]+)", name, said), fields


def download_headers(name: str, size: int) -> dict[str, str]:
    """Make the headers of a file to be kept.

    Parameters
    ----------
    name : str
        From `plain_name`.
    size : int
        [bytes]

    Returns
    -------
    dict
    """
    from urllib.parse import quote

    plain = name.encode("ascii", "replace").decode().replace("?", "_")
    return {
        "content-disposition": f"attachment; filename=\"{plain}\"; filename*=UTF-8''{quote(name, safe='')}",
        "content-length": str(size),
        "cache-control": "no-store",
    }


def _all_firings(path: Path) -> list[FiringInfo]:
    try:
        with contextlib.closing(JournalReader(path)) as reader:
            return reader.firings()
    except NoJournalError:
        return []


def _firing(path: Path, firing: str) -> FiringInfo:
    with contextlib.closing(JournalReader(path)) as reader:
        return reader.firing(firing)


def _listed(firing: FiringInfo) -> dict[str, Any]:
    last_us = firing.last_us or firing.started_us
    return {
        "id": firing.id,
        "title": firing.title,
        "started_s": firing.started_us / 1e6,
        "time_known": firing.facts.get("time_known", True) is not False,
        "length_s": round((last_us - firing.started_us) / 1e6, 1),
        "readings": firing.readings,
        "running": firing.running,
        "invented": firing.invented,
        "imported": "imported" in firing.facts,
    }


async def _body(request: Request) -> AsyncIterator[bytes]:
    async for piece in request.stream():
        yield piece


def _size(file: IO[bytes]) -> int:
    size = file.seek(0, 2)
    file.seek(0)
    return size
