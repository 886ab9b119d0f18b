"""Everything decided before lighting: TOML in and out, refusals with line numbers.

This exports what other rooms need. The alarm rules with their settings, the sources and the folder of plans
have their own modules.
"""

from logger.plan.lines import MAX_TOML, PlanError
from logger.plan.model import (
    COOL_C,
    LETTERS,
    MAX_NAME,
    MAX_PROBES,
    AlarmSettings,
    Clay,
    Plan,
    Probe,
    Reads,
    assign_probes,
    default_alarms,
    guess_reads,
    probe_for_channel,
)
from logger.plan.reader import from_document, load, loads, mistakes

__all__ = [
    "COOL_C",
    "LETTERS",
    "MAX_NAME",
    "MAX_PROBES",
    "MAX_TOML",
    "AlarmSettings",
    "Clay",
    "Plan",
    "PlanError",
    "Probe",
    "Reads",
    "assign_probes",
    "default_alarms",
    "from_document",
    "guess_reads",
    "load",
    "loads",
    "mistakes",
    "probe_for_channel",
]
