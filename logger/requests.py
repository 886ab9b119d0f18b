"""What people ask of the logger, checked: notes, spot readings, and taking one of them back."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Final

from logger.errors import UserError

MAX_TEXT: Final = 1000
UNDO_S: Final = 60.0
"""So long after it was noted, something can be taken back. [s]"""


class RequestError(UserError):
    """A request that can't be carried out: says why."""


@dataclass(frozen=True, slots=True)
class Note:
    """Something a person did or saw.

    Attributes
    ----------
    kind : str
        One word of the trade (`wood`, `raked` …) or `text`.
    text : str
        Free words, shown as text everywhere.
    amount : str
        How much, where that means something.
    zone : str
        Where in the stack; empty where nobody said.
    height_cm : float or None
        How high above the coals. [cm]
    """

    kind: str
    text: str = ""
    amount: str = ""
    zone: str = ""
    height_cm: float | None = None

    def data(self) -> dict[str, Any]:
        """As it is kept in the journal.

        Returns
        -------
        dict
        """
        data = {"kind": self.kind, "text": self.text, "amount": self.amount}
        return data | _place(self.zone, self.height_cm)


def read_note(data: dict[str, Any]) -> Note:
    """Check a note as it came from a page.

    Parameters
    ----------
    data : dict
        `kind`, `text`, `amount`, and the place: `zone`, `height_cm`.

    Returns
    -------
    Note

    Raises
    ------
    RequestError
        Nothing in it, or too long.
    """
    note = Note(
        **{key: text_of(data, key) for key in ("kind", "text", "amount", "zone")}, height_cm=_height_of(data)
    )
    if not note.kind:
        raise RequestError("a note without a kind; choose what happened")
    if note.kind == "text" and not note.text:
        raise RequestError("an empty note; write a word or two")
    return note


@dataclass(frozen=True, slots=True)
class Spot:
    """One hand-held infrared reading with the place it was pointed at.

    Attributes
    ----------
    zone : str
    temperature_c : float
        As the gun showed it. [°C]
    emissivity : float
        That the gun was set to.
    text : str
    height_cm : float or None
        How high above the coals it was pointed. [cm]
    """

    zone: str
    temperature_c: float
    emissivity: float = 0.95
    text: str = field(default="")
    height_cm: float | None = None

    def data(self) -> dict[str, Any]:
        """As it is kept in the journal.

        Returns
        -------
        dict
        """
        return {
            "zone": self.zone,
            "temperature_c": self.temperature_c,
            "emissivity": self.emissivity,
            "text": self.text,
            **({} if self.height_cm is None else {"height_cm": self.height_cm}),
        }


def read_spot(data: dict[str, Any]) -> Spot:
    """Check a spot reading as it came from a page.

    Parameters
    ----------
    data : dict
        `zone`, `temperature_c`, `emissivity`, `text`.

    Returns
    -------
    Spot

    Raises
    ------
    RequestError
        No place, or numbers that no gun shows.
    """
    zone = text_of(data, "zone")
    if not zone:
        raise RequestError("a spot reading without a place; choose where the gun pointed")
    return Spot(
        zone=zone,
        temperature_c=number_of(data, "temperature_c", None, -50, 1800),
        emissivity=number_of(data, "emissivity", 0.95, 0.1, 1.0),
        text=text_of(data, "text"),
        height_cm=_height_of(data),
    )


def _place(zone: str, height_cm: float | None) -> dict[str, Any]:
    """A place as it is kept: nothing where nobody said, as in journals before places were noted."""
    place: dict[str, Any] = {"zone": zone} if zone else {}
    return place if height_cm is None else {**place, "height_cm": height_cm}


def _height_of(data: dict[str, Any]) -> float | None:
    return None if data.get("height_cm") is None else number_of(data, "height_cm", None, -100, 1000)


def read_ago_s(data: dict[str, Any]) -> float:
    """Check how long ago a note says that it happened.

    Parameters
    ----------
    data : dict
        `ago_min`: minutes; left out: now.

    Returns
    -------
    float
        [s]

    Raises
    ------
    RequestError
        No number, or more than ten hours.
    """
    return 60.0 * number_of(data, "ago_min", 0.0, 0.0, 600.0)


def read_retract(data: dict[str, Any]) -> int:
    """Check which event is to be taken back.

    Parameters
    ----------
    data : dict
        `event`: its number.

    Returns
    -------
    int

    Raises
    ------
    RequestError
        Not a number.
    """
    event = data.get("event")
    if isinstance(event, bool) or not isinstance(event, int) or not 0 < event < 1 << 62:
        raise RequestError(f"event: {event!r} is not the number of a note")
    return event


def text_of(data: dict[str, Any], key: str) -> str:
    """Take a text out of a request.

    Parameters
    ----------
    data : dict
    key : str

    Returns
    -------
    str
        Stripped; empty where it is missing.

    Raises
    ------
    RequestError
        Not text, or longer than 1000 characters.
    """
    value = data.get(key, "")
    if not isinstance(value, str):
        raise RequestError(f"{key}: {value!r} is not text")
    if len(value) > MAX_TEXT:
        raise RequestError(f"{key}: longer than {MAX_TEXT} characters; shorten it")
    return value.strip()


def number_of(data: dict[str, Any], key: str, default: float | None, low: float, high: float) -> float:
    """Take a number out of a request.

    Parameters
    ----------
    data : dict
    key : str
    default : float or None
        None: it must be given.
    low, high : float
        The range allowed.

    Returns
    -------
    float

    Raises
    ------
    RequestError
        Missing, no number, or out of range.
    """
    value = data.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise RequestError(f"{key}: {value!r} is not a number; give one from {low:g} to {high:g}")
    if not low <= value <= high:
        raise RequestError(f"{key}: {value:g} is out of range; give a number from {low:g} to {high:g}")
    return float(value)
