"""Decide who may act over a network: one PIN, the sessions it opens, and how often it may be guessed."""

import contextlib
import fcntl
import hashlib
import itertools
import json
import secrets
import time
from collections import deque
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from logger.errors import UserError
from logger.home import write_whole

PIN_DIGITS: Final = 6
SESSION_S: Final = 24 * 3600.0
"""Long enough for a firing and its cooling; after that the PIN must be entered again [s]."""
MAX_SESSIONS: Final = 32
MAX_NAME: Final = 40
WINDOW_S: Final = 600.0
"""Wrong PINs are counted over this long [s]."""
WRONG_PER_ADDRESS: Final = 5
WRONG_IN_ALL: Final = 20
"""From all addresses together: 120 guesses an hour among a million PINs."""


class PinError(UserError):
    """A PIN that isn't allowed, or a file of operators that can't be read."""

    field = "pin"


def check_pin(pin: str) -> str:
    """Check a PIN somebody chose, and return it stripped of blanks.

    PinError: it isn't 6 to 12 digits, or is one that anyone would try first.
    """
    pin = pin.strip()
    if not (pin.isascii() and pin.isdigit() and PIN_DIGITS <= len(pin) <= 12):
        raise PinError(f"the PIN must be {PIN_DIGITS} to 12 digits; choose another")
    steps = {(int(b) - int(a)) % 10 for a, b in itertools.pairwise(pin)}
    if len(steps) == 1 and steps <= {0, 1, 9}:
        raise PinError("that PIN is one of the first anyone would try; choose another")
    return pin


def drawn_pin() -> str:
    """Draw a random PIN of six digits that `check_pin` accepts."""
    while True:
        pin = f"{secrets.randbelow(10**PIN_DIGITS):0{PIN_DIGITS}d}"
        with contextlib.suppress(PinError):
            return check_pin(pin)


class Operators:
    """The PIN and the open sessions, in one file that only its owner can read.

    The file holds an argon2 hash of the PIN and a digest of each session's token, so operators stay signed in
    when the page is restarted.
    """

    def __init__(self, home: Path) -> None:
        self.path = home / "operators.json"
        self._hasher = PasswordHasher()

    def first_pin(self) -> str | None:
        """Make a PIN, to be shown once; None where there is one already. PinError: the file can't be read."""
        with self._locked():
            if self.path.exists():
                self._read()
                return None
            pin = drawn_pin()
            self._write({"pin": self._hasher.hash(pin), "sessions": {}})
            return pin

    def set_pin(self, pin: str) -> None:
        """Replace the PIN (see `check_pin`), and end every session."""
        kept = {"pin": self._hasher.hash(check_pin(pin)), "sessions": {}}
        with self._locked():
            self._write(kept)

    def is_pin(self, pin: str) -> bool:
        """Tell whether this is the PIN; takes about 50 ms, on purpose."""
        try:
            return self._hasher.verify(self._read()["pin"], pin)
        except (VerificationError, InvalidHashError):
            return False

    def open_session(self, who: str) -> str:
        """Open a session, and return its token, which only the browser keeps."""
        token = secrets.token_urlsafe(32)
        with self._locked():
            kept = self._read()
            alive = {k: s for k, s in kept["sessions"].items() if s["until_s"] > time.time()}
            newest = dict(sorted(alive.items(), key=lambda item: item[1]["until_s"])[-MAX_SESSIONS + 1 :])
            newest[_digest(token)] = {"who": who[:MAX_NAME], "until_s": time.time() + SESSION_S}
            self._write({**kept, "sessions": newest})
        return token

    def who(self, token: str | None) -> str | None:
        """Return the name on a token's session, which may be empty; None where there is no such session."""
        if not token or not self.path.exists():
            return None
        session = self._read()["sessions"].get(_digest(token))
        if session is None or session["until_s"] <= time.time():
            return None
        return str(session["who"])

    def end_session(self, token: str | None) -> None:
        """End a session."""
        if self.who(token) is not None:
            with self._locked():
                kept = self._read()
                kept["sessions"].pop(_digest(token or ""), None)
                self._write(kept)

    def _read(self) -> dict[str, Any]:
        try:
            kept = json.loads(self.path.read_text(encoding="utf-8"))
            if isinstance(kept["pin"], str) and isinstance(kept["sessions"], dict):
                return dict(kept)
        except (OSError, ValueError, KeyError, TypeError):
            pass
        raise PinError(f"{self.path}: can't be read; set a new PIN with `stokewatch pin`")

    def _write(self, kept: dict[str, Any]) -> None:
        write_whole(self.path, json.dumps(kept).encode())  # for its owner alone

    @contextlib.contextmanager
    def _locked(self) -> Iterator[None]:
        """Hold the file's lock: the page and `stokewatch pin` are separate processes."""
        self.path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with self.path.with_suffix(".lock").open("a") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            yield


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


class Attempts:
    """Counts wrong PINs, by address and in total. Pure: the caller supplies the time."""

    def __init__(self) -> None:
        self._wrong: deque[tuple[float, str]] = deque()

    def wait_s(self, address: str, now_s: float) -> float:
        """Return how long an address must wait before its next attempt [s]."""
        while self._wrong and self._wrong[0][0] <= now_s - WINDOW_S:
            self._wrong.popleft()
        own = [t for t, at in self._wrong if at == address]
        waits = [0.0]
        if len(own) >= WRONG_PER_ADDRESS:
            waits.append(own[-WRONG_PER_ADDRESS] + WINDOW_S - now_s)
        if len(self._wrong) >= WRONG_IN_ALL:
            waits.append(self._wrong[-WRONG_IN_ALL][0] + WINDOW_S - now_s)
        return max(waits)

    def wrong(self, address: str, now_s: float) -> int:
        """Count a wrong PIN, and return how many there are from this address now."""
        self._wrong.append((now_s, address))
        return sum(at == address for _, at in self._wrong)
