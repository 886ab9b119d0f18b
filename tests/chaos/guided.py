"""Coverage-guided input: accepted or refused, never a crash or a hang.

By hand, with `pip install -e '.[test,fuzz]'`: `python -m tests.chaos.guided lines -runs=1000000`. Arguments after the
target's name are libFuzzer's; it stops at the first exception that isn't a refusal, and leaves the input behind.
"""

from __future__ import annotations

import contextlib
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["logger"]):
    from logger.errors import UserError
    from logger.exchange.csv_in import read_csv
    from logger.plan import loads
    from logger.rig_line.dialogue import decode_answer, sealed
    from logger.rig_line.wire import LineSplitter, WireError, decode

FOLDER = tempfile.TemporaryDirectory()


def lines(data: bytes) -> None:
    """A rig's line, as it is and with a correct checksum; an answer; bytes cut anywhere."""
    for task in (
        decode,
        lambda body: decode(sealed(body)[:-1]),
        decode_answer,
        lambda body: decode_answer(sealed(body)[:-1]),
    ):
        with contextlib.suppress(WireError):
            task(data)
    list(LineSplitter().feed(data))


def plans(data: bytes) -> None:
    """A plan's text."""
    with contextlib.suppress(UserError):
        loads(data.decode("utf-8", "replace"))


def tables(data: bytes) -> None:
    """A CSV file."""
    path = Path(FOLDER.name) / "file.csv"
    path.write_bytes(data)
    with contextlib.suppress(UserError):
        read_csv(path)


TARGETS: dict[str, Callable[[bytes], None]] = {"lines": lines, "plans": plans, "tables": tables}


def main() -> None:
    """Run one of the targets."""
    if len(sys.argv) < 2 or sys.argv[1] not in TARGETS:
        sys.exit(f"Name what to try: {', '.join(TARGETS)}. What follows is libFuzzer's, as -runs=1000000.")
    atheris.Setup([sys.argv[0], *sys.argv[2:]], TARGETS[sys.argv[1]])
    atheris.Fuzz()


if __name__ == "__main__":
    main()
