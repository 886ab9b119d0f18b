"""docker-compose.yml against the Compose Specification's schema, and its programs run with its commands."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml

from logger.reading import Frame, Sample
from logger.rig_line.wire import encode
from logger.sources import Arrival
from logger.sources.mqtt import Broker
from tests.broker import PROGRAM, Mosquitto, require_mosquitto
from tests.mirror.servers import INFLUXDB2, Gate, InfluxDB2, running
from tests.processes import free_port, process, stokewatch, until

FILE = Path(__file__).parents[2] / "docker-compose.yml"
SECRETS = ("STOKEWATCH_MQTT_PASSWORD", "STOKEWATCH_INFLUX_PASSWORD", "STOKEWATCH_INFLUX_TOKEN")


class MissingVariableError(Exception):
    pass


def interpolated(text: str, env: dict[str, str]) -> str:
    """As in chapter 12 of the Compose Specification, 'Interpolation'; only the forms used here."""

    def value(found: re.Match[str]) -> str:
        if found[0] == "$$":
            return "$"
        name, sign, word = found[1], found[2], found[3]
        match sign:
            case ":-":
                return env.get(name) or word
            case ":+":
                return word if env.get(name) else ""
            case ":?":
                if not env.get(name):
                    raise MissingVariableError(word)
                return env[name]
        raise AssertionError(f"{found[0]}: add this form")

    return re.sub(r"\$\$|\$\{(\w+)(:[-+?])([^}]*)\}", value, text)


def document(env: dict[str, str]) -> dict[str, Any]:
    text = "\n".join(line for line in FILE.read_text().splitlines() if not line.lstrip().startswith("#"))
    assert not re.search(r"\$(?!\$|\{\w+:)", text.replace("$$", ""))
    return yaml.safe_load(interpolated(text, env))  # type: ignore[no-any-return]


@pytest.fixture
def env() -> dict[str, str]:
    return {name: f"s3cret-{n}" for n, name in enumerate(SECRETS)}


def test_it_is_what_the_specification_says(env: dict[str, str]) -> None:
    schema = json.loads((Path(__file__).parent / "compose-spec.json").read_text())
    for more in ({}, {"STOKEWATCH_SERIAL": "/dev/ttyACM0", "STOKEWATCH_SITE": "meadow"}):
        jsonschema.Draft7Validator(schema).validate(document(env | more))
    broken = document(env)
    broken["services"]["page"]["mem_limits"] = "1g"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft7Validator(schema).validate(broken)


@pytest.mark.parametrize("missing", SECRETS)
def test_what_is_missing_is_said_by_name(missing: str, env: dict[str, str]) -> None:
    """No password works by default, and the comments at the file's top set all that are asked for."""
    for left in ({}, {missing: ""}):
        with pytest.raises(MissingVariableError, match=rf"put {missing}=… into a file named \.env"):
            document({name: value for name, value in env.items() if name != missing} | left)
    script = re.search(r"#   (for name in[\s\S]*?) > \.env", FILE.read_text())
    assert script is not None
    made = subprocess.run(
        ["sh", "-c", script[1].replace("\n#", "\n")], capture_output=True, text=True, check=True
    ).stdout
    assert [line.partition("=")[0] for line in made.splitlines()] == list(SECRETS)
    assert all(len(line.partition("=")[2]) == 48 for line in made.splitlines())


def test_every_service_looks_after_itself(env: dict[str, str]) -> None:
    services = document(env)["services"]
    assert set(services) == {"broker", "logger", "page", "influxdb", "mirror"}
    for name, service in services.items():
        assert service["healthcheck"]["test"], name
        assert service["restart"] == "unless-stopped", name
        assert service["mem_limit"], name
        assert service["volumes"], name
        for port in service.get("ports", []):
            assert port == "1883:1883" or port.startswith("127.0.0.1:"), name
    command = shlex.split(services["logger"]["command"])
    assert "--serial" not in command
    assert services["logger"]["devices"] == ["/dev/null:/dev/rig"]
    with_rig = document(env | {"STOKEWATCH_SERIAL": "/dev/ttyACM0"})["services"]["logger"]
    assert with_rig["devices"] == ["/dev/ttyACM0:/dev/rig"]
    assert shlex.split(with_rig["command"])[-2:] == ["--serial", "/dev/rig"]


