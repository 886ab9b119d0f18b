"""Where lines come from: what all sources have in common."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass
from typing import Any, Protocol

from logger.errors import UserError
from logger.reading import Frame, Sample


class SourceError(UserError):
    """A place that lines can't come from, whatever is plugged in or switched on."""


@dataclass(frozen=True, slots=True)
class Arrival:
    """One line that came in."""

    line: bytes  # without its newline; it can be anything
    monotonic_s: float  # `time.monotonic` as the read that brought its end returned
    source: str  # the `Source.name` it came by
    rig: str | None = None  # its name by the envelope (an MQTT topic); the frame must say the same
    # for `Source.acknowledge`, once the line is dealt with: in the journal, or refused; None where the sender
    # waits for no answer
    token: object | None = None
    frame: Frame | None = None  # what the line says, where the source has looked at it


@dataclass(frozen=True, slots=True)
class Sampled:
    """Readings of a rig that doesn't speak the rig's line: nothing proves that they are whole or in order."""

    rig: str
    samples: dict[str, Sample]  # by channel
    monotonic_s: float  # when they came in, which is all the time they have
    source: str
    token: object | None = None  # as `Arrival.token`


Put = Callable[[Arrival | Sampled], Awaitable[None]]
"""Takes a line, or readings; waits while there is no room for it."""

Report = Callable[[str, dict[str, Any]], None]
"""Is told what happens to a source: a kind, and facts that are fit for a journal and for people's eyes.

`connected` and `lost` say in `detail` what was reached, or what went wrong and the mend; the same trouble is
told once, not at every attempt. `unreadable` says that something speaks there that is no rig. `rig` says
in `rig` and `online` what a rig's status topic says.
"""

Answer = Callable[[str, str | None, bytes], None]
"""Is given what a rig says besides frames (`dialogue.is_answer`): source, rig by the envelope
(as in `Arrival.rig`), and a line without its newline."""


class Source(Protocol):
    """Gives lines until it is cancelled; cables may be pulled and brokers go away meanwhile.

    All of it belongs to the event loop: call nothing from another thread.
    """

    name: str  # what people call it, without any password; stays the same
    proof: str  # crc or none: whether its lines carry a checksum and a counter

    async def run(self, put: Put, report: Report) -> None:
        """Await `put` with every `Arrival`, in the order they came in; end by cancellation alone."""

    def acknowledge(self, tokens: Iterable[object]) -> None:
        """Tell the sender that its lines, in the order they came in, are dealt with.

        Tokens of an earlier connection do no harm.
        """

    def refuse(self, tokens: Iterable[object]) -> None:
        """Tell the sender, where that can be said, that nobody keeps these lines, and to try no more."""

    def ask_again(self, tokens: Iterable[object]) -> None:
        """Have the sender keep these lines, and send them again, where it can: they had to be let go of."""

    def say(self, rig: str, line: bytes) -> None:
        """Send a line of `dialogue` to a rig, if it can be reached; only its answer shows that it heard."""


class Deaf:
    """What nothing can be said to: it keeps nothing, and shows no beacon. See `Source`."""

    def acknowledge(self, tokens: Iterable[object]) -> None:
        """Do nothing."""

    def refuse(self, tokens: Iterable[object]) -> None:
        """Do nothing."""

    def ask_again(self, tokens: Iterable[object]) -> None:
        """Do nothing."""

    def say(self, rig: str, line: bytes) -> None:
        """Do nothing."""


class Backoff:
    """Waits between attempts: random up to a limit that doubles, so that many don't come back at once."""

    def __init__(self, first_s: float, longest_s: float, random: Callable[[], float]) -> None:
        self._first_s, self._longest_s, self._random = first_s, longest_s, random
        self._limit_s = first_s

    def next_s(self) -> float:
        """Give the wait before the next attempt."""
        wait_s = self._random() * self._limit_s
        self._limit_s = min(2 * self._limit_s, self._longest_s)
        return wait_s

    def succeeded(self) -> None:
        """Start afresh."""
        self._limit_s = self._first_s
