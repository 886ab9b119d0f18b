"""What can be done with a listed firing: save as a file, move to the bin, put back, delete for good."""

import asyncio
import time
from typing import Any, Final

from dash import ALL, Input, Output, State, ctx, html, no_update, set_props
from dash.exceptions import PreventUpdate

from dashboard.acts import write
from dashboard.context import here
from dashboard.pages import progress
from dashboard.pages.asked import act, button_pressed, ids_of, next_turn, on_change
from dashboard.parts.frame import button, door_row, notice, section
from dashboard.parts.wiring import client, inputs, outputs
from dashboard.stored import shelf
from dashboard.stored.exports import Download
from dashboard.work.works import Work
from logger.journal.bin import put_back, throw_away

DELETING: Final = "Deleting"


@on_change(
    Output("firings-errand", "data"),
    Output("firings-poll", "disabled", allow_duplicate=True),
    Input({"type": "firing-save", "firing": ALL, "kind": ALL}, "n_clicks"),
    State("firings-errand", "data"),
)
async def save(clicks: list[Any], running: Any) -> Any:
    """Start writing a firing to a file."""
    pressed = button_pressed()
    made = here().exports
    info = await here().gathering.firing(str(pressed.get("firing")))
    await made.works.stop(running)
    return made.begin(info, str(pressed.get("kind"))).key, False


async def _find(errand: Any) -> Work | None:
    return here().exports.works.find(errand)


def _tell(answer: Any, errand: Any) -> tuple[str, Any]:
    """Report the file that was made and its address, or what was deleted."""
    if isinstance(answer, Download):
        return f"Saved: {max(answer.size / 1e6, 0.1):.1f} MB.", f"/api/firings/made/{errand}"
    gone = answer["gone"]
    set_props("firings-turn", {"data": errand})
    return f"{gone} {'firing' if gone == 1 else 'firings'} deleted for good.", no_update


def _stopped(errand: Any) -> str:
    work = here().exports.works.forget(errand)
    if work is None or work.words != DELETING:
        return "Stopped; nothing was saved."
    set_props("firings-turn", {"data": errand})
    return "Stopped. Firings not yet deleted are still in the bin."


progress.follow(
    "firings",
    Output("firings-made", "data"),
    State("firings-errand", "data"),
    find=_find,
    tell=_tell,
    stopped=_stopped,
)
client(
    "save_file",
    Output("firings-made", "storage_type"),
    Input("firings-made", "data"),
    prevent_initial_call=True,
)


# --- the bin ------------------------------------------------------------------------------------------------


def sure() -> Any:
    """Make the question asked before firings are deleted for good."""
    answers = (
        button("Delete for good", "firings-delete-now", className="bad"),
        button("Keep", "firings-delete-not"),
    )
    return section(
        html.H2("Delete for good"),
        html.P("", id="firings-sure-words", role="alert"),
        html.P(
            "Readings, notes, report and photos are deleted and can't be brought back. Copies in InfluxDB or "
            "in saved files stay."
        ),
        door_row(*answers),
        id="firings-sure",
        hidden=True,
        label="Delete for good",
    )


@act(
    Output("firings-turn", "data", allow_duplicate=True),
    Input({"type": "firing-delete", "firing": ALL}, "n_clicks"),
    Input({"type": "firing-back", "firing": ALL}, "n_clicks"),
    State("firings-turn", "data"),
)
async def to_the_bin_or_back(_: list[Any], __: list[Any], turn: Any) -> Any:
    """Move a firing to the bin, or put it back."""
    pressed, path = button_pressed(), here().journal_path
    info = await here().gathering.firing(str(pressed.get("firing")))
    if pressed.get("type") == "firing-delete":
        now_us, where = round(time.time() * 1e6), "in the bin"
        await write(path, lambda writer: throw_away(writer, info.id, now_us))
    else:
        where = "back in the list"
        await write(path, lambda writer: put_back(writer, info.id))
    notice(f"{info.title or 'The firing'} is {where}.")
    return next_turn(turn)


@act(
    *outputs("firings-sure.hidden", "firings-sure-words.children", "firings-doomed.data"),
    Input({"type": "firing-good", "firing": ALL}, "n_clicks"),
    *inputs("firings-empty.n_clicks", "firings-delete-not.n_clicks"),
)
async def ask_whether(_: list[Any], __: Any, ___: Any) -> Any:
    """Ask for confirmation before deleting firings for good."""
    pressed = ctx.triggered_id
    if not pressed or not ctx.triggered[0]["value"]:
        raise PreventUpdate  # new cards appeared: the question stays open
    infos = []
    if pressed != "firings-delete-not":
        infos = await asyncio.to_thread(shelf.firings, here().journal_path, binned=True)
    if isinstance(pressed, dict):
        infos = [info for info in infos if info.id == pressed.get("firing")]
    if not infos:
        return True, "", []
    named = ", ".join(info.title or "Firing" for info in infos[:5])
    more = f" and {len(infos) - 5} more" if len(infos) > 5 else ""
    what = "1 firing" if len(infos) == 1 else f"{len(infos)} firings"
    return False, f"{what}: {named}{more}.", [info.id for info in infos]


@act(
    *outputs("firings-errand.data", "firings-poll.disabled", "firings-sure.hidden", again=True),
    Input("firings-delete-now", "n_clicks"),
    State("firings-doomed", "data"),
)
async def delete_now(_: Any, doomed: Any) -> Any:
    """Delete firings for good."""
    path, ids = here().journal_path, ids_of(doomed)
    if not ids:
        raise PreventUpdate
    work = here().exports.works.begin_apart("delete", DELETING, journal=str(path), firings=ids)
    return work.key, False, True
