"""`--lan`, `--tls` and `stokewatch pin`, as a person uses them: real processes, a certificate of one's own."""

from __future__ import annotations

import contextlib
import http.client
import json
import re
import ssl
import stat
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
import trustme

from tests.page_calls import CALLBACKS, ending
from tests.processes import STOKEWATCH, free_port, refused, until

pytestmark = [pytest.mark.real, pytest.mark.timeout(120)]


@dataclass
class Certificate:
    cert: Path
    key: Path
    trusting: ssl.SSLContext


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Certificate:
    folder = tmp_path_factory.mktemp("tls")
    authority = trustme.CA()
    issued = authority.issue_cert("127.0.0.1")
    cert, key = folder / "cert.pem", folder / "key.pem"
    issued.private_key_pem.write_to_path(str(key))
    for blob in issued.cert_chain_pems:
        blob.write_to_path(str(cert), append=True)
    trusting = ssl.create_default_context()
    authority.configure_trust(trusting)
    return Certificate(cert, key, trusting)


class Served:
    def __init__(self, home: Path, certificate: Certificate | None) -> None:
        self.home, self.port, self.certificate = home, free_port(), certificate
        where = ["--home", str(home), "--lan", "--port", str(self.port)]
        command = [*STOKEWATCH, "page", *where, "--no-browser"]
        if certificate is not None:
            command += ["--tls", str(certificate.cert), str(certificate.key)]
        self.log = home / "said.txt"
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(command, stdout=log, stderr=subprocess.STDOUT)

    def __enter__(self) -> Served:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.terminate()
        self.process.wait(10)

    def ask(
        self, method: str, path: str, body: object = None, cookie: str = ""
    ) -> tuple[int, dict[str, str], str]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=10)
        if self.certificate is not None:
            trusting = self.certificate.trusting
            connection = http.client.HTTPSConnection("127.0.0.1", self.port, timeout=10, context=trusting)
        headers = {"content-type": "application/json"} | ({"cookie": cookie} if cookie else {})
        connection.request(method, path, None if body is None else json.dumps(body), headers)
        answer = connection.getresponse()
        found = answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read().decode()
        connection.close()
        return found

    def ready(self) -> str:
        def answers() -> bool:
            assert self.process.poll() is None, self.log.read_text()
            with contextlib.suppress(OSError, http.client.HTTPException):
                return self.ask("GET", "/healthz")[0] == 200
            return False

        until(answers, "the page's answer", 60)
        return self.log.read_text()


@pytest.fixture
def over_tls(tmp_path: Path, certificate: Certificate) -> Iterator[Served]:
    with Served(tmp_path, certificate) as served:
        yield served


def test_the_pin_is_told_once_and_opens_the_door_over_tls(over_tls: Served) -> None:
    said = over_tls.ready()
    assert re.search(rf"https://\d+\.\d+\.\d+\.\d+:{over_tls.port}", said) or "isn't on a network yet" in said
    assert "█" in said or "isn't on a network yet" in said
    found = re.search(r"Operator PIN: (\d{6})\b", said)
    assert found is not None
    there = json.loads(over_tls.ask("GET", "/_dash-dependencies")[2])
    end = ending(callback["output"] for callback in there)
    assert "pin-dialog" in over_tls.ask("POST", CALLBACKS, end)[2], "a watcher is asked for the PIN"
    status, headers, _ = over_tls.ask("POST", "/api/operator", {"pin": found[1], "who": "Ama"})
    assert status == 200
    cookie = headers["set-cookie"]
    assert {"HttpOnly", "Secure", "SameSite=strict"} <= {part.strip() for part in cookie.split(";")}
    session = cookie.split(";")[0]
    # There is no journal yet: the page opens, and says what is missing.
    assert "journal.sqlite" in over_tls.ask("POST", CALLBACKS, end, session)[2]
    assert stat.S_IMODE((over_tls.home / "operators.json").stat().st_mode) == 0o600
    new = subprocess.run(
        [*STOKEWATCH, "pin", "--home", str(over_tls.home)], capture_output=True, text=True, check=True
    ).stdout
    assert "pin-dialog" in over_tls.ask("POST", CALLBACKS, end, session)[2], "a new PIN ends all sessions"
    fresh = re.search(r"Operator PIN: (\d{6})\b", new)
    assert fresh is not None
    assert over_tls.ask("POST", "/api/operator", {"pin": found[1]})[0] == 403
    assert over_tls.ask("POST", "/api/operator", {"pin": fresh[1]})[0] == 200
    log = over_tls.log.read_text()
    assert "a wrong operator PIN from 127.0.0.1" in log
    assert log.count(found[1]) == 1, "told at the start, and never logged"
    assert fresh[1] not in log


def test_without_tls_it_says_so(tmp_path: Path) -> None:
    with Served(tmp_path, None) as served:
        assert "Without --tls" in served.ready()


def test_plain_http_gets_nothing_from_a_tls_port(over_tls: Served) -> None:
    over_tls.ready()
    over_tls.certificate = None
    with pytest.raises((OSError, http.client.HTTPException)):
        over_tls.ask("GET", "/healthz")


@pytest.mark.parametrize("swapped", ["missing", "no certificate", "another key"])
def test_a_certificate_that_is_none_is_said_in_one_line(
    tmp_path: Path, certificate: Certificate, swapped: str
) -> None:
    cert, key = certificate.cert, certificate.key
    if swapped == "missing":
        cert = tmp_path / "none.pem"
    elif swapped == "no certificate":
        cert = tmp_path / "text.pem"
        cert.write_text("no certificate")
    else:
        key = tmp_path / "key.pem"
        trustme.CA().private_key_pem.write_to_path(str(key))
    said = refused("page", "--tls", str(cert), str(key), "--no-browser", home=tmp_path)
    assert "--tls" in said
    assert "PEM" in said


def test_lan_and_a_host_contradict_each_other(tmp_path: Path) -> None:
    assert "--host" in refused("page", "--lan", "--host", "10.0.0.1", home=tmp_path)


def test_a_pin_of_ones_own(tmp_path: Path) -> None:
    from dashboard.security.operators import Operators

    for new, status in (("481632", 0), ("111111", 2)):
        command = [*STOKEWATCH, "pin", "--own", "--home", str(tmp_path)]
        done = subprocess.run(command, input=f"{new}\n{new}\n", capture_output=True, text=True, timeout=60)
        assert done.returncode == status, done.stderr
        assert Operators(tmp_path).is_pin("481632"), "what was refused changed nothing"
