"""Files that people have: looked at, asked about, and made a firing of."""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal
from zoneinfo import available_timezones

import dash_mantine_components as dmc
from dash import (
    dcc,
    html,
)
from pydantic import BaseModel, Field, ValidationError

from dashboard.parts.import_form import (
    FIELDS,
    MANY,
    NUMBERS,
    fields,
)
from dashboard.parts.progress import working
from logger.errors import UserError

HEADERS: Final = 300
"""At most so many are offered; any other can be written."""


class Reading(BaseModel, extra="forbid"):
    """How files are to be read; what is left out is found out. See `logger.exchange.csv_table.CsvOptions`."""

    encoding: Annotated[str, Field(max_length=40)] | None = None
    delimiter: Annotated[str, Field(min_length=1, max_length=1)] | None = None
    decimal: Literal[".", ","] | None = None
    skip: Annotated[int, Field(ge=0, le=10**9)] | None = None
    last_line: Annotated[int, Field(ge=1, le=10**9)] | None = None
    skip_rows: Annotated[list[Annotated[str, Field(max_length=2000)]], Field(max_length=100)] = []
    time: Annotated[list[Annotated[str, Field(max_length=400)]], Field(max_length=6)] = []
    time_unit: Annotated[str, Field(max_length=20)] | None = None
    day_first: bool | None = None
    timezone: Annotated[str, Field(max_length=60)] | None = None
    unit: Literal["c", "f", "k"] | None = None
    keep: Annotated[list[Annotated[str, Field(max_length=400)]], Field(max_length=100)] = []
    leave_out: Annotated[list[Annotated[str, Field(max_length=400)]], Field(max_length=100)] = []
    no_reading: Annotated[list[Annotated[str, Field(max_length=100)]], Field(max_length=20)] = []
    order: Literal["refuse", "sort"] = "refuse"
    repeats: Literal["refuse", "last", "spread"] = "refuse"


class ReadingRefused(UserError):
    """A way to read that is none: says why beside each field."""

    def __init__(self, wrong: dict[str, str]) -> None:
        super().__init__("; ".join(f"{FIELDS[name]}: {text}" for name, text in wrong.items()))
        self.wrong = wrong


def reading_of(ids: Any, values: Any) -> Reading:
    """Read the form's fields.

    Parameters
    ----------
    ids : list of dict
        With `field` each.
    values : list

    Returns
    -------
    Reading

    Raises
    ------
    ReadingRefused
    """
    given: dict[str, Any] = {}
    for own, value in zip(ids, values, strict=False):
        name = own.get("field") if isinstance(own, dict) else None
        if name not in FIELDS or value in (None, "", []):
            continue
        if name == "day_first":
            value = {"true": True, "false": False}.get(value) if isinstance(value, str) else None
        given[name] = value
    try:
        return Reading(**given)
    except ValidationError as exc:
        wrong = {str(e["loc"][0]): _plain(str(e["loc"][0]), e["msg"]) for e in exc.errors()}
        raise ReadingRefused(wrong) from None


def _plain(name: str, said: str) -> str:
    if name in NUMBERS:
        return f"give a whole number from {'0' if name == 'skip' else '1'} on"
    return (
        "too many, or too long; shorten it" if name in MANY or "at most" in said else "choose one of the list"
    )


def layout() -> Any:
    """Give the page.

    Returns
    -------
    component
    """
    return html.Div(
        id="import",
        children=[
            dcc.Location(id="import-address", refresh="callback-nav"),
            dcc.Store(id="import-sent", data=None),
            dcc.Store(id="import-errand", data=None),
            dcc.Store(id="import-found", data=None),
            dcc.Store(id="import-ways", data=[]),
            html.Div(
                [
                    html.H1("Import files"),
                    html.P(
                        "A table of times and temperatures as CSV or text, from any logger. Choose several "
                        "at once where it wrote one file a channel."
                    ),
                    html.Div(dcc.Link("To the firings", href="/firings"), className="page-doors"),
                ],
                className="page-top",
            ),
            html.P("", id="import-burning"),
            html.Div(
                html.Button("Choose files …", id="import-choose", type="button", className="main"),
                className="page-doors",
            ),
            html.P("", id="import-files", role="status"),
            working("import"),
            html.Div("", id="import-done", role="status"),
            html.Div(_form(), id="import-form", hidden=True),
        ],
    )


def _form() -> list[Any]:
    return [
        html.Div("", id="import-refused", role="alert"),
        html.Div("", id="import-same", role="alert"),
        html.Div(
            dmc.Switch(id="import-again", label="Import it again all the same", size="lg"),
            id="import-again-box",
        ),
        html.Div(
            dmc.Switch(id="import-pause", label="The hour that is missing was a pause", size="lg"),
            id="import-pause-box",
        ),
        html.Details(
            [html.Summary("How to read it"), html.Div(fields(_zones()), className="fields")],
            id="import-how",
            open=False,
        ),
        html.Div(
            [
                dmc.TextInput(id="import-title", label="Title", value="", size="lg"),
                html.Div(
                    dmc.TextInput(
                        id="import-begun",
                        label="Begun, where you know it",
                        description="By the clock of Stokewatch's computer",
                        value="",
                        size="lg",
                        attributes={"input": {"type": "datetime-local", "step": 1}},
                    ),
                    id="import-begun-box",
                ),
                html.Div(
                    dmc.Select(
                        id="import-plan",
                        label="Probes, targets and alarms as in",
                        placeholder="no plan: no heights, no target of its own",
                        data=[],
                        clearable=True,
                        size="lg",
                    ),
                    id="import-plan-box",
                    hidden=True,
                ),
                dmc.Switch(
                    id="import-invented", label="It is invented: nothing in it was measured", size="lg"
                ),
            ],
            className="fields",
        ),
        html.Div(
            [
                dmc.Button("Import", id="import-now", size="lg", disabled=True),
                dmc.Button("Cancel", id="import-cancel", size="lg", variant="default"),
            ],
            className="page-doors",
        ),
        html.Div(id="import-understood"),
    ]


def _zones() -> list[str]:
    return sorted(zone for zone in available_timezones() if "/" in zone and not zone.startswith("Etc"))
