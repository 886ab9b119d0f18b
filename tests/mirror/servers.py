"""Real time-series servers for tests, each on a free local port; and one that answers what a test wants."""

from __future__ import annotations

import contextlib
import gzip
import http.client
import json
import os
import secrets
import shutil
import signal
import socket
import subprocess
import threading
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from email.message import Message
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from logger.mirror.target import Target
from tests.processes import free_port, until

Answer = tuple[int, dict[str, str], bytes]


class Server:
    """A process that is started, killed and restarted on the same port with what it has stored."""

    token = ""

    def __init__(self, argv: Sequence[str], folder: Path, port: int) -> None:
        found = shutil.which(argv[0])
        assert found is not None, f"these tests need {argv[0]}"
        self.argv = [found, *argv[1:]]
        self.folder, self.port = folder, port
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        with (self.folder / "server.log").open("ab") as log:
            self._process = subprocess.Popen(self.argv, stdout=log, stderr=log)
        until(self._answers, "the server", 30)

    def _answers(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, (self.folder / "server.log").read_text()
        try:
            return self.ask("/ping")[0] < 300
        except OSError:
            return False

    def stop(self, how: signal.Signals = signal.SIGTERM) -> None:
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(20)
            self._process = None

    def ask(self, path: str, form: dict[str, str] | bytes | None = None) -> tuple[int, bytes]:
        data = urllib.parse.urlencode(form).encode() if isinstance(form, dict) else form
        headers = {"Authorization": f"Token {self.token}"} if self.token else {}
        request = urllib.request.Request(f"{self.url}{path}", data, headers)
        with urllib.request.urlopen(request, timeout=20) as response:
            return response.status, response.read()

    def select(self, query: str, bucket: str = "stokewatch") -> list[dict[str, Any]]:
        """Series of InfluxQL's answer, times in nanoseconds."""
        asked = urllib.parse.urlencode({"db": bucket, "epoch": "ns"})
        found = json.loads(self.ask(f"/query?{asked}", {"q": query})[1])
        return found["results"][0].get("series", [])  # type: ignore[no-any-return]


class VictoriaMetrics(Server):
    def __init__(self, folder: Path) -> None:
        port = free_port()
        argv = ["victoria-metrics", f"-storageDataPath={folder}", f"-httpListenAddr=127.0.0.1:{port}"]
        super().__init__(
            [
                *argv,
                "-retentionPeriod=100y",
                "-memory.allowedBytes=64MB",
                "-dedup.minScrapeInterval=1ms",
                "-search.latencyOffset=0s",
            ],
            folder,
            port,
        )

    def export(self, name: str) -> list[tuple[dict[str, str], list[int], list[float]]]:
        """Every sample there is: labels, times [ms], values. The newest show only after a flush."""
        self.ask("/internal/force_flush")
        query = urllib.parse.urlencode({"match[]": f'{{__name__="{name}"}}', "start": "0"})
        rows = [json.loads(line) for line in self.ask(f"/api/v1/export?{query}")[1].splitlines()]
        return [(row["metric"], row["timestamps"], row["values"]) for row in rows]


class InfluxDB1(Server):
    """Debian's influxdb. It is older than the write path of InfluxDB 2; `gate` stands in front of it."""

    old = True

    def __init__(self, folder: Path) -> None:
        port = free_port()
        conf = folder / "influxdb.conf"
        conf.write_text(
            f'reporting-disabled = true\nbind-address = "127.0.0.1:{free_port()}"\n'
            f'[meta]\ndir = "{folder}/meta"\n[data]\ndir = "{folder}/data"\nwal-dir = "{folder}/wal"\n'
            'query-log-enabled = false\nindex-version = "tsi1"\n'
            f'[http]\nbind-address = "127.0.0.1:{port}"\nlog-enabled = false\n[monitor]\nstore-enabled = false\n'
        )
        super().__init__(["influxd", "-config", str(conf)], folder, port)

    def start(self) -> None:
        super().start()
        self.ask("/query", {"q": "CREATE DATABASE stokewatch"})


class InfluxDB2(Server):
    """InfluxDB 2, if STOKEWATCH_TEST_INFLUXD2 names its program: Debian has none."""

    old = False

    def __init__(self, folder: Path, **setup: str) -> None:
        port = free_port()
        super().__init__(
            [
                *(os.environ["STOKEWATCH_TEST_INFLUXD2"], "--reporting-disabled"),
                *("--http-bind-address", f"127.0.0.1:{port}", "--engine-path", f"{folder}/engine"),
                *("--bolt-path", f"{folder}/influxd.bolt", "--sqlite-path", f"{folder}/influxd.sqlite"),
            ],
            folder,
            port,
        )
        self._setup = {
            "username": "stokewatch",
            "password": secrets.token_hex(24),
            "org": "stokewatch",
            "bucket": "stokewatch",
            "token": secrets.token_hex(24),
            **setup,
        }
        self.token = self._setup["token"]
        self.org = ""
        """The organisation's ID."""

    @property
    def target(self) -> Target:
        return Target(self.url, token=self.token)

    def start(self) -> None:
        super().start()
        if not self.org:
            self.org = self.post("setup", **self._setup)["org"]["id"]

    def post(self, what: str, **given: Any) -> Any:
        """Create one of its API's objects."""
        return json.loads(self.ask(f"/api/v2/{what}", json.dumps(given).encode())[1])

    def make_bucket(self, name: str, keep_s: int = 0) -> str:
        rules = [{"type": "expire", "everySeconds": keep_s}] if keep_s else []
        return str(self.post("buckets", orgID=self.org, name=name, retentionRules=rules)["id"])

    def make_token(self, *actions: str) -> str:
        """A token that may `read` or `write` all buckets."""
        may = [{"action": a, "resource": {"type": "buckets", "orgID": self.org}} for a in actions]
        return str(self.post("authorizations", orgID=self.org, permissions=may)["token"])


INFLUXDB2 = [InfluxDB2] if os.environ.get("STOKEWATCH_TEST_INFLUXD2") else []
"""For test parameters: nothing is collected if there is none."""
INFLUXDBS: list[Callable[[Path], InfluxDB1 | InfluxDB2]] = [InfluxDB1, *INFLUXDB2]


class Gate:
    """In front of a server: counts, asks a test what to answer, otherwise passes the request on.

    Writes go to where the server wants them: InfluxDB before 1.8 has no /api/v2/write.
    """

    def __init__(self, port: int = 0, *, old: bool = False) -> None:
        self.port = free_port()
        self.bodies: list[str] = []
        self.headers: list[dict[str, str]] = []
        self.paths: list[str] = []
        self.connections: list[socket.socket] = []
        self.refuse: Callable[[list[str]], Answer | None] = lambda lines: None
        gate = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def setup(self) -> None:
                super().setup()
                gate.connections.append(self.connection)

            def finish(self) -> None:
                gate.connections.remove(self.connection)
                super().finish()

            def do_GET(self) -> None:
                gate.paths.append(self.path)
                self._reply(gate._hand_on(port, "GET", self.path, None, self.headers))

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"] or 0))
                if self.headers.get("Content-Encoding") == "gzip":
                    body = gzip.decompress(body)
                gate.paths.append(self.path)
                gate.headers.append(dict(self.headers))
                path = self.path
                if path.startswith("/api/v2/write"):
                    gate.bodies.append(body.decode())
                    answer = gate.refuse(body.decode().split("\n"))
                    if answer is not None:
                        self._reply(answer)
                        return
                    if old:
                        asked = urllib.parse.parse_qs(urllib.parse.urlsplit(path).query)
                        path = f"/write?db={asked['bucket'][0]}&precision=ns"
                self._reply(gate._hand_on(port, "POST", path, body, self.headers))

            def _reply(self, answer: Answer) -> None:
                status, headers, body = answer
                self.send_response(status)
                for name, value in headers.items():
                    self.send_header(name, value)
                if status != 204:
                    self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                if status != 204:
                    self.wfile.write(body)

            def log_message(self, format: str, *args: Any) -> None: ...

        self._server = ThreadingHTTPServer(("127.0.0.1", self.port), Handler)
        self._server.daemon_threads = True

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @staticmethod
    def _hand_on(port: int, method: str, path: str, body: bytes | None, given: Message) -> Answer:
        if not port:
            return 204, {}, b""
        headers = {k: given[k] for k in ("Content-Type", "Accept", "Authorization") if k in given}
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
        try:
            connection.request(method, path, body, headers)
            response = connection.getresponse()
            kept = {k: v for k, v in response.getheaders() if k in ("Content-Type", "X-Influxdb-Version")}
            return response.status, kept, response.read()
        finally:
            connection.close()

    def __enter__(self) -> Gate:
        threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()


@contextlib.contextmanager
def running(server: Server) -> Iterator[Any]:
    server.start()
    try:
        yield server
    finally:
        server.stop(signal.SIGKILL)
