"""The messages between the server and a tablet: JSON objects whose `is` names their type.

At `/live` the server sends `Hello`, the tablet says what it wants to see (`Wish`) and gets a whole `Screen`,
then only what has changed. `seq` counts the screens of one wish: a tablet that misses a number sends its wish
again. Something, if only a `Pulse`, is sent every 0.75 s, so a tablet soon knows by its own clock that the
link is gone.
"""

from typing import Final, Literal

import msgspec

MAX_WISH: Final = 1000
"""The longest wish a tablet may send [characters]."""

State = Literal["opening", "waiting", "fresh", "ended", "logger", "rig", "trouble"]
"""How far a screen can be trusted. `fresh`: readings are coming in; `ended`: the firing is over; `waiting`:
there is no firing yet; `logger`, `rig`: that one is silent; `trouble`: the journal can't be read, or nothing
is recorded."""


class Hello(msgspec.Struct, tag_field="is", tag="hello"):
    """The first message."""

    version: str  # of the page's code; a tablet that shows another version reloads


class Screen(msgspec.Struct, tag_field="is", tag="screen", omit_defaults=True):
    """What a tablet shows."""

    seq: int
    whole: bool = False  # whether this replaces everything shown; the numbers go on from its `seq`
    # by component and property, as `dash_clientside.set_props` takes them
    props: msgspec.Raw = msgspec.Raw(b"{}")
    # by element: its text, or its text and class. Numbers that change twice a second are written straight
    # into their elements, because each `set_props` sends Dash through its whole store.
    texts: dict[str, str | list[str]] = {}
    title: str | None = None  # the tab's; None: unchanged
    state: State | None = None  # None: unchanged
    # whether there is an unacknowledged alarm, and the keys of good news, each to be chimed once
    tone: tuple[bool, list[str]] | None = None
    newest_age_s: float | None = None  # age of the newest reading when this was written [s]


class Pulse(msgspec.Struct, tag_field="is", tag="pulse"):
    """Nothing has changed, but the server is alive."""

    seq: int  # of the last screen


class Wish(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a tablet wants to see."""

    page: Literal["fire", "other"] = "other"  # `other`: only what every page shows
    unit: Literal["C", "F"] = "C"
    theme: Literal["day", "night"] = "day"
    window_s: Literal[600, 1800] | None = None  # how far back to show; None: the whole firing [s]
    view: Literal["traces", "heat"] = "traces"  # which picture of the fire is open
    bands: bool = True  # whether the estimates of the pots are drawn among the traces
    low: bool = False  # whether the screen is low, like a phone's


_wishes = msgspec.json.Decoder(Wish)


def read_wish(text: str) -> Wish | None:
    """Read a tablet's wish; None where the text is anything else."""
    try:
        return _wishes.decode(text) if len(text) <= MAX_WISH else None
    except (msgspec.MsgspecError, RecursionError):
        return None


def write(message: Hello | Screen | Pulse) -> str:
    """Encode a message as JSON."""
    return msgspec.json.encode(message).decode()
