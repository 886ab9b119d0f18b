"""What people write down about a firing: what was fired, how, and what came of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from logger.errors import shortened
from logger.requests import RequestError, text_of

if TYPE_CHECKING:
    from logger.journal.rows import FiringInfo
    from logger.journal.writer import JournalWriter


@dataclass(frozen=True, slots=True)
class Field:
    """Something that can be written down about a firing."""

    name: str
    label: str
    hint: str
    after: bool = False  # whether it is known only once the pots are out


TITLE: Final = Field("title", "Title", "What the firing is called.")
FIELDS: Final = (
    Field("pots", "Pots", "How many, what kind, how large."),
    Field("clay", "Clay", "Which clay, from where, how it was prepared."),
    Field("temper", "Temper", "Sand, grog, shell, chaff; how much."),
    Field("slip", "Slip or burnish", "Slip, paint, burnish; on which pots."),
    Field("walls", "Wall thickness", "Thinnest and thickest, in mm."),
    Field("drying", "Drying", "How long and where the pots dried; how they were warmed."),
    Field("wood", "Wood", "Kinds, thickness, how dry, about how much."),
    Field("weather", "Weather and ground", "Wind, air temperature, rain; dry or damp ground."),
    Field("setting", "Setting", "How the pots were set: supports, sherds, what went where."),
    Field("people", "Watched by", "Who was there."),
    Field("rings", "Rings", "Tapped when cool: how many ring clear, how many dull.", after=True),
    Field("cracks", "Cracks and spalls", "Which pots, where, how.", after=True),
    Field("clouds", "Colour and clouds", "Colours, fire clouds, black cores.", after=True),
    Field("remarks", "What to change next time", "For the next firing.", after=True),
    Field("photos", "Photos", "What they show, or the names of files kept elsewhere.", after=True),
)
"""In the order in which they are shown."""

_NAMES: Final = frozenset(field.name for field in FIELDS)


def described(facts: dict[str, Any]) -> list[tuple[Field, str]]:
    """List the fields that have been filled in, in the order in which they are shown."""
    return [(field, text) for field in FIELDS if isinstance(text := facts.get(field.name), str) and text]


def read_description(data: dict[str, Any]) -> dict[str, str]:
    """Check what somebody wrote down: any of the fields, and `title`.

    An empty text deletes what was there. RequestError: an unknown field, a text that is too long, or nothing
    at all.
    """
    if not data:
        raise RequestError("nothing to write down")
    texts: dict[str, str] = {}
    for name in data:
        if name not in _NAMES and name != TITLE.name:
            there = ", ".join(sorted(_NAMES))
            raise RequestError(f"{shortened(name)}: a firing has no such field; its fields are {there}")
        texts[name] = text_of(data, name)
    if "\n" in texts.get(TITLE.name, ""):
        raise RequestError("title: has a line break in it; remove it", TITLE.name)
    if texts.get(TITLE.name) == "":
        raise RequestError("title: empty; give the firing a name", TITLE.name)
    return texts


def describe(writer: JournalWriter, firing: FiringInfo, data: dict[str, Any]) -> FiringInfo:
    """Write something down about a firing, keeping what is there; RequestError: nothing was written."""
    texts = read_description(data)
    title = texts.pop(TITLE.name, None)
    with writer.transaction():
        facts = dict(writer.firing(firing.id).facts)  # read again: somebody else may have written meanwhile
        facts.update(texts)
        kept = {name: value for name, value in facts.items() if value != "" or name not in _NAMES}
        return writer.change_firing(firing.id, title=title, facts=kept)
