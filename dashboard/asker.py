"""Whose request is being served: for those that share something out."""

from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import Final


@dataclass(frozen=True, slots=True)
class Asker:
    """Who asks."""

    who: str = ""  # the address, as `connections.who_is` gives it; empty for this machine
    trusted: bool = True  # whether it is an operator's address, or this machine's own


asker: Final[ContextVar[Asker]] = ContextVar("asker", default=Asker())  # noqa: B039  frozen
"""Of the present request; set by `limits.Limits`."""


@dataclass(slots=True, eq=False)
class Place:
    """A place of a `Share`, until it is left."""

    who: Asker
    among: list["Place"]

    def leave(self) -> None:
        """Free the place; nothing if that was done already."""
        if self in self.among:
            self.among.remove(self)

    def __enter__(self) -> None: ...

    def __exit__(self, *exc: object) -> None:
        self.leave()


@dataclass(slots=True)
class Share:
    """Places that few may hold at once."""

    most: int
    each: int  # of one stranger's address
    reserve: int  # places that only operators' addresses, and this machine, may take
    held: list[Place] = field(default_factory=list)

    def take(self) -> Place | None:
        """Take a place for whoever asks; None where there is none."""
        who = asker.get()
        if len(self.held) >= (self.most if who.trusted else self.most - self.reserve):
            return None
        if not who.trusted and sum(place.who.who == who.who for place in self.held) >= self.each:
            return None
        place = Place(who, self.held)
        self.held.append(place)
        return place
