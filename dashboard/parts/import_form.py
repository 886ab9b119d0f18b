"""Files to import: how to read them, what was understood, what is in the way. Pure."""

import re
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Final, Literal, NamedTuple

import dash_mantine_components as dmc
import msgspec
from dash import html

from dashboard.parts.frame import facts_list, items, options, scroll
from dashboard.words import Unit, degrees, reading, span
from logger.errors import UserError

ROWS_APART: Final = (
    *((f"{n}s", f"{n} s") for n in ("0.5", "1", "2", "5", "10", "15", "20", "30")),
    *((f"{n}min", f"{n} min") for n in ("1", "2", "5", "10")),
)
"""Periods of loggers whose first column only numbers the rows."""
ENCODINGS: Final = (
    ("utf-8", "UTF-8"),
    ("latin-1", "Latin-1"),
    ("cp1252", "Windows 1252"),
    ("utf-16", "UTF-16"),
)


class Field(NamedTuple):
    """A reading option; `empty` is its placeholder, `choices` are pairs of value and label."""

    label: str
    empty: str = "automatic"
    choices: tuple[tuple[str, str], ...] = ()
    takes: Literal["text", "number", "count", "several"] = "text"


FIELDS: Final = {
    "day_first": Field(
        "Day or month first",
        choices=(("true", "3/4 is 3 April"), ("false", "3/4 is 4 March")),
    ),
    "timezone": Field("Time zone", "Europe/Vienna, UTC+1 …"),
    "time": Field("Time column", "one, or date and time", takes="several"),
    "time_unit": Field(
        "Time unit",
        choices=(
            ("s", "seconds"),
            ("min", "minutes"),
            ("h", "hours"),
            ("ms", "milliseconds"),
            ("us", "microseconds"),
            ("hh:mm", "hours : minutes"),
            ("mm:ss", "minutes : seconds"),
            ("days", "spreadsheet days"),
            ("unix", "seconds since 1970"),
            ("unix_ms", "milliseconds since 1970"),
            ("ns", "nanoseconds"),
            *((period, f"row numbers, one every {words}") for period, words in ROWS_APART),
        ),
    ),
    "unit": Field("Temperature unit", choices=(("c", "°C"), ("f", "°F"), ("k", "K"))),
    "decimal": Field("Decimal mark", choices=((".", "Point: 20.5"), (",", "Comma: 20,5"))),
    "delimiter": Field(
        "Column separator",
        choices=((",", "comma"), (";", "semicolon"), ("\t", "tab"), ("|", "vertical bar"), (" ", "spaces")),
    ),
    "skip": Field("Lines above the header", takes="count"),
    "last_line": Field("Last line to read", takes="number"),
    "skip_rows": Field("Rows to leave out", "7, or 7-12", takes="several"),
    "keep": Field("Columns to keep", "all temperatures; T1-*", takes="several"),
    "leave_out": Field("Columns to leave out", "none", takes="several"),
    "no_reading": Field("What means “no reading”", "OPEN, 77.7 …", takes="several"),
    "order": Field("Rows that go back in time", "refuse them", (("sort", "sort them by time"),)),
    "repeats": Field(
        "Rows with the same time", "refuse them", (("spread", "spread evenly"), ("last", "keep the last"))
    ),
    "encoding": Field("Encoding", choices=ENCODINGS),
}
"""By their names in `CsvOptions`."""

SHOWN_COLUMNS: Final = 12
SHOWN_CELL: Final = 40
SHOWN_PROBES: Final = 64


_KINDS: Final[dict[str, tuple[Any, str]]] = {
    "text": (Annotated[str, msgspec.Meta(max_length=60)], "too long; shorten it"),
    "number": (Annotated[int, msgspec.Meta(ge=1, le=10**9)], "enter a whole number, 1 or more"),
    "count": (Annotated[int, msgspec.Meta(ge=0, le=10**9)], "enter a whole number, 0 or more"),
    "several": (
        Annotated[list[Annotated[str, msgspec.Meta(max_length=2000)]], msgspec.Meta(max_length=100)],
        "too many, or too long; shorten it",
    ),
}


