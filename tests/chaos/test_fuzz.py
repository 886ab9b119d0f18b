"""Random and mutated input: accepted or refused, never a crash, a hang or half-done work."""

from __future__ import annotations

import contextlib
import random
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from steady import Tell, line

from dashboard import acts
from dashboard.app import create_app
from dashboard.live.messages import read_wish
from logger.errors import UserError
from logger.exchange.csv_in import read_csv
from logger.journal.writer import JournalWriter
from logger.plan import loads
from logger.rig_line.dialogue import decode_answer
from logger.rig_line.wire import LineSplitter, WireError, decode
from logger.simulator import simulate
from tests.long_form import times

PLAN = simulate(5, rate_hz=1, mishaps="none", probes=3).plan.dumps().encode()
CSV = b"time_s,coals,top\n" + b"".join(b"%d,%.1f,%.1f\n" % (t, 20 + t, 19 + t / 2) for t in range(30))
SPLICES = (
    b"",
    b"\x00",
    b"\xff",
    b"\n",
    b'"',
    b"{",
    b"[",
    b"[[",
    b"1e999",
    b"-",
    b"nan",
    b",",
    b";",
    b"\xef\xbb\xbf",
)


def mutated(rng: random.Random, seeds: list[bytes]) -> bytes:
    """One of the seeds with up to eight changes: bytes flipped, cut, doubled, moved, spliced in."""
    data = bytearray(rng.choice(seeds))
    for _ in range(rng.randint(0, 8)):
        at = rng.randrange(len(data) + 1)
        match rng.randrange(5):
            case 0 if at < len(data):
                data[at] ^= 1 << rng.randrange(8)
            case 1:
                del data[at : at + rng.randrange(12)]
            case 2:
                data[at:at] = data[at : at + rng.randrange(40)]
            case 3:
                data[at:at] = rng.choice(SPLICES)
            case _:
                other = rng.choice(seeds)
                cut = rng.randrange(len(other) + 1)
                data[at:] = other[cut:]
    return bytes(data[:20_000])


def sealed_again(rng: random.Random, data: bytes) -> bytes:
    """Half the time with a correct checksum, so that the checks after it are tried too."""
    if rng.random() < 0.5:
        return data
    body = data.rpartition(b"*")[0] or data
    return b"%b*%08x" % (body, zlib.crc32(body))


def hammer(
    task: Callable[[bytes], object], seeds: list[bytes], rounds: int, refusal: type[Exception]
) -> tuple[int, int]:
    """Count how many were accepted and refused; any other exception is a failure."""
    rng = random.Random(14)
    taken = refused = 0
    for _ in range(rounds):
        data = mutated(rng, seeds)
        if refusal is WireError:
            data = sealed_again(rng, data)
        try:
            task(data)
        except refusal:
            refused += 1
        except Exception as exc:
            raise AssertionError(f"{task}: {data!r}") from exc
        else:
            taken += 1
    return taken, refused


def test_the_rigs_lines(tell: Tell) -> None:
    rounds = times(20_000, 8_000_000)
    whole = [line(seq, 4).rstrip(b"\n") for seq in range(20)]
    raw = b'{"rig":"a1","seq":1,"ms":2,"ch":{"k0":{"amp":"max31855","raw":"1900190"},"k1":{"uv":31214.0,"cj":27.4}}}*0'
    taken, refused = hammer(decode, [*whole, raw], rounds, WireError)
    assert taken > rounds // 20
    assert refused > rounds // 4
    tell(f"{rounds} mutated lines", f"{taken} taken, {refused} refused, nothing else")


def test_what_rigs_answer_and_lines_cut_anywhere(tell: Tell) -> None:
    rounds = times(5_000, 1_000_000)
    seeds = [b'#{"rig":"a1","beacon":17,"show":"alarm"}*64acbce2', b'#{"rig":"a1","program":"x","ch":{}}*0']
    splitter = LineSplitter()

    def both(data: bytes) -> None:
        decode_answer(data)
        list(splitter.feed(data))

    taken, refused = hammer(both, seeds, rounds, WireError)
    tell(f"{rounds} mutated answers and stretches of bytes", f"{taken} dealt with, {refused} refused")


def test_plans(tell: Tell) -> None:
    rounds = times(1500, 600_000)

    def load(data: bytes) -> None:
        loads(data.decode("utf-8", "replace"))

    taken, refused = hammer(load, [PLAN], rounds, UserError)
    assert taken
    assert refused > rounds // 4
    tell(f"{rounds} mutated plans", f"{taken} taken, {refused} refused with a reason")


def test_csv_files(tmp_path: Path, tell: Tell) -> None:
    rounds = times(1000, 300_000)
    path = tmp_path / "file.csv"
    other = CSV.replace(b",", b";").replace(b".", b",")

    def read(data: bytes) -> None:
        path.write_bytes(data)
        read_csv(path)

    taken, refused = hammer(read, [CSV, other], rounds, UserError)
    assert taken > rounds // 10
    assert refused > rounds // 10
    tell(f"{rounds} mutated CSV files", f"{taken} read, {refused} refused with a reason")


ENDPOINTS = (
    ("POST", "/api/prepare/plans"),
    ("GET", "/api/firings/made/{}"),
    ("GET", "/api/compare"),
    ("GET", "/{}"),
    ("GET", "/assets/{}"),
    ("POST", "/_dash-update-component"),
)


def test_requests_to_the_page(tmp_path: Path, tell: Tell, monkeypatch: pytest.MonkeyPatch) -> None:
    """No status 500, which would be a crash of ours; the journal is unchanged."""
    monkeypatch.setattr(acts, "PATIENCE_S", 0.0)
    rounds = times(400, 100_000)
    path = tmp_path / "journal.sqlite"
    JournalWriter(path).close()
    rng = random.Random(15)
    seeds = [
        b'{"kind":"note","data":{"kind":"wood","text":"two armloads"}}',
        b'{"kind":"ack","data":{"key":"x"}}',
        b"{}",
    ]
    answers: dict[int, int] = {}
    headers = {"origin": "http://127.0.0.1", "content-type": "application/json"}
    with TestClient(
        create_app(path).server, base_url="http://127.0.0.1", raise_server_exceptions=False
    ) as client:
        for _ in range(rounds):
            method, place = rng.choice(ENDPOINTS)
            data = mutated(rng, seeds)
            name = "".join(f"%{byte:02x}" for byte in mutated(rng, [b"last", b"../../etc/passwd"])[:200])
            with contextlib.suppress(UnicodeError):
                got = client.request(method, place.format(name), content=data, headers=headers)
                answers[got.status_code] = answers.get(got.status_code, 0) + 1
                assert b"root:" not in got.content
                assert got.status_code != 500, (method, place, name, data)
            read_wish(data.decode("utf-8", "replace"))
    with contextlib.closing(JournalWriter(path)) as writer:
        for request in writer.take_requests():
            assert isinstance(request.data, dict)
    assert not [p for p in tmp_path.iterdir() if not p.name.startswith("journal.sqlite")]
    tell(f"{rounds} mutated requests", ", ".join(f"{n} x {code}" for code, n in sorted(answers.items())))
