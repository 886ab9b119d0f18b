"""An alarm lights the lamp: the reference firmware, the real logger, a pseudo-terminal between them."""

from __future__ import annotations

import contextlib
import os
import threading
import time
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from rigbench import EIGHT, Line, LiveRig, hex_word

from logger.journal.reader import JournalReader
from logger.journal.rows import add_request
from logger.reading import Status
from tests.processes import STOKEWATCH, process, until

pytestmark = [pytest.mark.real, pytest.mark.timeout(180)]

LAMP, BUZZER = 14, 15


def beat(home: Path) -> dict[str, Any]:
    if not (home / "journal.sqlite").exists():
        return {}
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        return reader.heartbeat() or {}


def ask(home: Path, kind: str, data: dict[str, Any]) -> dict[str, Any]:
    journal = home / "journal.sqlite"
    number = add_request(journal, kind, data, "Test")

    def answered() -> dict[str, Any] | None:
        with contextlib.closing(JournalReader(journal)) as reader:
            request = reader.request(number)
        return request.result if request else None

    result = until(answered, f"an answer to {kind}")
    assert result is not None
    return result


def alarms(home: Path, rule: str) -> list[str]:
    """Transitions of this rule's alarms, in the journal."""
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        events = reader.events(reader.firing("last").id)
    return [e.data["transition"] for e in events if e.kind == "alarm" and e.data["rule"] == rule]


def test_a_broken_probe_lights_the_lamp_until_it_is_acknowledged(tmp_path: Path) -> None:
    home = tmp_path / "home"
    two = EIGHT[:2]
    broken = hex_word("max31855", 0.0, status=Status.OPEN)
    chips = {"k0": [[0, hex_word("max31855", 100.0)], [15_000, broken]]}
    with LiveRig(tmp_path, two, chips=chips, PERIOD_MS=200, LAMP_PIN=LAMP, BUZZER_PIN=BUZZER) as rig:

        def levels(pin: int) -> list[str]:
            words = [line.split() for line in rig.log.read_text().splitlines()]
            return [word[2] for word in words if word[:2] == ["pin", str(pin)]]

        with process([*STOKEWATCH, "log", "--serial", rig.path], home):
            until(lambda: "shown" in beat(home).get("beacons", {}).values(), "the rig's answer", 40)
            assert ask(home, "beacon_test", {})["ok"]
            until(lambda: "1" in levels(BUZZER), "the test's tone")
            until(lambda: "raised" in alarms(home, "probe_fault"), "the alarm", 40)
            before = len(levels(LAMP))
            until(lambda: len(levels(LAMP)) > before + 8, "a flashing lamp")
            key = beat(home)["alarms"][0]["key"]
            assert ask(home, "ack", {"key": key}) == {"ok": True}
            until(lambda: levels(BUZZER)[-1] == "0", "silence")
            changed = [len(levels(LAMP)), time.monotonic()]

            def still() -> bool:
                """Whether it hasn't flashed for three seconds."""
                if changed[0] != len(levels(LAMP)):
                    changed[:] = [len(levels(LAMP)), time.monotonic()]
                return time.monotonic() - changed[1] > 3

            until(still, "a steady lamp")
            assert (levels(LAMP)[-1], levels(BUZZER)[-1]) == ("1", "0")
    assert alarms(home, "beacon_failed") == []


class PlainRig:
    """A rig that sends frames, and answers beacon lines for as long as it is told to."""

    def __init__(self) -> None:
        self.line = Line()
        self.path, self.ours = self.line.path, self.line.ours
        self.answers = True
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        held = b""
        for seq in range(10_000):
            self._send(
                b'{"rig":"a1","seq":%d,"ms":%d,"ch":{"k0":{"c":%.1f}}}' % (seq, seq * 200, 20 + seq % 3)
            )
            with contextlib.suppress(BlockingIOError):
                held += os.read(self.ours, 4096)
            *lines, held = held.split(b"\n")
            for line in lines:
                if line.startswith(b"b") and self.answers:
                    number, show = line.split(b"*")[0][1:].split(b" ")
                    self._send(b'#{"rig":"a1","beacon":%b,"show":"%b"}' % (number, show))
            if self._end.wait(0.2):
                return

    def _send(self, body: bytes) -> None:
        with contextlib.suppress(BlockingIOError):
            os.write(self.ours, b"%b*%08x\n" % (body, zlib.crc32(body)))

    def __enter__(self) -> PlainRig:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end.set()
        self._thread.join()
        self.line.close()


@pytest.fixture
def plain_rig() -> Iterator[PlainRig]:
    with PlainRig() as rig:
        yield rig


def test_a_beacon_that_falls_silent_is_an_alarm_itself(tmp_path: Path, plain_rig: PlainRig) -> None:
    home = tmp_path / "home"
    command = [*STOKEWATCH, "log", "--serial", plain_rig.path]
    with process(command, home):
        until(lambda: beat(home).get("beacons") == {"a1": "shown"}, "the rig's answer", 30)
        plain_rig.answers = False
        until(lambda: alarms(home, "beacon_failed") == ["raised"], "the alarm", 40)
        (standing,) = until(lambda: beat(home)["alarms"], "the alarm in the verdict", 2)
        assert (standing["rule"], standing["zone"]) == ("beacon_failed", "a1")
    before = beat(home)["pid"]
    with process(command, home):  # a restarted logger hasn't forgotten that there is a beacon
        until(lambda: beat(home)["pid"] != before, "the second logger", 30)
        until(lambda: beat(home)["beacons"] == {"a1": "failed"}, "the failure", 40)
        assert alarms(home, "beacon_failed") == ["raised"]
        plain_rig.answers = True
        until(lambda: alarms(home, "beacon_failed") == ["raised", "cleared"], "its end", 30)


def test_nothing_to_test_is_said(tmp_path: Path, plain_rig: PlainRig) -> None:
    home = tmp_path / "home"
    plain_rig.answers = False
    with process([*STOKEWATCH, "log", "--serial", plain_rig.path], home):
        until(lambda: beat(home).get("firing"), "a firing", 30)
        result = ask(home, "beacon_test", {})
    assert result["ok"] is False
    assert "no rig has reported a lamp" in result["error"]