class ReadingRefused(UserError):
    """Files can't be read this way; says why, by field."""

    def __init__(self, wrong: dict[str, str]) -> None:
        super().__init__("; ".join(f"{FIELDS[name].label}: {text}" for name, text in wrong.items()))
        self.wrong = wrong


def reading_of(ids: Sequence[Any], values: Sequence[Any]) -> dict[str, Any]:
    """Read the form as fields of `CsvOptions`, named by `field` in `ids`; or raise ReadingRefused."""
    given: dict[str, Any] = {}
    wrong: dict[str, str] = {}
    for own, value in zip(ids, values, strict=False):
        name = str(own.get("field"))
        if name not in FIELDS or value in (None, "", []):
            continue
        field = FIELDS[name]
        if field.choices:
            if value not in [choice for choice, _ in field.choices]:
                wrong[name] = "choose one from the list"
            given[name] = value == "true" if name == "day_first" else value
            continue
        kind, words = _KINDS[field.takes]
        try:
            given[name] = msgspec.convert(value, kind)
        except msgspec.ValidationError:
            wrong[name] = words
    if wrong:
        raise ReadingRefused(wrong)
    return given


def page_words(text: str) -> tuple[str, list[str]]:
    """Put an importer's refusal, which names command options, into the form's words; list its fields."""
    fields: list[str] = []

    def name(match: re.Match[str]) -> str:
        field = "day_first" if match[1] == "month-first" else match[1].replace("-", "_")
        if field not in FIELDS:
            return match[0]
        if field not in fields:
            fields.append(field)
        return f"“{FIELDS[field].label}”"

    said = text.replace("--day-first, or --month-first", "--day-first")
    return re.sub(r"--([a-z-]+)", name, said), fields


def refusal_words(refusal: Mapping[str, Any]) -> str | None:
    """Say what is wrong and lead on to the buttons, one for each way; None if only a person knows some."""
    if not refusal["hints"] or any(hint["value"] is None for hint in refusal["hints"]):
        return None
    row, column = refusal["row"], refusal["column"]
    place = " ".join(filter(None, (refusal["file"], "" if row is None else f"row {row}")))
    place = ", ".join(filter(None, (place, f"column '{column}'" if column else "")))
    what = refusal["what"].rstrip(";") + ":"
    return f"{place}: {what}" if place else what


def way_words(field: str, value: Any, words: str) -> str:
    """Describe one way forward from a refusal: a value for a field of `CsvOptions`, and when it is right."""
    shown = ", ".join(map(str, value)) if isinstance(value, list | tuple) else value
    if (own := FIELDS.get(field)) is not None:
        shown = dict(own.choices).get(str(value).lower() if isinstance(value, bool) else str(value), shown)
    return f"{own.label if own else field}: {shown}" + (f" ({words})" if words.startswith("if ") else "")


def fields(zones: Sequence[str]) -> list[Any]:
    """Make the fields that set how a file is read.

    Each input has the id `{"type": "read", "field": name}`, in a box `{"type": "read-box", …}`.
    """
    return [
        html.Div(_field(name, field, zones), id={"type": "read-box", "field": name})
        for name, field in FIELDS.items()
    ]


def _field(name: str, field: Field, zones: Sequence[str]) -> Any:
    own_id = {"type": "read", "field": name}
    own: dict[str, Any] = {"id": own_id, "label": field.label, "placeholder": field.empty}
    if field.choices:
        return dmc.Select(**own, data=options(field.choices), clearable=True)
    if field.takes in ("number", "count"):
        return dmc.NumberInput(**own, debounce=400, allowDecimal=False)
    if field.takes == "several":
        return dmc.TagsInput(**own, data=[], value=[])
    return dmc.Autocomplete(**own, data=["UTC", *zones], limit=30, debounce=400)


