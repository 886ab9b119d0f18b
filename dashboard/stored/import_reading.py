"""How to read files that come in: the form's fields, checked."""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field, ValidationError

from dashboard.parts.import_form import FIELDS
from logger.errors import UserError


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
    """Files can't be read this way: says why beside each field."""

    def __init__(self, wrong: dict[str, str]) -> None:
        super().__init__("; ".join(f"{FIELDS[name].label}: {text}" for name, text in wrong.items()))
        self.wrong = wrong


def reading_of(ids: Any, values: Any) -> Reading:
    """Read the form's fields, whose ids have `field`; or raise ReadingRefused."""
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
    if FIELDS[name].takes == "number":
        return f"give a whole number from {'0' if name == 'skip' else '1'} on"
    return (
        "too many, or too long; shorten it"
        if FIELDS[name].takes == "several" or "at most" in said
        else "choose one of the list"
    )
