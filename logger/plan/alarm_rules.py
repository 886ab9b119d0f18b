"""The alarm rules: what each means to a potter, and the settings it has."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from logger.words.said import Degrees, said


@dataclass(frozen=True, slots=True)
class Setting:
    """One number of a rule."""

    name: str
    unit: str
    # default, minimum, maximum [unit]
    default: float
    minimum: float
    maximum: float
    doc: str
    like: str = ""  # the setting whose value this one takes in a table that names only that one


@dataclass(frozen=True, slots=True)
class Rule:
    """One alarm rule. Each also has `enabled` (true or false)."""

    name: str
    warning: bool  # False for good news
    title: str
    when: str  # the condition that always raises it, and its only vetoes, with its settings in braces
    # what has probably happened, what comes of it, what to do, in a potter's words
    cause: str
    consequence: str
    advice: str
    settings: tuple[Setting, ...] = ()  # of `_SETTINGS`


_SETTINGS: Final = """
coal_collapse drop_c °C 60 20 300: How far the zone's level must fall.
coal_collapse air_drop_c °C 100 20 300 drop_c: The same where only air probes show the zone: air swings with \
    the flame, and falls further.
coal_collapse within_s s 180 60 600: Within how long.
coal_collapse for_s s 10 1 120: How long it must stay down.
stalled_zone short_c °C 20 5 200: How far below the target it must be.
stalled_zone above_c °C 300 100 700: No stall is raised below this.
stalled_zone rate_c_per_min °C/min 3 0.5 20: Moving less than this counts as standing still.
stalled_zone for_s s 300 60 600: How long it must stand still, on average.
heating_too_fast rate_c_per_min °C/min 12 1 100: Faster than this at a wall is too fast.
heating_too_fast gradient_c_mm °C/mm 3 0.5 50: Used instead of the rate where the plan gives the wall's \
    thickness: steeper than this is too fast.
heating_too_fast below_c °C 120 80 250: Applies while the coldest place is below this.
heating_too_fast for_s s 30 5 300: How long it must last.
cooling_too_fast rate_c_per_min °C/min 110 5 300: Falling faster than this is too fast.
cooling_too_fast from_c °C 650 573 900: Applies below this.
cooling_too_fast to_c °C 500 200 573: Applies above this.
cooling_too_fast for_s s 45 5 300: How long it must last.
spread_too_wide spread_c °C 380 50 600: Between the hottest zone and the coldest.
spread_too_wide for_s s 300 30 1800: How long it must last.
over_temperature limit_c °C 1000 300 1300: Hotter than this is too hot.
over_temperature for_s s 30 5 300: How long it must last.
probe_fault for_s s 8 1 120: How long a fault must last before it is reported.
probe_fault stuck_s s 20 10 1200: A value held for less than this is never reported as stuck; how much \
    longer it takes depends on how the probe moved before.
probe_fault jump_percent % 10 2 50: A jump is an air reading that differs from those before and after it by \
    half this share of its level, or a wall reading by a tenth of it; repeated jumps mean a loose wire.
probe_fault cold_junction_c °C 60 40 125: A cold junction hotter than this is in danger.
rig_silent after_s s 10 2 300: How long the rig may stay silent.
target_reached for_s s 20 1 300: How long it must stay there. Reported a minute later, in case a probe \
    proves faulty.
