"""The form for what people write down about a firing, and its photos. Pure."""

from collections.abc import Mapping, Sequence
from typing import Any

import dash_mantine_components as dmc
from dash import html

from dashboard.parts.frame import button
from logger.report.describe import FIELDS, TITLE, Field

LONGEST = 1000
"""Characters in one field, as `logger.requests` allows."""


def form(firing: str, texts: Mapping[str, str]) -> list[Any]:
    """Make the form with the saved texts; the tablet keeps what is typed, by firing ID, until it is saved."""
    before = [_field(field, firing, texts) for field in (TITLE, *FIELDS) if not field.after]
    after = [_field(field, firing, texts) for field in FIELDS if field.after]
    return [
        html.H2("What was fired"),
        html.Div(before, className="fields"),
        html.H2("How it turned out"),
        html.Div(after, className="fields"),
    ]


def _field(field: Field, firing: str, texts: Mapping[str, str]) -> Any:
    how = {"className": "wide"} if field is TITLE else {"autosize": True, "minRows": 1}
    make = dmc.TextInput if field is TITLE else dmc.Textarea
    return make(
        id={"type": "report-text", "name": field.name},
        label=field.label,
        description=field.hint,
        value=texts.get(field.name, ""),
        # Dash keeps what is typed from the first letter on, and drops it once another value has been saved.
        persistence=firing,
        persistence_type="local",
        attributes={"input": {"maxLength": LONGEST}},
        **how,
    )


def photos(firing: str, names: Sequence[str], *, may_act: bool) -> list[Any]:
    """Show a firing's photos, given their file names; anyone who may act can remove them."""
    shown = []
    for number, name in enumerate(names, 1):
        address = f"/api/report/{firing}/photo/{name}"
        parts = [html.A(html.Img(src=address, alt=f"Photo {number}"), href=address, target="_blank")]
        if may_act:
            take = {"type": "report-photo-away", "name": name}
            parts.append(button("Remove", take, aloud=f"Remove photo {number}"))
        shown.append(html.Figure(parts))
    return shown or [html.P("No photos yet.")]
