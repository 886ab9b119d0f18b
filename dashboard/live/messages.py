"""What goes over the wire between the server and a tablet: JSON objects, `is` naming their type.

At `/live` a tablet is told `Hello`, says what it wants to see (`Wish`) and gets a whole `Screen`; from then
on only what changed. `seq` counts the screens of one wish: a tablet that misses a number says its wish again.
At least a `Pulse` comes every 0.75 s, so that by its own clock a tablet soon knows that the link is gone.
"""

from typing import Final, Literal

import msgspec

MAX_WISH: Final = 1000
"""Bytes of a tablet's wish."""

State = Literal["opening", "waiting", "fresh", "ended", "logger", "rig", "trouble"]
"""What a screen can be trusted for: `fresh`: readings come; `ended`: nothing comes any more, as was wished;
`waiting`: no firing yet; `logger`, `rig`: one of them is silent; `trouble`: the journal can't be read."""


class Hello(msgspec.Struct, tag_field="is", tag="hello"):
    """The first message."""

    version: str  # of the page's code. A tablet whose document is of another version loads it again.


class Screen(msgspec.Struct, tag_field="is", tag="screen", omit_defaults=True):
    """What a tablet shows."""

    seq: int
    whole: bool = False  # whether this is all there is to show, after which the numbers go on from `seq`
    # by component and property: what `dash_clientside.set_props` takes
    props: msgspec.Raw = msgspec.Raw(b"{}")
    # by element: its text, or its text and class. Numbers that change twice a second are written into their
    # elements: through `set_props` each of them costs Dash's whole store a round.
    texts: dict[str, str | list[str]] = {}
    title: str | None = None  # of the tab; None: as it was
    state: State | None = None  # see `State`
    # whether an unacknowledged alarm stands, and the keys of good news, each to be chimed once
    tone: tuple[bool, list[str]] | None = None
    # age of the youngest reading when this was written, on the firing's own clock. [s]
    newest_age_s: float | None = None


class Pulse(msgspec.Struct, tag_field="is", tag="pulse"):
    """Nothing changed, and the server lives."""

    seq: int  # of the last screen


class Wish(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a tablet wants to see."""

    page: Literal["fire", "other"] = "other"  # `other`: only what stands on every page
    unit: Literal["C", "F"] = "C"
    theme: Literal["day", "night"] = "day"
    window_s: Literal[600, 1800] | None = None  # how much of the past; None: the whole firing. [s]
    view: Literal["traces", "heat"] = "traces"  # which picture of the fire is open
    bands: bool = True  # whether the pots' estimates are drawn among the traces
    low: bool = False  # whether the glass is low, as a phone's


_wishes = msgspec.json.Decoder(Wish)


def read_wish(text: str) -> Wish | None:
    """Read what a tablet asks for; None where it is anything else."""
    try:
        return _wishes.decode(text) if len(text) <= MAX_WISH else None
    except (msgspec.MsgspecError, RecursionError):
        return None


def write(message: Hello | Screen | Pulse) -> str:
    """Write a message."""
    return msgspec.json.encode(message).decode()
