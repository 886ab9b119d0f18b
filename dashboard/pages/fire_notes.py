"""Notes and gun readings at the fire: two dialogs and their callbacks."""

import contextlib
from pathlib import Path
from typing import Any, Final

import dash_mantine_components as dmc
from dash import ALL, Input, State, ctx, html, no_update
from dash.exceptions import PreventUpdate

from dashboard.context import here
from dashboard.figures.look import unit_of
from dashboard.pages.asked import act, asking, button_pressed, carry_out
from dashboard.parts.frame import button, dialog, options
from dashboard.parts.wiring import inputs, outputs, states
from dashboard.shell import WAITING
from dashboard.words import shown
from logger.errors import UserError
from logger.journal.reader import JournalReader
from logger.reading import Status
from logger.words.events import event_words
from logger.words.looks import NOTES

AT_A_PLACE: Final = (
    ("wood", "a few sticks", "A few sticks"),
    ("wood", "an armful", "An armful"),
    ("wood", "a big load", "A big load"),
    ("raked", "", "Coals raked"),
)
"""Kind, amount and words of the notes that have a place."""
ANYWHERE: Final = (
    ("lit", "", "The fire is lit"),
    ("uncovered", "", "Uncovered"),
    ("smothered", "", "Smothered"),
    ("gust", "", "A gust"),
    ("rain", "", "Rain"),
)
"""Notes about the whole fire."""
EMISSIVITY: Final = 0.95
LONGEST_AGO_MIN: Final = 600
DONE: Final = outputs("fire-done.children", "note-dialog.opened", again=True)
WHERE_AND_WHEN: Final = states("note-place.value", "fire-place.data", "note-ago.value")
FAR_C: Final = 150.0
"""A gun reading this far from its zone's probes is a slip. Common practice, no source. [°C]"""
RECENT_S: Final = 5.0


def dialogs() -> list[Any]:
    """Make the dialog for a new note or gun reading, and the one for correcting a note."""
    how = {"clearable": True, "allowDeselect": True, "maxDropdownHeight": 320}
    where = dmc.Select(id="note-place", label="Where", placeholder="Anywhere", data=[], **how)
    return [
        dialog(
            "note-dialog",
            "Note",
            html.Div([where, _ago_field("note", value=0)], className="row"),
            _taps("Wood and coals", AT_A_PLACE),
            _taps("The whole fire", ANYWHERE),
            *_spot_form(),
            *_words_form("note", "Save the note"),
            size="lg",
        ),
        dialog(
            "edit-dialog",
            "Edit",
            *_words_form("edit", "Save", _ago_field("edit", placeholder="unchanged")),
            size="lg",
        ),
    ]


def _taps(label: str, told: tuple[tuple[str, str, str], ...]) -> Any:
    """Make a button for each note that takes one tap."""
    buttons = [
        button(words, {"type": "fire-note", "kind": kind, "amount": amount}, className="big")
        for kind, amount, words in told
    ]
    parts, named = [html.P(label, className="label"), *buttons], {"aria-label": label}
    return html.Div(parts, className="choices", role="group", **named)


def _spot_form() -> list[Any]:
    numeric, of = {"input": {"inputMode": "numeric"}}, "Emissivity setting"
    fields = [
        dmc.NumberInput(id="spot-value", label="Gun reading", allowDecimal=False, attributes=numeric),
        dmc.NumberInput(id="spot-emissivity", label=of, value=EMISSIVITY, step=0.01, persistence=True),
        button("Save the reading", "spot-keep"),
    ]
    return [
        html.Form(fields, className="row"),
        html.P("", id="spot-wrong", className="wrong", role="alert"),
        html.P(
            "Emissivity of unglazed clay and soot: 0.90–0.95. A gun reads one spot on the surface, and can't "
            "see through flame or smoke. Never point its laser at eyes.",
            className="hint",
        ),
    ]


def _ago_field(name: str, **more: Any) -> Any:
    return dmc.NumberInput(id=f"{name}-ago", label="Minutes ago", min=0, max=LONGEST_AGO_MIN, **more)


def _words_form(name: str, keep: str, *more: Any) -> list[Any]:
    """Make a text field, with `more` beside it, and the button that saves it."""
    words = dmc.Textarea(id=f"{name}-text", label="In your own words", autosize=True, minRows=1)
    return [
        html.Div([words, *more, button(keep, f"{name}-keep")], className="row"),
        html.P("", id=f"{name}-wrong", className="wrong", role="alert"),
    ]


# --- what is known of the running firing --------------------------------------------------------------------


def place_options(journal_path: Path) -> list[dict[str, str]]:
    """List the running firing's zones as a select's options, pots first; empty if nothing is running."""
    if not journal_path.exists():
        return []
    with contextlib.closing(JournalReader(journal_path)) as reader:
        firing = reader.running()
        probes = [] if firing is None else [c.probe for c in reader.columns(firing.id) if c.probe.zone]
    probes.sort(key=lambda probe: probe.reads == "coals")
    return options((zone, zone) for zone in dict.fromkeys(probe.zone for probe in probes))


