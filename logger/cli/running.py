"""The running logger: its status, and how to end its firing."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final

import click

from logger.cli.options import json_option, with_home
from logger.cli.output import journal_there, reading, tell
from logger.errors import StokewatchError, UserError

if TYPE_CHECKING:
    from logger.home import Home

_ANSWER_S: Final = 10.0
_COUNTS: Final = (
    *("frames", "readings", "bad_crc", "malformed", "missing", "duplicates", "out_of_order", "set_apart"),
    "refused",
)


@click.command()
@json_option
@with_home
def finish(home: Home, as_json: bool) -> None:
    """End the running firing."""
    journal_there(home)
    firing = _ask_to_finish(home) if home.logger_runs() else _finish(home)
    tell({"firing": firing}, [f"Firing {firing} has ended."], as_json=as_json)


def _ask_to_finish(home: Home) -> str:
    """Ask the running logger to do it, since it writes the journal."""
    from logger.journal.asking import add_request

    number = add_request(home.journal, "finish", {}, who="command line")
    deadline_s = time.monotonic() + _ANSWER_S
    with reading(home) as reader:
        while (request := reader.request(number)) is None or request.result is None:
            if time.monotonic() > deadline_s:
                raise StokewatchError(
                    f"{home.root}: no answer from the logger within {_ANSWER_S:.0f} s; is it stuck?"
                )
            time.sleep(0.05)
    if not request.result.get("ok"):
        raise UserError(str(request.result.get("error")))
    return str(request.result["firing"])


def _finish(home: Home) -> str:
    from logger.journal.writer import JournalWriter

    with contextlib.closing(JournalWriter(home.journal)) as writer:
        running = writer.running()
        if running is None:
            raise UserError("no firing is running; `stokewatch firings` lists all firings")
        writer.finish_firing(running.id, running.last_us or running.started_us)
        return running.id


@click.command()
@json_option
@with_home
def status(home: Home, as_json: bool) -> int:
    """Show how the logger is doing: frames, losses, the last commit, its sources.

    Exits with status 1 if a logger is running but can't record.
    """
    from logger.mirror.progress import mirror_health
    from logger.recording.health import look

    beat, firing, unread = _last_beat(home)
    health = look(home, str(beat.get("trouble", "")))
    logger = {
        "running": health.running,
        "pid": beat.get("pid") if health.running else None,
        **{name: beat.get(name, 0) for name in (*_COUNTS, "lost", "not_recorded", "waiting")},
        "last_commit_age_s": _commit_age_s(beat),
        "recording": health.recording,
        "trouble": health.trouble or unread,
        "sources": beat.get("sources", []),
    }
    document = {
        "logger": logger,
        "disk_free_mb": health.disk_free_mb,
        "mirror": mirror_health(home),
        "firing": firing,
        "home": str(home.root),
    }
    tell(document, _in_lines(document, logger), as_json=as_json)
    return int(bool(unread) or (health.running and not health.recording))


def _last_beat(home: Home) -> tuple[dict[str, Any], str | None, str]:
    """Return the last heartbeat, the running firing's ID, and why they can't be read."""
    beat: dict[str, Any] = {}
    if not home.journal.exists():
        return beat, None, ""
    try:
        with reading(home) as reader:
            beat = reader.heartbeat() or {}
            running = reader.running()
            return beat, running.id if running else None, ""
    except StokewatchError as exc:
        return beat, None, str(exc)


def _commit_age_s(beat: dict[str, Any]) -> float | None:
    commit_us = beat.get("last_commit_us")
    if commit_us is None:
        return None
    in_fire_s = (beat["at_us"] - commit_us) / 1e6
    age_s: float = time.time() - beat["wall_s"] + in_fire_s / beat.get("time_scale", 1.0)
    return round(age_s, 3)


def _in_lines(document: dict[str, Any], logger: dict[str, Any]) -> Iterator[str]:
    running = "running" if logger["recording"] else "running, but NOT RECORDING"
    yield f"Logger: {running if logger['running'] else 'not running'}; folder {document['home']}"
    yield f"Firing: {document['firing'] or 'none running'}"
    yield from (f"  {name.replace('_', ' ')}: {logger[name]}" for name in _COUNTS)
    if (age_s := logger["last_commit_age_s"]) is not None:
        yield f"  last commit {age_s:g} s ago"
    for source in logger["sources"]:
        unproven = " (no checksum, no counter)" if source.get("proof") == "none" else ""
        yield f"  {source['name']}: {source['state']} {source['detail']}{unproven}".rstrip()
    if logger["trouble"]:
        yield f"  Trouble: {logger['trouble']}"
    if (sending := document["mirror"]) is not None:
        yield f"InfluxDB: {sending['state']} {sending['detail']}".rstrip()
        yield "  " + ", ".join(f"{sending[key]} {key}" for key in ("sent", "refused", "behind"))
