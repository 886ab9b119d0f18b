"""A rig that keeps sending no matter who listens, and checks of a logger's folder."""

from __future__ import annotations

import contextlib
import os
import random
import sqlite3
import threading
import time
import tty
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any
from zlib import crc32

from logger.journal.reader import JournalReader
from logger.reading import Frame, Sample
from logger.rig_line.wire import encode
from tests.processes import until

RUNS_FOR_MS = 600_000
"""A rig that has only just started may have rebooted: frames that waited for a slow logger get their place 10 s later."""

Tell = Callable[[str, str], None]
"""Adds a row to the table: the fault, and what was counted."""


def value_c(seq: int, channel: int) -> float:
    """What channel `channel` reads in frame `seq`, computed from these two alone. [°C]"""
    return round(20 + 0.37 * (seq % 1999) + channel, 2)


def line(
    seq: int, channels: int, *, ms: int | None = None, dead: int | None = None, rig: str = "a1"
) -> bytes:
    """A frame's line.

    Parameters
    ----------
    seq, channels : int
    ms : int, optional
        The rig's clock; by default 100 ms a frame, of a rig that has run for a while.
    dead : int, optional
        A channel that is open.
    rig : str, optional
    """
    samples: dict[str, Sample] = {}
    for channel in range(channels):
        if channel == dead:
            samples[f"k{channel}"] = Sample(fault="open")
        else:
            samples[f"k{channel}"] = Sample(c=value_c(seq, channel))
    return encode(Frame(rig, seq % 2**32, (RUNS_FOR_MS + 100 * seq if ms is None else ms) % 2**32, samples))


class SteadyRig:
    """Sends frames over a pseudo-terminal from a thread; what the port won't take waits, nothing is skipped.

    Parameters
    ----------
    link : Path
        The port's name: a link to the pseudo-terminal, made again at each `plug`.
    channels : int, default 16
    rate_hz : float, default 10
        [Hz]
    dead : int, optional
        A channel that is open.
    """

    def __init__(
        self, link: Path, channels: int = 16, rate_hz: float = 10.0, dead: int | None = None
    ) -> None:
        self.link, self.channels, self.dead = link, channels, dead
        self.seq = 0
        self.acknowledged: set[int] = set()
        """Frames that a logger acknowledged: those it named, and those between two that it named in turn."""
        self._heard = b""
        self._last: int | None = None
        self._period_s = 1.0 / rate_hz
        self._waiting: deque[bytes] = deque()
        self._kept: list[int] | None = None
        self._ends: tuple[int, int] | None = None
        self._lock = threading.Lock()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> SteadyRig:
        self.plug()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()
        self.pull()

    def plug(self) -> None:
        """Plug the rig into a new pseudo-terminal."""
        ours, theirs = os.openpty()
        tty.setraw(theirs)
        os.set_blocking(ours, False)
        fresh = self.link.with_suffix(".new")
        fresh.symlink_to(os.ttyname(theirs))
        fresh.replace(self.link)
        with self._lock:
            self._ends = (ours, theirs)

    def pull(self) -> None:
        """Pull the cable: frames on their way are lost, frames made meanwhile aren't sent."""
        with self._lock:
            ends, self._ends = self._ends, None
            self._waiting.clear()
        self.link.unlink(missing_ok=True)
        for end in ends or ():
            os.close(end)

    def go_on(self, frames: int) -> None:
        """Wait until it has made this many more."""
        last = self.seq + frames
        until(lambda: self.seq >= last, f"{frames} frames more", 10 + 3 * frames * self._period_s)

    def keep(self) -> None:
        """Keep the frames made from now on, like a rig whose link is down."""
        with self._lock:
            self._kept = []

    def send_kept(self) -> list[int]:
        """Send the kept frames after those being made now; return the frames' numbers."""
        with self._lock:
            kept, self._kept = self._kept or [], None
        self.go_on(5)
        with self._lock:
            self._waiting.extend(line(seq, self.channels, dead=self.dead) for seq in kept)
        return kept

    def _run(self) -> None:
        due_s = time.monotonic()
        while not self._over.is_set():
            with self._lock:
                if self._kept is not None:
                    self._kept.append(self.seq)
                elif self._ends is not None:
                    self._waiting.append(line(self.seq, self.channels, dead=self.dead))
                    self._send(self._ends[0])
                self.seq += 1
            due_s += self._period_s
            self._over.wait(max(0.0, due_s - time.monotonic()))

    def _send(self, port: int) -> None:
        with contextlib.suppress(BlockingIOError):
            self._hear(os.read(port, 65536))
        while self._waiting:
            try:
                sent = os.write(port, self._waiting[0])
            except BlockingIOError:
                return
            if sent < len(self._waiting[0]):
                self._waiting[0] = self._waiting[0][sent:]
                return
            self._waiting.popleft()

    def _hear(self, said: bytes) -> None:
        *lines, self._heard = (self._heard + said).split(b"\n")
        for text in lines:
            body, _, crc = text.rpartition(b"*")
            if crc != b"%08x" % crc32(body):
                continue  # from a logger that was killed in mid-sentence
            if body == b"r":  # another logger, or one that missed something
                self._last = None
            elif body[:1] == b"a":
                seq = int(body[1:])
                self.acknowledged.update(range(seq if self._last is None else self._last + 1, seq + 1))
                self._last = seq


def a_while(rng: random.Random, least_s: float, most_s: float) -> None:
    """Wait a time that nothing in the program knows of: a fault doesn't choose its moment."""
    time.sleep(rng.uniform(least_s, most_s))


def beat(home: Path) -> dict[str, Any]:
    """The logger's last heartbeat; empty without a journal."""
    if not (home / "journal.sqlite").exists():
        return {}
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        return reader.heartbeat() or {}


def stored(home: Path) -> dict[int, tuple[int, list[float], list[int]]]:
    """By `seq`: time [µs], values and status; fails if a frame is there twice."""
    rows: dict[int, tuple[int, list[float], list[int]]] = {}
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        for firing in reader.firings():
            for batch in reader.batches(firing.id):
                columns = (batch.seq, batch.t_us, batch.temperature_c, batch.status)
                for seq, t_us, values, status in zip(*(c.tolist() for c in columns), strict=True):
                    assert seq not in rows, f"frame {seq} is there twice"
                    rows[seq] = (t_us, values, status)
    return rows


def check(rows: dict[int, tuple[int, list[float], list[int]]], dead: int | None = None) -> None:
    """Every value is the one that was sent, and time moves on with every frame."""
    before_us = -1
    for seq in sorted(rows):
        t_us, values, status = rows[seq]
        assert t_us > before_us, f"frame {seq} does not come after the one before it"
        before_us = t_us
        for channel, (value, state) in enumerate(zip(values, status, strict=True)):
            if channel == dead:
                assert state != 0
            else:
                assert (value, state) == (value_c(seq, channel), 0), (seq, channel)


def integrity(home: Path) -> str:
    """What SQLite's check finds in the file."""
    with contextlib.closing(sqlite3.connect(home / "journal.sqlite")) as db:
        return str(db.execute("PRAGMA integrity_check").fetchone()[0])
