"""What a rig can't judge, worked out from its plan before anything is lit."""

from __future__ import annotations

from logger.judgement.zones import Places
from logger.plan import Plan


def limits(plan: Plan) -> tuple[str, ...]:
    """Say, in sentences for people, what the alarms can't tell with these probes."""
    places = Places(plan)
    if not plan.probes:
        return ("The plan has no probes: nothing can be judged.",)
    if not places.pots:
        return ("No probe is on a pot or in the air between pots: only the coals can be judged.",)
    found = []
    if not places.coals:
        found.append(
            "No probe is in the coals: coals falling away can't be told from the whole fire dying down, and "
            "raking out is not seen unless it is noted."
        )
    if len(places.pots) == 1:
        found.append(
            f"Only one zone, {places.zones[places.pots[0]]}, holds pots: there is no other to compare it "
            "with, so no collapse is raised early and an uneven stack doesn't show."
        )
    names = [places.zones[z] for z in places.pots if not places.walls_of[z]]
    if len(names) == len(places.pots):
        found.append(
            "No probe is on a pot's wall: everything is judged by the air, which runs ahead of the pots in "
            "flame and drops with every gust. It must fall further than a wall before a collapse is raised."
        )
    elif names:
        found.append(
            f"No probe is on a pot's wall in {', '.join(names)}: judged by the air there, which runs ahead "
            "of the pots in flame and drops with every gust. It must fall further than a wall before a "
            "collapse is raised."
        )
    if len(plan.probes) == 1:
        found.append("There is only one probe: only its own signal shows whether it can be trusted.")
    return tuple(found)