@pytest.mark.real
@pytest.mark.timeout(120)
@pytest.mark.parametrize("influxdb", [None, *INFLUXDB2])
def test_the_same_programs_with_the_same_environment(
    influxdb: type[InfluxDB2] | None, env: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without containers: names of hosts and folders are this machine's, everything else is the file's."""
    require_mosquitto()
    described = document(env | {"STOKEWATCH_SITE": "meadow"})
    services = described["services"]
    mqtt, web = free_port(), free_port()
    data, home = tmp_path / "broker", tmp_path / "home"
    data.mkdir()
    home.mkdir()
    shim = tmp_path / "bin"
    shim.mkdir()
    (shim / "stokewatch").write_text(f'#!/bin/sh\nexec {sys.executable} -m logger.cli "$@"\n')
    (shim / "stokewatch").chmod(0o755)
    (shim / "python").symlink_to(sys.executable)
    conf = tmp_path / "stokewatch.conf"
    conf.write_text(
        described["configs"]["broker"]["content"]
        .replace("listener 1883", f"listener {mqtt} 127.0.0.1")
        .replace("/mosquitto/data", str(data))
        # As root it would switch to a user of its own, who may not read a test's folder.
        + ("user root\n" if os.geteuid() == 0 else "")
    )
    with contextlib.ExitStack() as stack:
        server = None
        if influxdb is not None:
            given = services["influxdb"]["environment"]
            assert given["DOCKER_INFLUXDB_INIT_MODE"] == "setup"
            (tmp_path / "influxdb").mkdir()
            server = stack.enter_context(
                running(
                    influxdb(
                        tmp_path / "influxdb",
                        username=given["DOCKER_INFLUXDB_INIT_USERNAME"],
                        password=given["DOCKER_INFLUXDB_INIT_PASSWORD"],
                        org=given["DOCKER_INFLUXDB_INIT_ORG"],
                        bucket=given["DOCKER_INFLUXDB_INIT_BUCKET"],
                        token=given["DOCKER_INFLUXDB_INIT_ADMIN_TOKEN"],
                    )
                )
            )
        gate = stack.enter_context(Gate(server.port if server else 0))

        def here(text: str) -> str:
            for there, ours in (
                ("http://influxdb:8086", gate.url),
                ("rig@broker", f"rig@127.0.0.1:{mqtt}"),
                ("127.0.0.1:8050", f"127.0.0.1:{web}"),
                ("/mosquitto/data", str(data)),
                ("/mosquitto/stokewatch.conf", str(conf)),
                ("chown mosquitto:mosquitto", "true"),
                ("exec mosquitto", f"exec {PROGRAM}"),
                ("mosquitto_pub", f"mosquitto_pub -p {mqtt}"),
            ):
                text = text.replace(there, ours)
            return text

        def command(name: str) -> list[str]:
            given = services[name]["command"]
            return [here(part) for part in (shlex.split(given) if isinstance(given, str) else given)]

        def surroundings(name: str) -> dict[str, str]:
            named = {key: here(str(value)) for key, value in services[name].get("environment", {}).items()}
            kept = {key: os.environ[key] for key in ("PATH", "HOME", "LANG") if key in os.environ}
            return {
                **kept,
                "PATH": f"{shim}:{os.environ['PATH']}:/usr/sbin",
                "STOKEWATCH_HOME": str(home),
                "PYTHONPATH": str(FILE.parent),
                "PYTHONUNBUFFERED": "1",
                **named,
            }

        def healthy(name: str) -> bool:
            how, *test = services[name]["healthcheck"]["test"]
            argv = ["sh", "-c", here(test[0])] if how == "CMD-SHELL" else [here(part) for part in test]
            return subprocess.run(argv, env=surroundings(name), capture_output=True).returncode == 0

        page = [*command("page"), "--port", str(web)]
        argv = {name: command(name) for name in ("broker", "logger", "mirror")} | {"page": page}
        assert shutil.which("mosquitto_passwd")

        def started(name: str) -> Any:
            return process(["env", "-i", *(f"{k}={v}" for k, v in surroundings(name).items()), *argv[name]])

        with started("broker"):
            until(lambda: healthy("broker"), "the broker")
            with started("logger"), started("mirror"), started("page"):
                until(lambda: healthy("logger"), "the logger", 30)

                async def send(password: str) -> int:
                    line = encode(Frame("a1", 1, 100, {"k0": Sample(c=21.5)})).decode().strip()
                    pub = await asyncio.create_subprocess_exec(
                        *("mosquitto_pub", "-p", str(mqtt), "-u", "rig", "-P", password, "-q", "1"),
                        *("-t", "stokewatch/a1/frame", "-m", line),
                        stderr=asyncio.subprocess.DEVNULL,
                    )
                    return await pub.wait()

                assert asyncio.run(send("guessed")) != 0
                assert asyncio.run(send(env["STOKEWATCH_MQTT_PASSWORD"])) == 0
                until(lambda: "reading,site=meadow,rig=a1" in "".join(gate.bodies), "the reading", 30)
                token = env["STOKEWATCH_INFLUX_TOKEN"]
                assert gate.headers[0]["Authorization"] == f"Token {token}"
                until(lambda: healthy("page") and healthy("mirror"), "page and mirror", 30)
                with urllib.request.urlopen(f"http://127.0.0.1:{web}/healthz") as response:
                    assert response.status == 200
                assert stokewatch("status", home=home)["mirror"]["refused"] == 0
                if server is not None:
                    # Another machine, with only the address and the token.
                    for name in ("STOKEWATCH_INFLUX_URL", "STOKEWATCH_INFLUX_TOKEN"):
                        monkeypatch.setenv(name, surroundings("mirror")[name])
                    assert [f["site"] for f in stokewatch("pull", home=tmp_path / "away")] == ["meadow"]
                    assert stokewatch("pull", "last", home=tmp_path / "away")["readings"] == 1


@pytest.mark.real
@pytest.mark.timeout(90)
async def test_the_brokers_settings_outlive_a_kill(env: dict[str, str], tmp_path: Path) -> None:
    """With no logger connected: what the broker took before its last save survives kill -9, with no limit of 1,000."""
    content = document(env)["configs"]["broker"]["content"]
    settings = [
        line
        for line in content.splitlines()
        if line.split()[0]
        in ("autosave_interval", "max_queued_messages", "max_queued_bytes", "persistent_client_expiration")
    ]
    assert len(settings) == 4
    assert "autosave_on_changes" not in content  # it rewrites everything for each frame
    with Mosquitto(tmp_path, settings=settings) as broker:
        source = Broker(broker.url, "logger")

        async def receive(wanted: int, seconds: float) -> set[bytes]:
            came: set[bytes] = set()

            async def put(arrival: Arrival) -> None:
                came.add(arrival.line)
                source.acknowledge([arrival.token])
                if len(came) == wanted:
                    all_there.set()

            linked, all_there = asyncio.Event(), asyncio.Event()
            task = asyncio.create_task(source.run(put, lambda kind, data: linked.set()))
            async with asyncio.timeout(20):
                await linked.wait()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(seconds):
                    await all_there.wait()
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
            return came

        await receive(1, 0.5)  # from now on the broker keeps frames for it
        frames = [encode(Frame("a1", n, 100 * n, {"k0": Sample(c=20.0)})).strip() for n in range(3000)]
        kept = broker.folder / "mosquitto.db"
        await broker.publish("stokewatch/a1/frame", *frames)
        before_ns = time.time_ns()
        until(lambda: kept.exists() and kept.stat().st_mtime_ns > before_ns, "the broker's own saving", 30)
        broker.restart(signal.SIGKILL)
        assert await receive(3000, 30) == set(frames)
