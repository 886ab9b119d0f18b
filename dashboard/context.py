"""What a request is served with: where the journal is, who asks, and shares of what is scarce."""

from contextvars import ContextVar
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

from fastapi import HTTPException

if TYPE_CHECKING:
    from dashboard.stored.exports import Exports
    from dashboard.work.gathering import Gathering


@dataclass(frozen=True)
class Context:
    """What a running page works with."""

    journal_path: Path  # it need not exist yet
    gathering: "Gathering"
    exports: "Exports"

    @property
    def home(self) -> Path:
        """The folder that holds everything a user owns."""
        return self.journal_path.parent

    @staticmethod
    async def operator() -> str:
        """Return who is acting, for `Depends` on whatever changes something; HTTPException: they may not."""
        found = asker.get()
        if found.who is None:
            raise HTTPException(401 if found.may_enter else 403, found.refusal)
        return found.who


current: ContextVar[Context] = ContextVar("stokewatch_context")
"""Set for each request, because callbacks are global in Dash and have to know which page they serve."""


def here() -> Context:
    """Return the context of the page being asked; LookupError outside a request (tests set `current`)."""
    return current.get()


@dataclass(frozen=True, slots=True)
class Asker:
    """Who is asking."""

    who: str | None = None  # in whose name it is done; None: they may only watch
    refusal: str = "nobody is signed in"  # why they may not act
    may_enter: bool = False  # whether the PIN would help
    address: str = ""  # as `connections.who_is` gives it; empty for this machine
    trusted: bool = True  # whether it is an operator's address, or this machine's own


asker: Final[ContextVar[Asker]] = ContextVar("asker", default=Asker())  # noqa: B039  frozen
"""For the request being served; set by `limits.Limits`."""


@dataclass(slots=True, eq=False)
class Place:
    """A place in a `Share`, held until it is left."""

    who: Asker
    among: list["Place"]

    def leave(self) -> None:
        """Free the place, if it is still held."""
        if self in self.among:
            self.among.remove(self)

    def __enter__(self) -> None: ...

    def __exit__(self, *exc: object) -> None:
        self.leave()


@dataclass(slots=True)
class Share:
    """A limited number of places."""

    most: int
    each: int  # how many for one watcher's address
    reserve: int  # how many are kept for operators' addresses and this machine
    held: list[Place] = field(default_factory=list)

    def take(self) -> Place | None:
        """Take a place for whoever is asking; None where none is free."""
        who = asker.get()
        own = sum(place.who.address == who.address for place in self.held)
        room = self.most if who.trusted else self.most - self.reserve
        if len(self.held) >= room or (own >= self.each and not who.trusted):
            return None
        place = Place(who, self.held)
        self.held.append(place)
        return place
