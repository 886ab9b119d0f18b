"""Uploaded files: preview them, cancel, or import them as a firing."""

import asyncio
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Final, NamedTuple

import msgspec
from dash import ALL, Input, Output, State, callback, no_update
from dash.exceptions import PreventUpdate

from dashboard.context import here
from dashboard.pages.asked import act, read_kept
from dashboard.parts.import_form import page_words, reading_of
from dashboard.parts.wiring import inputs, outputs, states
from dashboard.security.guard import operator_only
from dashboard.stored import shelf
from dashboard.work.spool import MAX_FILES, Spool
from dashboard.work.works import Works
from logger.errors import StokewatchError, UserError
from logger.exchange.csv_doubt import CLOCK_LEAPS
from logger.exchange.csv_in import already_here
from logger.journal.reader import FiringInfo
from logger.requests import plain_text

READ: Final = {"type": "read", "field": ALL}
IMPORTING: Final = "Importing"


def spool_here() -> Spool:
    """Return the spool of uploaded files."""
    return Spool(here().home)


def works_here() -> Works:
    """Return the work in progress."""
    return here().exports.works


def imports(errand: Any) -> bool:
    """Tell whether this work is an import that is under way."""
    work = works_here().find(errand)
    return work is not None and work.words == IMPORTING and not work.done


class Sent(msgspec.Struct):
    """Uploaded files; only the spool knows whether they still exist."""

    batch: str = ""
    files: Annotated[list[str], msgspec.Meta(max_length=MAX_FILES)] = []


def files_sent(sent: Any) -> Sent:
    """Read which files were uploaded."""
    return read_kept(Sent, sent) or Sent()


class Looked(NamedTuple):
    """What was understood of the files, and what keeps them from being imported."""

    told: dict[str, Any]  # by `dashboard.work.jobs.preview`
    leaps: list[str]  # where a clock leaps forward an hour
    same: list[FiringInfo]  # firings of the same files


async def looked_at(batch: Any) -> Looked:
    """Return the outcome of these files' preview, or raise StokewatchError."""
    if (work := works_here().find(batch)) is None or not work.done:
        raise UserError("this preview has expired; choose the files again")
    told = work.answer()
    firings = await asyncio.to_thread(shelf.firings, here().journal_path, binned=None)
    leaps = [guess for guess in told["whole"]["guesses"] if CLOCK_LEAPS in guess]
    return Looked(told, leaps, list(already_here(firings, told["digests"]).values()))


@callback(
    Output("import-now", "disabled"),
    *inputs("import-found.data", "import-again.checked", "import-pause.checked"),
    *inputs("import-poll.disabled"),
)
@operator_only
async def may_import(found: Any, again: Any, pause: Any, idle: Any) -> bool:
    """Disable the import while something is in the way."""
    return idle is False or bool(await _in_the_way(found, again=again is True, pause=pause is True))


async def _in_the_way(found: Any, *, again: bool, pause: bool) -> str:
    if not found:
        return "choose files first"
    try:
        told, leaps, same = await looked_at(found)
    except StokewatchError as exc:
        return str(exc)
    if told["whole"]["error"]:
        return page_words(told["whole"]["error"])[0]
    if leaps and not pause:
        return "give the time zone, or switch on “The missing hour was a pause”"
    if same and not again:
        return "this file has already been imported; switch on “Import it again anyway”"
    return ""


@act(
    *outputs("import-errand.data", "import-poll.disabled", again=True),
    *outputs("import-title.error", "import-begun.error"),
    Input("import-now", "n_clicks"),
    *states("import-sent.data", "import-errand.data"),
    State(READ, "id"),
    State(READ, "value"),
    *states("import-title.value", "import-begun.value", "import-plan.value", "import-invented.checked"),
    *states("import-again.checked", "import-pause.checked"),
)
async def begin(_: Any, sent: Any, running: Any, ids: list[Any], values: list[Any], *form: Any) -> Any:
    """Start importing the files."""
    title, begun, plan_ref, invented, again, pause = form
    if imports(running):
        raise PreventUpdate
    files = files_sent(sent)
    if wrong := await _in_the_way(files.batch, again=again is True, pause=pause is True):
        raise UserError(wrong)
    reading = reading_of(ids, values)
    paths = spool_here().files(files.batch, files.files)
    own = plain_text(title, "title") if isinstance(title, str) else ""
    if len(own) > 200 or "\n" in own:
        return no_update, no_update, "give one line of at most 200 characters", ""
    try:
        started_us = _started_us(begun)
    except (ValueError, OverflowError):
        return no_update, no_update, "", "enter a date and time between 1970 and 2200, or nothing"
    plan = await asyncio.to_thread(shelf.plan_called, here().journal_path, plan_ref)
    work = works_here().begin_apart(
        "import",
        IMPORTING,
        journal=str(here().journal_path),
        files=[str(each) for each in paths],
        options=reading,
        title=own or ("" if plan is not None and plan.title else Path(files.files[0]).stem),
        started_us=started_us,
        invented=invented is True,
        plan=None if plan is None else plan.dumps(),
    )
    return work.key, False, "", ""


def _started_us(text: Any) -> int | None:
    """Read a tablet's date and time field, in this computer's local time."""
    if not isinstance(text, str) or not text.strip():
        return None
    at_s = datetime.fromisoformat(text.strip()).astimezone().timestamp()
    if not 0 <= at_s <= 7.2e9:
        raise ValueError(text)
    return round(at_s * 1e6)


@act(
    Output("import-address", "href"),
    *inputs("import-cancel.n_clicks", "import-stop.n_clicks"),
    *states("import-errand.data", "import-sent.data"),
)
async def cancel(_: Any, __: Any, errand: Any, sent: Any) -> str:
    """Cancel; nothing is kept."""
    await works_here().stop(errand)
    spool_here().drop(files_sent(sent).batch)
    return "/firings"
