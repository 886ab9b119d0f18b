"""Rigs that don't speak the rig's line: numbers in lines, on MQTT topics, in Modbus registers."""

from __future__ import annotations

from collections.abc import Iterable

from logger.plan_sources import PlanSource
from logger.sources import Source


def plain_sources(wanted: Iterable[PlanSource], taken: set[str], client_id: str) -> list[Source]:
    """Make the sources that a plan names.

    Parameters
    ----------
    wanted : iterable of PlanSource
    taken : set of str
        Serial ports that other sources hold; shared between them.
    client_id : str
        As `Broker`'s; each gets a name of its own from it.

    Returns
    -------
    list of Source
    """
    from logger.sources.plain.lines import PrintedLines
    from logger.sources.plain.modbus import Module
    from logger.sources.plain.topics import Topics

    found: list[Source] = []
    for source in wanted:
        if source.format == "lines":
            found.append(PrintedLines(source, taken))
        elif source.format == "mqtt":
            found.append(Topics(source, f"{client_id}-{source.rig_name}"))
        else:
            found.append(Module(source))
    return found
