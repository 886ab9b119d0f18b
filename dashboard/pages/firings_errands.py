"""What takes a while on the list of firings: a file written out, the bin emptied; and how to stop it."""

from typing import Any

from dash import ALL, Input, Output, State, callback, dcc, no_update

from dashboard.context import here
from dashboard.pages import progress
from dashboard.pages.asked import Errand, button_pressed, next_turn, read_kept
from dashboard.parts.frame import client
from dashboard.stored.exports import FILES, exports
from dashboard.work.errands import GoneError
from dashboard.work.gathering import gathering
from logger.errors import StokewatchError


def working() -> list[Any]:
    """Make what shows how far it is, and keeps which it is."""
    return [
        dcc.Store(id="firings-errand"),
        dcc.Store(id="firings-made"),
        progress.working("firings"),
    ]


@callback(
    Output("firings-errand", "data"),
    Output("firings-poll", "disabled", allow_duplicate=True),
    Input({"type": "firing-save", "firing": ALL, "kind": ALL}, "n_clicks"),
    State("firings-errand", "data"),
    prevent_initial_call=True,
)
async def save(clicks: list[Any], running: Any) -> Any:
    """Begin to write a firing as a file."""
    pressed = button_pressed()
    made = exports(here().journal_path)
    info = await gathering(here().journal_path).firing(str(pressed.get("firing")))
    kind = str(pressed.get("kind"))
    if (going := read_kept(Errand, running)) is not None:
        await made.errands.stop(going.token)
    title = FILES[kind][0] if kind in FILES else kind
    token = made.begin(info, kind)
    return {
        "token": token,
        "kind": "export",
        "said": f"Writing {info.title or 'the firing'} as {title}",
    }, False


@callback(
    *progress.shown("firings"),
    Output("firings-made", "data"),
    Output("firings-turn", "data", allow_duplicate=True),
    Input("firings-poll", "n_intervals"),
    State("firings-errand", "data"),
    State("firings-turn", "data"),
    prevent_initial_call="initial_duplicate",
)
async def look(_: Any, errand: Any, turn: Any) -> Any:
    """Say how far a file has come, or that the bin has been emptied."""
    idle = (*progress.NOTHING, no_update, no_update)
    if (going := read_kept(Errand, errand)) is None:
        return idle
    try:
        work = await exports(here().journal_path).errands.wait(going.token, 0.4)
        if not work.done:
            said = f"{going.said}: {work.share:.0%}"
            return f"{work.share:.2f}", said, False, False, no_update, no_update
        answer = work.answer()
    except GoneError:
        return idle
    except StokewatchError as exc:
        return *progress.failed(str(exc)), no_update, no_update
    if going.kind == "export":
        said = f"Saved: {max(answer['size'] / 1e6, 0.1):.1f} MB."
        return *progress.over(said), f"/api/firings/made/{going.token}", no_update
    gone = answer["gone"]
    said = f"{gone} {'firing is' if gone == 1 else 'firings are'} gone for good."
    return *progress.over(said), no_update, next_turn(turn)


@callback(
    *progress.stopped("firings"),
    Output("firings-turn", "data", allow_duplicate=True),
    Input("firings-stop", "n_clicks"),
    State("firings-errand", "data"),
    State("firings-turn", "data"),
    prevent_initial_call=True,
)
async def stop(_: Any, errand: Any, turn: Any) -> Any:
    """Cancel it."""
    going = read_kept(Errand, errand)
    if going is not None:
        await exports(here().journal_path).errands.stop(going.token)
    deleting = going is not None and going.kind != "export"
    said = "Stopped: what is not gone yet is still in the bin." if deleting else "Stopped; nothing was saved."
    return True, True, said, next_turn(turn)


client(
    "save_file",
    Output("firings-made", "storage_type"),
    Input("firings-made", "data"),
    prevent_initial_call=True,
)
