"""What all sources of lines have in common."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass
from typing import Any

from logger.errors import UserError
from logger.reading import Frame, Sample


class SourceError(UserError):
    """Lines can't come from there, whatever is plugged in or switched on."""


@dataclass(frozen=True, slots=True)
class Arrival:
    """One line that came in."""

    line: bytes  # without its newline; it can be anything
    monotonic_s: float  # `time.monotonic` when the read that completed it returned
    source: str  # the `Source.name` it came through
    rig: str | None = None  # its name on the envelope (an MQTT topic); the frame must have the same
    # for `Source.acknowledge`, once the line is dealt with: in the journal, or refused; None if the sender
    # expects no answer
    token: object | None = None
    frame: Frame | None = None  # the decoded line, if the source has decoded it


@dataclass(frozen=True, slots=True)
class Sampled:
    """Readings of a rig without the rig's line: nothing proves that they are complete or in order."""

    rig: str
    samples: dict[str, Sample]  # by channel
    monotonic_s: float  # when they came in, the only time they have
    source: str
    token: object | None = None  # like `Arrival.token`


Put = Callable[[Arrival | Sampled], Awaitable[None]]
"""Takes a line, or readings; waits while there is no room."""

Report = Callable[[str, dict[str, Any]], None]
"""Called with what happens to a source: a kind, and facts fit for the journal and for people.

`connected` and `lost` say in `detail` what was reached, or what went wrong and the fix; the same trouble is
reported once, not at every attempt. `unreadable` means that something other than a rig sends there. `rig`
gives a rig's status topic in `rig` and `online`.
"""

Answer = Callable[[str, str | None, bytes], None]
"""Called with what a rig says besides frames (`dialogue.is_answer`): source, rig on the envelope
(as in `Arrival.rig`), and a line without its newline."""


def told_once(report: Report) -> Report:
    """Pass reports on, but not the same one several times on end."""
    last: tuple[str, dict[str, Any]] | None = None

    def tell(kind: str, data: dict[str, Any]) -> None:
        nonlocal last
        if (kind, data) != last:
            last = kind, data
            report(kind, data)

    return tell


class Source:
    """Delivers lines until it is cancelled, though cables may be pulled and brokers go away in between.

    All of it belongs to the event loop: call nothing from another thread. Sources whose senders keep nothing
    and can't be spoken to do no more than `run`.
    """

    name: str  # its name for people, without any password; never changes
    proof = "crc"  # crc or none: whether its lines have a checksum and a counter

    async def run(self, put: Put, report: Report) -> None:
        """Await `put` with every `Arrival`, in order of arrival; end only by cancellation."""
        raise NotImplementedError

    def acknowledge(self, tokens: Iterable[object]) -> None:
        """Tell the sender that its lines, in order of arrival, are dealt with.

        Tokens from an earlier connection do no harm.
        """

    def refuse(self, tokens: Iterable[object]) -> None:
        """Tell the sender, if it can be told, that these lines aren't kept, and not to send them again."""

    def ask_again(self, tokens: Iterable[object]) -> None:
        """Have the sender keep these lines and send them again, if it can: they had to be dropped."""

    def say(self, rig: str, line: bytes) -> None:
        """Send a line of `dialogue` to a rig, if it can be reached; only its answer shows that it heard."""


class Backoff:
    """Waits between attempts: random, up to a limit that doubles, so that many don't return at once."""

    def __init__(self, first_s: float, longest_s: float, random: Callable[[], float]) -> None:
        self._first_s, self._longest_s, self._random = first_s, longest_s, random
        self._limit_s = first_s

    def next_s(self) -> float:
        """How long to wait before the next attempt."""
        wait_s = self._random() * self._limit_s
        self._limit_s = min(2 * self._limit_s, self._longest_s)
        return wait_s

    def succeeded(self) -> None:
        """Start over."""
        self._limit_s = self._first_s
