"""Connections as an attacker makes them: silent, endless, unread, too many; on the server as it really runs."""

from __future__ import annotations

import asyncio
import contextlib
import http.client
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
import uvicorn
from page_journal import make_batch, open_firing

from dashboard.app import create_app
from dashboard.context import Asker, asker
from dashboard.security import connections
from dashboard.security.connections import EACH, MAX_HEAD, MOST, RESERVE, Places, who_is
from dashboard.security.door import Door
from dashboard.security.operators import Operators
from dashboard.serving import listen, settings
from dashboard.stored import exports
from dashboard.work.apart import BusyError
from logger.errors import StokewatchError
from logger.journal.writer import JournalWriter
from tests.processes import until

PIN = "274913"
OPERATOR = "127.0.0.77"


class Served:
    """The page on a real socket, in a thread; each loopback address stands for a different person."""

    def __init__(self, home: Path) -> None:
        self.operators = Operators(home)
        self.operators.set_pin(PIN)
        self.bound = listen("127.0.0.1", 0)
        self.port = self.bound.getsockname()[1]
        door = Door(self.operators, secure=False)
        app = create_app(home / "journal.sqlite", "127.0.0.1", door, self.bound.places)
        self.server = uvicorn.Server(settings(app.server))
        self._thread = threading.Thread(
            target=asyncio.run, args=(self.server.serve(sockets=[self.bound]),), daemon=True
        )

    def start(self) -> None:
        self._thread.start()
        until(lambda: self.server.started, "the page", 60)

    def stop(self) -> None:
        self.server.should_exit = True
        self._thread.join(20)
        assert not self._thread.is_alive()
        self.bound.close()

    def dial(self, address: str = "127.0.0.2") -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.port), timeout=20, source_address=(address, 0))

    def ask(self, address: str = "127.0.0.2", path: str = "/healthz", cookie: str = "") -> int:
        asked = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20, source_address=(address, 0))
        with contextlib.closing(asked):
            asked.request("GET", path, headers={"cookie": cookie} if cookie else {})
            return asked.getresponse().status


@pytest.fixture
def served(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Served]:
    # 127.0.0.1 is this machine, 127.0.0.2 and so on are others on the network.
    monkeypatch.setattr(connections, "who_is", lambda address: "" if address == "127.0.0.1" else address)
    made = Served(tmp_path)
    made.start()
    yield made
    made.stop()


def ended(dialled: socket.socket) -> bool:
    """Whether the other end has closed a connection; reads whatever comes before that."""
    with contextlib.suppress(ConnectionError):
        while dialled.recv(65536):
            pass
    return True


def test_endless_headers_are_refused_at_once(served: Served) -> None:
    with served.dial() as made:
        made.sendall(b"GET / HTTP/1.1\r\nhost: 127.0.0.1\r\n")
        sent = 0
        with contextlib.suppress(ConnectionError):
            while sent < 64 << 20:
                sent += made.send(b"x: " + b"y" * 8000 + b"\r\n")
        assert sent < MAX_HEAD + (8 << 20), "what the kernel holds on the way, and no more"
        assert ended(made)
    assert served.ask() == 200


@pytest.mark.parametrize(
    "said", [b"", b"GET / HTTP/1.1\r\nhost: 127.0.0.1\r\n"], ids=["silent", "half a head"]
)
def test_whoever_is_silent_is_let_go(served: Served, said: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "HEAD_S", 0.3)
    dialled = [served.dial() for _ in range(20)]
    for made in dialled:
        made.sendall(said)
    assert all(ended(made) for made in dialled)
    until(lambda: not len(served.bound.places), "all places to be free")
    for made in dialled:
        made.close()


def test_a_head_that_trickles_in_is_late_too(served: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "HEAD_S", 0.5)
    with served.dial() as made, contextlib.suppress(ConnectionError):
        for _ in range(200):
            made.sendall(b"G")
            made.settimeout(0.05)
            with contextlib.suppress(TimeoutError):
                if not made.recv(10):
                    break
        else:
            pytest.fail("it was never ended")


def test_270_silent_sockets_keep_nobody_out(served: Served) -> None:
    """From many addresses: whoever holds most gives way, and the operator's places stay."""
    silent = [served.dial(f"127.0.1.{n % 30 + 1}") for n in range(270)]
    try:
        assert served.ask("127.0.0.2") == 200
        assert served.ask("127.0.0.1") == 200
        assert len(served.bound.places) <= MOST
    finally:
        for made in silent:
            made.close()


