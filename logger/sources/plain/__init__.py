"""Rigs that don't send the rig's line: numbers in lines, on MQTT topics, in Modbus registers."""

from __future__ import annotations

from logger.plan.sources import PlanSource
from logger.sources import Source


def plain_source(wanted: PlanSource, taken: set[str], client_id: str) -> Source:
    """Make a source from a plan's table; SourceError: it can't be read as described.

    `taken` are serial ports that other sources hold, shared between them; each source derives a name of its
    own from `client_id`.
    """
    if wanted.format == "lines":
        from logger.sources.plain.lines import PrintedLines

        return PrintedLines(wanted, taken)
    if wanted.format == "mqtt":
        from logger.sources.plain.topics import Topics

        return Topics(wanted, f"{client_id}-{wanted.rig_name}")
    from logger.sources.plain.modbus import Module

    return Module(wanted)
