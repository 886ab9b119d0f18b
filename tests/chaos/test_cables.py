"""Cables pulled, brokers restarted, networks that swallow everything."""

from __future__ import annotations

import random
import time
from pathlib import Path

from steady import SteadyRig, Tell, a_while, beat, check, stored

from tests.broker import Mosquitto
from tests.long_form import times
from tests.processes import RIG, STOKEWATCH, process, until
from tests.trial_rig import load_value


def test_the_cable_pulled_and_plugged_in_again(tmp_path: Path, tell: Tell) -> None:
    home, link = tmp_path / "home", tmp_path / "rig"
    rng = random.Random(9)
    pulls = times(4, 100)
    back_s: list[float] = []
    with SteadyRig(link, channels=4) as rig, process([*STOKEWATCH, "log", "--serial", str(link)], home):
        until(lambda: beat(home).get("frames", 0) > 5, "frames", 60)
        for _ in range(pulls):
            a_while(rng, 0.2, 1.0)
            rig.pull()
            a_while(rng, 0.05, 1.5)
            before = beat(home)["frames"]
            rig.plug()
            plugged_s = time.monotonic()
            until(lambda before=before: beat(home)["frames"] > before, "frames after the replug", 30)
            back_s.append(time.monotonic() - plugged_s)
        counted = beat(home)
    rows = stored(home)
    check(rows)
    assert counted["malformed"] == 0
    assert counted["bad_crc"] <= pulls  # the line that was cut
    tell(
        f"cable pulled {pulls} times, another terminal each time",
        f"{len(rows)} frames, all right; back after {sorted(back_s)[len(back_s) // 2]:.2f} s (median), "
        f"{max(back_s):.2f} s (longest); {counted['bad_crc']} cut lines refused",
    )


def test_the_broker_restarted_and_the_network_swallowing_everything(tmp_path: Path, tell: Tell) -> None:
    home = tmp_path / "home"
    rng = random.Random(10)
    restarts = times(2, 50)
    holes, hole_s = times(1, 5), times(8, 60)
    with Mosquitto(tmp_path) as broker:
        load = ["--beat-load", "--channels", "4", "--rate-hz", "10", "--mqtt", broker.url]
        with process([*STOKEWATCH, "log", "--mqtt", broker.url], home), process([*RIG, *load]):
            until(lambda: beat(home).get("frames", 0) > 10, "frames", 60)
            for _ in range(restarts):
                a_while(rng, 0.5, 2.0)
                broker.stop()
                a_while(rng, 0.1, 1.0)
                broker.start()
                before = beat(home)["frames"]
                until(lambda before=before: beat(home)["frames"] > before + 5, "frames after a restart", 60)
            for _ in range(holes):
                broker.freeze()  # connections stay open and nothing answers
                time.sleep(hole_s)
                broker.thaw()
                before = beat(home)["frames"]
                until(lambda before=before: beat(home)["frames"] > before + 5, "frames after the hole", 90)
            last = max(stored(home))
            until(lambda: set(range(min(stored(home)), last)) <= set(stored(home)), "every frame", 60)
    rows = stored(home)
    for seq, (_, values, _status) in rows.items():
        assert values == [load_value(seq, channel) for channel in range(4)], seq
    assert sorted(rows) == list(range(min(rows), max(rows) + 1)), "every frame once"
    tell(
        f"broker restarted {restarts} times, network black-holed {holes} x {hole_s} s",
        f"{len(rows)} frames of quality 1, each once, none missing",
    )
