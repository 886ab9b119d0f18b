"""What people ask of the logger: one typed reader for each kind, used by the page and by the logger."""

from __future__ import annotations

import unicodedata
from typing import Annotated, Any, ClassVar, Final, TypeVar

import msgspec
from msgspec import Meta

from logger.errors import UserError, shortened
from logger.plan import MAX_TOML
from logger.refusals import Mistake, decoded

MAX_TEXT: Final = 1000
MAX_WORD: Final = 64
"""For a name: a zone, a kind of note."""
MAX_KEY: Final = 200
"""For an alarm's key: a rule and a place."""
UNDO_S: Final = 60.0
"""How long after it was noted something can be taken back. [s]"""

Word = Annotated[str, Meta(max_length=MAX_WORD)]
Text = Annotated[str, Meta(max_length=MAX_TEXT)]
Height = Annotated[float, Meta(ge=-100, le=1000)]
"""Above the coal bed; probes may be below it. [cm]"""


class RequestError(UserError):
    """A request that can't be carried out, and why."""


class Asked(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A request; each kind is a type of its own."""

    needed: ClassVar[dict[str, str]] = {}
    """Texts that must not be empty, and what to say if they are."""


class Begin(Asked, frozen=True):
    """Begin a firing with the next reading."""


class Finish(Asked, frozen=True):
    """End the running firing."""


class BeaconTest(Asked, frozen=True):
    """Test every lamp and buzzer."""


class Arm(Asked, frozen=True):
    """Arm a plan for the firing that begins with the next reading."""

    plan_toml: Annotated[str, Meta(max_length=MAX_TOML)]
    replace: Word = ""  # the ID of the running firing, if that has a plan and should end

    needed: ClassVar[dict[str, str]] = {"plan_toml": "there is no plan; make one before arming"}


class Acknowledge(Asked, frozen=True):
    """Say that an alarm has been seen."""

    key: Annotated[str, Meta(max_length=MAX_KEY)]

    needed: ClassVar[dict[str, str]] = {"key": "empty; name the alarm"}


class Shelve(Asked, frozen=True):
    """Silence an alarm for a while."""

    key: Annotated[str, Meta(max_length=MAX_KEY)]
    minutes: Annotated[float, Meta(ge=1, le=240)] = 10.0

    needed: ClassVar[dict[str, str]] = {"key": "empty; name the alarm"}


class Unshelve(Acknowledge, frozen=True):
    """Let a silenced alarm sound again."""


class Note(Asked, frozen=True):
    """Something a person did or saw."""

    kind: Word  # one word of the trade (`wood`, `raked` …) or `text`
    text: Text = ""  # free words, shown as text everywhere
    amount: Text = ""  # how much, where that means something
    zone: Word = ""  # where in the stack; empty if nobody said
    height_cm: Height | None = None  # how high above the coals. [cm]
    # how long ago it happened; it is recorded at that time. [min]
    ago_min: Annotated[float, Meta(ge=0, le=600)] = 0.0

    needed: ClassVar[dict[str, str]] = {"kind": "a note without a kind; choose what happened"}


class Spot(Asked, frozen=True):
    """One hand-held infrared reading, with the place it was pointed at."""

    zone: Word
    temperature_c: Annotated[float, Meta(ge=-50, le=1800)]  # as the gun showed it. [°C]
    emissivity: Annotated[float, Meta(ge=0.1, le=1)] = 0.95  # the gun's setting
    text: Text = ""
    height_cm: Height | None = None  # how high above the coals it was pointed. [cm]

    needed: ClassVar[dict[str, str]] = {"zone": "a gun reading without a place; choose where the gun pointed"}


class Retract(Asked, frozen=True):
    """Take back a note or a gun reading."""

    event: Annotated[int, Meta(ge=1, le=(1 << 62) - 1)]


class Amend(Asked, frozen=True):
    """Correct a note's words or time; kind, amount and place stay."""

    event: Annotated[int, Meta(ge=1, le=(1 << 62) - 1)]
    text: Text = ""
    # how long ago it happened; None leaves its time as it is. [min]
    ago_min: Annotated[float, Meta(ge=0, le=600)] | None = None


class MirrorRefused(Asked, frozen=True):
    """Report that an InfluxDB refused something; the mirror sends this, not a person."""

    detail: Text = ""


T = TypeVar("T", bound=Asked)

KINDS: Final[dict[str, type[Asked]]] = {
    "begin": Begin,
    "finish": Finish,
    "arm": Arm,
    "beacon_test": BeaconTest,
    "ack": Acknowledge,
    "shelve": Shelve,
    "unshelve": Unshelve,
    "note": Note,
    "spot": Spot,
    "retract": Retract,
    "amend": Amend,
    "mirror": MirrorRefused,
}
"""Every kind of request."""


def read_request(kind: str, data: Any) -> Asked:
    """Check a request of one of the `KINDS`, wherever it comes from; RequestError names field and fix.

    Every number in the result is finite and within its range; every text is short, and free of control
    characters and half characters.
    """
    if kind not in KINDS:
        raise RequestError(f"{shortened(kind)} isn't a request; the logger knows {', '.join(KINDS)}")
    return _read(KINDS[kind], data)


def read_spot(data: Any) -> Spot:
    """Check a spot reading from a request or a journal; RequestError says what is wrong."""
    return _read(Spot, data)


def data_of(asked: Asked) -> dict[str, Any]:
    """Return a request as a journal keeps it, in JSON; `read_request` turns it back into an equal one."""
    return msgspec.structs.asdict(asked)


def text_of(data: dict[str, Any], key: str, longest: int = MAX_TEXT) -> str:
    """Take a text out of what somebody sent, cleaned by `plain_text`; empty if it is missing."""
    value = data.get(key, "")
    if not isinstance(value, str):
        raise RequestError(f"{key}: {shortened(value)} is not text", key)
    if len(value) > longest:
        raise RequestError(f"{key}: longer than {longest} characters; shorten it", key)
    return plain_text(value, key)


def plain_text(text: str, key: str) -> str:
    """Strip a text, and remove what no reader could see; errors call it `key`.

    Control characters other than line breaks go, and so do marks that change the writing direction. Every
    script, with its joiners, stays as it is. Half a character (a lone surrogate) is refused: no file can hold
    it.
    """
    try:
        text.encode()
    except UnicodeEncodeError as exc:
        raise RequestError(f"{key}: contains half a character; write it again", key) from exc
    kept = (c for c in text.replace("\r\n", "\n") if c == "\n" or not _unseen(c))
    return "".join(kept).strip()


# Embeddings, overrides and isolates of Unicode's bidirectional algorithm (UAX #9, table of explicit
# formatting characters): a text with one of them can be displayed as a different text.
_TURNING: Final = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def _unseen(character: str) -> bool:
    return character in _TURNING or unicodedata.category(character) == "Cc"


def _read(kind: type[T], data: Any) -> T:
    wrong: list[Mistake] = []
    asked = decoded(kind, data, wrong)
    if asked is None:
        path, what = wrong[0].path, wrong[0].what
        name = str(path[0]) if path else None
        if name is None or name not in kind.__struct_fields__:
            raise RequestError(what if name is None else f"{shortened(name)}: {what}")
        if what.startswith("is missing"):
            what = kind.needed.get(name, what)
        raise RequestError(f"{name}: {what}", name)
    texts = {
        name: plain_text(value, name)
        for name in kind.__struct_fields__
        if isinstance(value := getattr(asked, name), str)
    }
    if isinstance(asked, Arm):  # a file's text: the plan's reader says what is wrong in it
        texts["plan_toml"] = asked.plan_toml
    for name, missing in kind.needed.items():
        if not texts[name].strip():
            raise RequestError(f"{name}: {missing}", name)
    if isinstance(asked, Note) and asked.kind == "text" and not texts["text"]:
        raise RequestError("an empty note; write a word or two", "text")
    return msgspec.structs.replace(asked, **texts)
