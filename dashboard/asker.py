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


@dataclass(slots=True)
class Share:
    """Places that few may hold at once."""

    most: int
    each: int  # of one stranger's address
    reserve: int  # places that only operators' addresses, and this machine, may take
    held: list[Asker] = field(default_factory=list)

    def take(self) -> Asker | None:
        """Take a place for whoever asks, who is in `held` until removed from it; None where there is none."""
        who = asker.get()
        if len(self.held) >= (self.most if who.trusted else self.most - self.reserve):
            return None
        if not who.trusted and sum(other.who == who.who for other in self.held) >= self.each:
            return None
        self.held.append(who)
        return who
