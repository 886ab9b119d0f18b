"""A plan file from anywhere, read in a process of its own; nothing heavy is loaded for it."""

from collections.abc import Callable

from logger.plan import loads


def read_plan(toml: str, *, tell: Callable[[float], None]) -> str:
    """Read a plan file that came from anywhere; give the plan as this program writes it."""
    return loads(toml, "file").dumps()