def noted(journal_path: Path, event: Any) -> dict[str, Any]:
    """Find a note of the running firing (`kind`, `text`, `amount` …), or raise UserError."""
    with contextlib.closing(JournalReader(journal_path)) as reader:
        firing = reader.running()
        for each in reader.events(firing.id) if firing is not None else ():
            if each.id == event and each.kind == "note":
                return each.data
    raise UserError("that note is gone: somebody has changed it; open it again from the log")


def doubt(journal_path: Path, zone: str, temperature_c: float, unit: str) -> str:
    """Say what is known about a zone if a gun reading is far from all of it; otherwise return ""."""
    with contextlib.closing(JournalReader(journal_path)) as reader:
        firing = reader.running()
        if firing is None or firing.last_us is None:
            return ""
        tail = reader.readings(firing.id, firing.last_us - round(RECENT_S * 1e6))
        beat = reader.heartbeat() or {}
    probes = [
        float(c[-1])
        for column, c, status in zip(tail.columns, tail.temperature_c, tail.status, strict=True)
        if column.probe.zone == zone and len(c) and status[-1] == Status.OK
    ]
    pots = ((beat.get("verdict") or {}).get("estimates") or {}).get(zone)
    known = probes + ([] if pots is None else [float(pots["estimate_c"])])
    if not known or any(abs(c - temperature_c) <= FAR_C for c in known):
        return ""
    ends = sorted({round(shown(c, unit_of(unit))) for c in known})
    between = f"{ends[0]}" if len(ends) == 1 else f"{ends[0]} to {ends[-1]}"
    return f"the {'probes here read' if probes else 'pots here are estimated at'} {between} °{unit}"


# --- what people do -----------------------------------------------------------------------------------------


@act(
    *outputs("note-dialog.opened", "note-dialog.title", "note-place.data", "note-place.value"),
    *outputs("fire-place.data", "stack.clickData", "spot-value.label", "note-ago.value"),
    *inputs("stack.clickData", "note-open.n_clicks"),
    State("unit", "data"),
)
def open_note(touched: Any, clicks: int | None, unit: str) -> Any:
    """Open the dialog for a note, set to the place touched and to now."""
    if not touched and not clicks:
        raise PreventUpdate
    options = place_options(here().journal_path)
    zone, height_cm = _touched_place(touched, [o["value"] for o in options])
    title = "Note" if zone is None else f"Note: {zone}"
    title += f", {height_cm:.0f} cm" if height_cm is not None else ""
    place = {"zone": zone, "height_cm": height_cm}
    return True, title, options, zone, place, None, f"Gun reading, °{'F' if unit == 'F' else 'C'}", 0


def _touched_place(touched: Any, zones: list[str]) -> tuple[str | None, float | None]:
    try:
        point = touched["points"][0]
        found, height = point.get("customdata"), float(point["y"])
    except (TypeError, KeyError, IndexError, ValueError, AttributeError):
        return None, None
    zone = str(found[0] if isinstance(found, list) and found else found)
    return (None, None) if zone not in zones else (zone, height if -50 <= height <= 500 else None)


def _place(zone: Any, touched: Any) -> dict[str, Any]:
    """Return where it was; the height touched counts only while its zone is still chosen."""
    known = zone and isinstance(touched, dict) and touched.get("zone") == zone
    height = {"height_cm": touched["height_cm"]} if known and touched.get("height_cm") is not None else {}
    return {"zone": str(zone), **height} if zone else {}


async def _note(kind: str, data: dict[str, Any], words: str) -> list[Any]:
    """Send a note or gun reading to the logger; return words for it, and a button that takes it back."""
    answer = await carry_out(kind, data)
    if answer.get("waiting"):
        return [WAITING]
    if data.get("ago_min"):  # the logger only takes back what is less than a minute old
        return [words]
    return [html.Span(f"{words} "), button("Undo", {"type": "undo", "event": answer["event"]})]


@act(
    *DONE,
    Input({"type": "fire-note", "kind": ALL, "amount": ALL}, "n_clicks"),
    *WHERE_AND_WHEN,
    running=asking("note-dialog"),
)
async def note_kind(clicks: list[int | None], zone: Any, touched: Any, ago: Any) -> Any:
    """Note with one tap what was done."""
    pressed = button_pressed()
    kind, amount = pressed["kind"], pressed["amount"]
    if (kind, amount) not in {(k, a) for k, a, _ in (*AT_A_PLACE, *ANYWHERE)}:
        raise PreventUpdate
    where = _place(zone, touched) if kind in ("wood", "raked") else {}
    said = ", ".join(filter(None, (NOTES[kind].lower(), amount, where.get("zone"))))
    data = {"kind": kind, "amount": amount, **where, **_ago(ago)}
    return await _note("note", data, f"Noted: {said}."), False