def test_an_operator_comes_in_though_a_thousand_addresses_hold_a_socket_each(
    served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    token = served.operators.open_session("Ama")
    assert served.ask(OPERATOR, "/api/operator", f"stokewatch_operator={token}") == 200
    assert served.bound.places.knows(OPERATOR)
    silent = [served.dial(f"127.0.{2 + n // 200}.{n % 200 + 1}") for n in range(MOST)]
    try:
        assert served.ask(OPERATOR) == 200
        with pytest.raises((ConnectionError, http.client.HTTPException)):
            served.ask("127.0.9.9")
    finally:
        for made in silent:
            made.close()


@pytest.mark.slow
def test_an_export_that_nobody_reads_is_dropped(
    served: Served, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connections, "STALL_S", 0.5)
    with contextlib.closing(JournalWriter(tmp_path / "journal.sqlite")) as writer:
        firing = open_firing(writer, None)
        rows = 40_000
        batch = make_batch(
            [1_795_600_800_000_000 + 100_000 * n for n in range(rows)],
            [[n + j / 7 for j in range(16)] for n in range(rows)],
            names=[f"k{j}" for j in range(16)],
        )
        writer.append(firing, batch)
    with socket.socket() as made:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        made.bind(("127.0.0.2", 0))
        made.connect(("127.0.0.1", served.port))
        made.sendall(f"GET /api/report/{firing}/file/csv HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n".encode())
        made.recv(100)
        until(lambda: not open_files(tmp_path), "the file to be let go", 60)
    assert list((tmp_path / "spool").iterdir()) == []


def open_files(home: Path) -> list[str]:
    """Files of the spool that this process holds open, including removed ones."""
    found = []
    for link in Path("/proc/self/fd").iterdir():
        with contextlib.suppress(OSError):
            found.append(str(link.readlink()))
    return [name for name in found if str(home / "spool") in name]


# --- places, without sockets ----------------------------------------------------------------------------------------


def test_one_address_takes_no_more_than_its_share() -> None:
    places = Places()
    got = [places.enter("192.0.2.1", n)[0] for n in range(EACH + 10)]
    assert got.count(False) == 10
    assert places.enter("192.0.2.2", "other")[0]
    for n in range(EACH):
        places.leave(n)
        places.leave(n)
    assert len(places) == 1


def test_the_greediest_gives_way_to_whoever_has_less() -> None:
    places = Places(most=10, each=8, reserve=2)
    for n in range(8):
        places.enter("192.0.2.1", f"greedy {n}")
    assert places.enter("192.0.2.2", "modest") == (True, "greedy 0")
    for n in range(3, 10):
        places.enter(f"192.0.2.{n}", n)
    assert places.enter("192.0.2.99", 99) == (False, None), "all have one: nobody gives way to a stranger"
    assert len(places) == 8
    places.welcome("192.0.2.100")
    got = [places.enter("192.0.2.100", f"operator {n}")[1] for n in range(3)]
    assert got[:2] == [None, None], "the reserve"
    assert got[2] is not None, "and then strangers give way"
    assert places.enter("::1", "here")[0]


def test_the_reserve_is_for_operators_and_this_machine() -> None:
    places = Places()
    got = [places.enter(f"192.0.{n // 200}.{n % 200}", n)[0] for n in range(MOST)]
    assert got.count(False) == RESERVE
    assert places.enter("127.0.0.1", "here")[0]


@pytest.mark.parametrize(
    ("address", "who"),
    [
        ("127.0.0.1", ""),
        ("127.9.9.9", ""),
        ("::1", ""),
        ("::ffff:127.0.0.1", ""),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),  # RFC 3849: addresses for documentation
        ("2001:db8:1:2:ffff::1", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("testclient", ""),
        ("", ""),
    ],
)
def test_by_what_an_address_is_counted(address: str, who: str) -> None:
    assert who_is(address) == who


def test_files_that_are_taken_are_few(tmp_path: Path) -> None:
    held = exports.Exports(tmp_path / "journal.sqlite")
    own = [held.place()[0] for _ in range(exports.MOST)]
    with pytest.raises(BusyError):
        held.place()[0]
    token = asker.set(Asker(address="192.0.2.1", trusted=False))
    try:
        for place in own:
            place.leave()
        stranger = [held.place()[0] for _ in range(exports.EACH)]
        with pytest.raises(BusyError):
            held.place()[0]
        stranger[0].leave()
        stranger[0].leave()
        held.place()[0]
    finally:
        asker.reset(token)


def test_a_disk_that_is_nearly_full_is_kept_for_readings(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(exports, "SPARE_MB", 1 << 40)
    with pytest.raises(StokewatchError, match="make room"):
        exports.Exports(tmp_path / "journal.sqlite").place()
