"""The logger's health, reported outside the journal too: on a full disk it can't write there."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
from dataclasses import dataclass
from io import FileIO
from typing import Final

from logger.home import Home
from logger.recording.hosttime import gone_s, stamp

SIZE: Final = 1024
"""Of the sign's file, which is overwritten in place: that works even on a full disk. [bytes]"""
STALE_S: Final = 5.0
"""A logger writes its sign every second. [s]"""
LITTLE: Final = 50_000_000
"""Less room than this is reported: about a night of 16 channels at 10 Hz. [bytes]"""


def give_sign(home: Home, *, recording: bool, trouble: str) -> None:
    """Leave a running logger's sign of life in its folder, if that can be written to."""
    said = stamp()
    for length in (400, 100, 0):
        data = json.dumps({**said, "recording": recording, "trouble": trouble[:length]}).encode()
        if len(data) <= SIZE:
            break
    # By its name each time: the disk may have been away, and the file another.
    with (
        contextlib.suppress(OSError),
        FileIO(os.open(home.sign, os.O_WRONLY | os.O_CREAT, 0o600), "w") as file,
    ):
        file.write(data.ljust(SIZE))


@dataclass(frozen=True, slots=True)
class Health:
    """The logger's health."""

    running: bool
    recording: bool  # whether readings get onto the disk
    trouble: str  # what is wrong and what to do; empty if nothing is
    disk_free_mb: float | None  # free on the folder's disk. [MB]


def look(home: Home, trouble: str = "") -> Health:
    """Look up the health of a folder's logger."""
    free_mb = None
    with contextlib.suppress(OSError):
        free_mb = round(shutil.disk_usage(home.root).free / 1e6, 1)
    if not home.logger_runs():
        return Health(False, False, "", free_mb)
    try:
        sign = dict(json.loads(home.sign.read_bytes()))
        age_s = max(0.0, gone_s(sign, stamp()))
    except (OSError, KeyError, TypeError, ValueError):
        return Health(True, not trouble.startswith("the disk"), trouble, free_mb)
    if age_s > STALE_S:
        text = (
            f"the logger (process {sign.get('pid')}) has hung: no sign of life for {age_s:.0f} s; "
            "`stokewatch run` restarts it by itself, otherwise end that process and start it again"
        )
        return Health(True, False, text, free_mb)
    text = str(sign.get("trouble") or trouble)
    if not text and free_mb is not None and free_mb < LITTLE / 1e6:
        text = f"only {free_mb:.0f} MB left on the disk of {home.root}; make room before it is full"
    return Health(True, bool(sign.get("recording")), text, free_mb)
