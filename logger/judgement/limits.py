"""What a rig can't judge, told from its plan before anything is lit."""

from __future__ import annotations

from logger.judgement.zones import Places
from logger.plan import Plan


def limits(plan: Plan) -> tuple[str, ...]:
    """Say in sentences for people what the alarms can't tell with these probes."""
    places = Places(plan)
    if not plan.probes:
        return ("No probe is planned: nothing can be judged.",)
    if not places.pots:
        return ("No probe is on a pot or in the air between pots: only the coals can be judged.",)
    found = []
    if not places.coals:
        found.append(
            "No probe is in the coals: whether coals have fallen away or the whole fire dies down can't be "
            "told apart, and raking out is not seen unless it is noted."
        )
    if len(places.pots) == 1:
        found.append(
            f"Only one zone, {places.zones[places.pots[0]]}, holds pots: there is no other to compare it "
            "with, so no collapse is called early, and how uneven the stack is can't be told."
        )
    names = [places.zones[z] for z in places.pots if not places.walls_of[z]]
    if len(names) == len(places.pots):
        found.append(
            "No probe is on a pot's wall: everything is judged by the air, which runs ahead of the pots in "
            "flame and drops with every gust. A collapse "
            "must take more from it than from a wall."
        )
    elif names:
        found.append(
            f"No probe is on a pot's wall in {', '.join(names)}: judged by the air there, which runs ahead "
            "of the pots in flame and drops with every gust. A collapse "
            "must take more from it than from a wall."
        )
    if len(plan.probes) == 1:
        found.append("One probe alone: whether it can be trusted shows only in its own signal.")
    return tuple(found)
