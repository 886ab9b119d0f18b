"""One stored firing in the list, or in the bin. Pure."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import quote

from dash import dcc, html

from dashboard.figures.spark import spark
from dashboard.parts.frame import button, door_row, save_as
from dashboard.words import Unit, reading, span

if TYPE_CHECKING:
    from logger.journal.rows import FiringInfo

KINDS: Final = (("csv", "CSV"), ("parquet", "Parquet"), ("line-protocol", "Line protocol"))


@dataclass(slots=True)
class Row:
    """One firing of a list.

    `peak` is the name and peak [°C] of the pots' zone that stayed coldest in the rehearsal, once that is
    `known` or has `failed`; `picture` is from `shelf.glimpse`; `day` is the date and time of the first
    reading, empty if unknown.
    """

    info: "FiringInfo"
    picture: dict[str, Any]
    peak: tuple[str, float] | None
    known: bool
    day: str
    failed: bool = False
    waits: bool = True  # an unknown peak is being worked out


def coldest(row: Row, unit: Unit) -> str:
    """Say how hot the coldest zone became."""
    if row.info.running:
        seen = row.picture["coldest"]
        return f"Coldest zone about {reading(seen[0], unit)} so far" if seen else "Burning"
    if row.failed:
        return "The peak could not be worked out; the report says why"
    if not row.known:
        return "Working out the peak …" if row.waits else "The peak has not been worked out"
    if row.peak is None:
        return "No zone to judge by"
    zone, peak_c = row.peak
    return f"Coldest zone peaked at {reading(peak_c, unit)} ({zone})"


def peak_id(firing: Any) -> dict[str, Any]:
    """Make the id of the line that `coldest` fills."""
    return {"type": "firing-peak", "firing": firing}


def card(row: Row, unit: Unit, *, night: bool, may_act: bool, chosen: bool) -> Any:
    """Make a firing's card; `chosen` if it is among those to be compared."""
    info = row.info
    own, title = quote(info.id), info.title or "Firing"
    choose, pressed = {"type": "firing-choose", "firing": info.id}, {"aria-pressed": str(chosen).lower()}
    doors: list[Any] = [
        button("Compare", choose, aloud=f"Compare {title}", **pressed),
        dcc.Link(["Report", html.Span(f" of {title}", className="unseen")], href=f"/report/{own}"),
        _more(row, title, own, may_act=may_act),
    ]
    face = _face(row, title, dcc.Link(title, href=f"/replay/{own}", className="open"), unit, night=night)
    return _item(row, [face, door_row(*doors)])


def _item(row: Row, parts: list[Any]) -> Any:
    return html.Li(parts, className="firing", **{"data-firing": row.info.id})


def _face(row: Row, title: str, head: Any, unit: Unit, *, night: bool) -> Any:
    told, info = row.picture, row.info
    marks = [
        html.B("burning now", className="running") if info.running else None,
        html.I("invented, not measured") if info.invented else None,
        html.Span("from a file") if "imported" in info.facts else None,
    ]
    picture = spark(told["low"], told["high"], told["target_c"], night=night)
    parts = [
        html.Img(src=picture, alt="", className="glimpse"),
        html.H2(head),
        html.P(f"{row.day or 'No date in the file'} · {span(info.length_s)}"),
        html.P(coldest(row, unit), className="coldest", id=peak_id(info.id)),
        html.P([mark for mark in marks if mark], className="marks"),
    ]
    return html.Div(parts, title=f"{title}: coldest to hottest zone over time; the dashed line is the target")


def _more(row: Row, title: str, own: str, *, may_act: bool) -> Any:
    info = row.info
    files = [button(name, {"type": "firing-save", "firing": info.id, "kind": kind}) for kind, name in KINDS]
    page = html.A("HTML report", href=f"/api/report/{own}/page?keep=1", download="")
    inside: list[Any] = [save_as(f"Save {title} as", *files, page)]
    if may_act and may_be_placed(info):
        inside.append(dcc.Link("Places, zones and plan", href=f"/firings?places={own}"))
    if may_act and not info.running:
        inside.append(button("Delete", {"type": "firing-delete", "firing": info.id}, className="bad"))
    head = html.Summary("More", **{"aria-label": f"More about {title}"})
    return html.Details([head, html.Div(inside, className="more")])


def may_be_placed(info: "FiringInfo") -> bool:
    """Tell whether a firing came without a plan that its alarms were judged by: from a file, or unplanned."""
    return not info.running and ("imported" in info.facts or info.plan_toml is None)


def binned_card(row: Row, unit: Unit, *, night: bool, may_act: bool) -> Any:
    """Make the card of a firing in the bin."""
    title = row.info.title or "Firing"
    parts = [_face(row, title, title, unit, night=night)]
    if may_act:
        half_gone = "deleting" in row.info.facts
        back = button("Put back", {"type": "firing-back", "firing": row.info.id})
        good = button("Delete for good …", {"type": "firing-good", "firing": row.info.id}, className="bad")
        parts.append(door_row(*([good] if half_gone else [back, good])))
    return _item(row, parts)