"""
"""Rule, setting, unit, default, minimum, maximum, perhaps the setting it is `like`: what it means."""


def _settings_of(rule: str) -> tuple[Setting, ...]:
    found = []
    for line in _SETTINGS.strip().splitlines():
        head, _, doc = line.partition(": ")
        owner, name, unit, default, least, most, *like = head.split()
        if owner == rule:
            words = " ".join(doc.split())
            found.append(Setting(name, unit, float(default), float(least), float(most), words, *like))
    return tuple(found)


_RULES: Final = (
    Rule(
        "coal_collapse",
        True,
        "Coals have fallen away",
        (
            "A zone's level falls by {drop_c} (by {air_drop_c} where only air probes show it) within "
            "{within_s} and stays down for {for_s}. Not raised if the coals' own probes fell by a third of "
            "that or more in the same time, or once raking out was noted or seen. With no trusted probe in "
            "the coals it is raised all the same, and the message says what it can't tell. Raised early "
            "where a wall has lost half of {drop_c}, will have lost all of it within half a minute at this "
            "rate, is colder than {within_s} ago, falls twice as fast as in the ten minutes before, and "
            "the other zones hold."
        ),
        "The coals have slumped away from this part of the stack and let cold air in; those below hold.",
        "This part loses heat within a minute or two: walls cool too fast and stay under-fired.",
        "Put wood over the cold place, or rake coals back against it. Gloves and a long rake; face away.",
    ),
    Rule(
        "stalled_zone",
        True,
        "A zone has stalled",
        (
            "A zone's level moves by less than {rate_c_per_min} on average over {for_s}, while above "
            "{above_c} and {short_c} or more below a target it has not reached yet, before raking out."
        ),
        "This part of the stack has stopped rising short of its target.",
        "It stays under-fired, whatever the other probes say.",
        "Add thin, dry wood over it; shield it from the wind.",
    ),
    Rule(
        "heating_too_fast",
        True,
        "Heating too fast for drying",
        (
            "The coldest place is below {below_c} and rises faster than {rate_c_per_min} for {for_s}. Where "
            "the wall's thickness is known, a gradient steeper than {gradient_c_mm} counts instead of "
            "the rate."
        ),
        "The pots are still wet inside and are warming faster than the steam can escape.",
        "Walls spall or burst and throw pieces. Keep faces away.",
        said("Draw the fire back; bring the pots slowly to {} everywhere.", Degrees("at", 120.0)),
    ),
    Rule(
        "cooling_too_fast",
        True,
        "Cooling too fast",
        "A zone between {from_c} and {to_c} falls faster than {rate_c_per_min} for {for_s}.",
        "Cold air is reaching hot pots while their quartz inverts (573 °C).",
        "Thick walls and large pots crack.",
        "Shield this side from the wind; cover it again with coals, ash or sherds.",
    ),
    Rule(
        "spread_too_wide",
        True,
        "The stack is very uneven",
        (
            "At the peak or in burn-down, zones differ by more than {spread_c} for {for_s} while the coldest "
            "is below burn-out."
        ),
        "One part of the stack is running far ahead of another after the flames have gone.",
        "The cold part stays under-fired while the hot part is done.",
        "Put wood over the cold part; leave the hot part alone.",
    ),
    Rule(
        "over_temperature",
        True,
        "Too hot",
        "A zone's level is above {limit_c} for {for_s}.",
        "Part of the stack is hotter than low-fired clay or type K wire can take.",
        "Clay slumps or bloats; the probe ages.",
        "Add no more wood there; let it burn down.",
    ),
    Rule(
        "probe_fault",
        True,
        "A probe can't be trusted",
        (
            "An input is open, shorted, floating, stuck, loose or fallen out. The alarm lasts as long as "
            "the fault, and a minute more."
        ),
        "Its wire or terminal has come loose, it is shorted, or it no longer moves as a fire does.",
        "Nothing shows what this place is going through.",
        "Check its terminal and lead, outside the heat. Judge that place by eye.",
    ),
    Rule(
        "rig_silent",
        True,
        "No readings from the rig",
        "No reading has come for {after_s}, and for three of the rig's own intervals.",
        "Its battery, its cable or the radio link has failed.",
        "Nobody is watching the fire but you.",
        "Check the rig's power and cable. Watch the fire itself.",
    ),
    Rule(
        "beacon_failed",
        True,
        "The lamp or buzzer at the fire isn't answering",
        "A lamp or buzzer that answered before has not answered for 12 s.",
        "Its wire, its transistor's supply or the line to the rig has failed, or the rig lost its settings.",
        "Nothing at the fire flashes or sounds when something goes wrong.",
        "Stay within sight of this page, and check the lamp's wire and the rig.",
    ),
    Rule(
        "target_reached",
        False,
        "A zone has reached its target",
        (
            "A zone's level is at or above its target for {for_s}, and none of the probes it rests on is "
            "reported faulty within a minute."
        ),
        "This part of the stack is as hot as it should get.",
        "Its soak begins.",
        "Add only enough wood here to hold it.",
    ),
    Rule(
        "soak_done",
        False,
        "A zone has had its soak",
        (
            "A zone's level has been at or above its target for {soak_min} in all, counting only time when "
            "none of its probes was reported faulty within a minute."
        ),
        "This part of the stack has been at its target as long as planned.",
        "It needs no more.",
        "Look at the coldest zone: once that is done too, so is the firing.",
    ),
)

RULES: Final[dict[str, Rule]] = {
    rule.name: replace(rule, settings=_settings_of(rule.name)) for rule in _RULES
}
"""By name, in the order of the plan file's documentation."""

OBSOLETE: Final[dict[str, tuple[str, ...]]] = {"coal_collapse": ("coals_fall_c_per_min",)}
"""By rule: settings of earlier versions, ignored in plans that still have them."""