def _ago(minutes: Any) -> dict[str, float]:
    """Return how long ago it was, empty for now; UserError if that is impossible."""
    if minutes in ("", None, 0):
        return {}
    number = isinstance(minutes, int | float) and not isinstance(minutes, bool)
    if not number or not 0 < minutes <= LONGEST_AGO_MIN:
        raise UserError(f"Minutes ago: enter a number from 0 to {LONGEST_AGO_MIN}, not {minutes}.")
    return {"ago_min": float(minutes)}


@act(
    *DONE,
    *outputs("note-text.value", "note-wrong.children"),
    Input("note-keep", "n_clicks"),
    State("note-text", "value"),
    *WHERE_AND_WHEN,
    running=asking("note-dialog"),
)
async def note_text(_: Any, text: Any, zone: Any, touched: Any, ago: Any) -> Any:
    """Save a note in words."""
    words = str(text or "").strip()
    try:
        if not words:
            raise UserError("Write a word or two.")
        data = {"kind": "text", "text": words, **_place(zone, touched), **_ago(ago)}
        short = words if len(words) <= 40 else f"{words[:39]}…"
        return await _note("note", data, f"Noted: {short}"), False, "", ""
    except UserError as exc:
        return no_update, True, no_update, str(exc)


@act(
    *DONE,
    *outputs("spot-value.value", "spot-wrong.children", "spot-keep.children", "fire-spot-asked.data"),
    *inputs("spot-keep.n_clicks", "note-dialog.opened"),
    *states("spot-value.value", "spot-emissivity.value"),
    *WHERE_AND_WHEN,
    *states("unit.data", "fire-spot-asked.data"),
    running=asking("note-dialog"),
)
async def keep_spot(
    _: Any, opened: Any, value: Any, emissivity: Any, zone: Any, touched: Any, ago: Any, unit: str, asked: Any
) -> Any:
    """Save a gun reading; one far from everything known about the zone must be confirmed."""
    if ctx.triggered_id == "note-dialog":
        if opened:
            raise PreventUpdate
        return no_update, no_update, "", "", "Save the reading", None
    stay = (no_update, True, no_update)
    try:
        if not zone:
            raise UserError("Choose where the gun pointed.")
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise UserError("Enter what the gun shows, in whole degrees.")
        if ago not in ("", None, 0):
            raise UserError("A gun reading is always from now: set “Minutes ago” to 0.")
        c = (value - 32.0) / 1.8 if unit == "F" else float(value)
        question = doubt(here().journal_path, str(zone), c, unit)
        if question and asked != [zone, value]:
            said = f"{value:g} °{unit}, but {question}."
            said += " Is that the right zone, and the number the gun shows?"
            return *stay, said, "Save it anyway", [zone, value]
        data = {"temperature_c": c, "emissivity": emissivity, **_place(zone, touched)}
        done = await _note("spot", data, f"Noted: {zone} at {value:g} °{unit}.")
    except UserError as exc:
        return *stay, str(exc), no_update, no_update
    return done, False, "", "", "Save the reading", None


@act(DONE[0], Input({"type": "undo", "event": ALL}, "n_clicks"))
async def undo(clicks: list[int | None]) -> Any:
    """Take back what was just noted."""
    await carry_out("retract", {"event": button_pressed()["event"]})
    return "Taken back."


@act(
    *outputs("edit-dialog.opened", "edit-dialog.title", "edit-text.value", "edit-ago.value"),
    *outputs("edit-wrong.children", "edit-event.data"),
    Input({"type": "note-edit", "event": ALL}, "n_clicks"),
    State("unit", "data"),
)
def open_edit(clicks: list[int | None], unit: str) -> Any:
    """Open a note to correct it."""
    pressed = button_pressed()
    note = noted(here().journal_path, pressed["event"])
    is_text = note.get("kind") == "text"  # its words are in the field
    title = "Edit the note" if is_text else f"Edit: {event_words('note', note, unit_of(unit))}"
    return True, title, note.get("text", ""), "", "", pressed["event"]


@act(
    *outputs("edit-dialog.opened", "edit-wrong.children", again=True),
    DONE[0],
    Input("edit-keep", "n_clicks"),
    *states("edit-text.value", "edit-ago.value", "edit-event.data"),
    running=asking("edit-dialog"),
)
async def keep_edit(_: Any, text: Any, ago: Any, event: Any) -> Any:
    """Correct a note: its words, its time, or both."""
    data = {"event": event, "text": str(text or "").strip(), "ago_min": None if ago in ("", None) else ago}
    try:
        _ago(ago)
        answer = await carry_out("amend", data)
    except UserError as exc:
        return True, str(exc), no_update
    return False, "", WAITING if answer.get("waiting") else "Saved."