def understood(found: Mapping[str, Any], unit: Unit, begun: str) -> list[Any]:
    """Show what `dashboard.work.jobs.preview` understood of the files, and the first rows of each.

    `begun` is the date and time of the first row, empty if the files have no date.
    """
    whole, files = found["whole"], found["files"]
    first = [part for each in files if (part := _first(each)) is not None]
    if whole["error"]:
        return first
    said = items(page_words(guess)[0] for guess in whole["guesses"])
    guesses = [html.Div([html.H2("Please check"), html.Ul(said)], className="guesses")] if said else []
    return [_summary(whole, begun), *guesses, _columns(whole, files, unit), *first]


def _summary(whole: Mapping[str, Any], begun: str) -> Any:
    step = whole["step_s"]
    every = f"{step:.3g} s" if step >= 1 else f"{step * 1000:.0f} ms"
    gaps = [f"{span(length)} from minute {begin / 60:.0f}" for begin, length in whole["gaps"][:3]]
    more = " …" if whole["gap_count"] > 3 else ""
    facts = (
        ("Started", begun or "the files have no date"),
        ("Length", span(whole["duration_s"])),
        ("Rows", f"{whole['rows']:,}, one every {every}"),
        ("Gaps", f"{whole['gap_count']}: {', '.join(gaps)}{more}" if gaps else "none"),
    )
    return html.Dl(facts_list(facts), className="facts")


def _columns(whole: Mapping[str, Any], files: Sequence[Mapping[str, Any]], unit: Unit) -> Any:
    units = dict(pair for each in files for pair in each["columns"])
    rows = []
    for j, name in enumerate(whole["names"][:SHOWN_PROBES]):
        low, high = whole["lowest_c"][j], whole["highest_c"][j]
        read = "no reading" if low is None else f"{degrees(low, unit)[:-1]} to {reading(high, unit)}"
        own = {"f": "°F", "k": "K"}.get(units.get(name, "c"), "°C")
        rows.append((name, own, read, f"{whole['readings'][j]:,}"))
    left = len(whole["names"]) - SHOWN_PROBES
    caption = "Probes" if left <= 0 else f"Probes ({left} more not shown)"
    return _table(caption, ("Probe", "Unit in the file", "Range", "Readings"), rows)


def _first(each: Mapping[str, Any]) -> Any:
    if not each["head"]:
        text = "\n".join(line[:200] for line in each["lines"])
        start = [html.Figcaption(f"Start of {each['name']}"), scroll(each["name"], text, html.Pre)]
        return html.Figure(start) if each["lines"] else None
    headers = each["headers"][:SHOWN_COLUMNS]
    kinds = ["time" if h in each["time"] else "read" if h in each["read"] else "left" for h in headers]
    left = len(each["headers"]) - len(headers)
    caption = f"First rows of {each['name']}" + (f" ({left} more columns)" if left > 0 else "")
    rows = [(str(row), *cells[:SHOWN_COLUMNS]) for row, cells in each["head"]]
    return _table(caption, ("Row", *headers), rows, ("", *kinds))


def _table(
    caption: str, heads: Sequence[str], rows: Sequence[Sequence[str]], kinds: Sequence[str] = ()
) -> Any:
    def line(make: Any, texts: Sequence[str], **more: Any) -> Any:
        short = (text if len(text) <= SHOWN_CELL else f"{text[: SHOWN_CELL - 1]}…" for text in texts)
        pairs = zip(short, kinds or [""] * len(heads), strict=False)
        return html.Tr([make(text, className=kind, **more) for text, kind in pairs])

    head = html.Thead(line(html.Th, heads, scope="col"))
    body = html.Tbody([line(html.Td, row) for row in rows])
    return scroll(caption, html.Table([html.Caption(caption), head, body]))
