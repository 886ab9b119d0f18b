"""The plans in the user's folder, each its own TOML file, and the packing list beside them."""

from __future__ import annotations

import contextlib
import re
import unicodedata
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from logger.errors import UserError
from logger.home import write_whole
from logger.plan import Plan, PlanError, load

MAX_NAME: Final = 60
MAX_ITEMS: Final = 100
MAX_ITEM: Final = 120

_NAME: Final = re.compile(r"[a-z0-9](?:[a-z0-9-]*[a-z0-9])?")

FIRST_KIT: Final = (
    "Fuel, sorted by thickness: kindling, sticks, split wood",
    "Water, and earth with a shovel",
    "Rake with a long handle",
    "Tongs",
    "Heatproof gloves, eye protection, no synthetic clothes",
    "Old sherds to shield the load",
    "Supports for the pots",
    "The rig with its probes",
    "Spare terminals and a screwdriver",
    "Steel conduit for the leads, or a spade to bury them",
    "A full battery for the rig, another for the tablet",
    "The hand-held infrared gun",
)
"""What people usually take along (common practice, no source); a start for their own list."""


class StoreError(UserError):
    """A plan that can't be stored or found."""

    field = "name"


class PlanTaken(StoreError):
    """A plan of that name already exists."""

    def __init__(self, name: str) -> None:
        super().__init__(f"{name}: a plan of this name already exists; replace it, or give another name")
        self.name = name


@dataclass(frozen=True, slots=True)
class StoredPlan:
    """One of the plans in the folder."""

    name: str  # the file's, without `.toml`
    plan: Plan | None  # None if the file can't be read as a plan
    trouble: str
    changed_s: float  # when it was last written, Unix time [s]


def name_for(text: str) -> str:
    """Make a plan's file name from its title; empty if no character of it can be used."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:MAX_NAME].strip("-")


def list_plans(home: Path) -> list[StoredPlan]:
    """List the plans in a folder, the latest first; files that aren't plans are listed with the reason."""
    found = []
    for path in (home / "plans").glob("*.toml"):
        if not _NAME.fullmatch(path.stem):
            continue
        try:
            plan, trouble = load(path), ""
        except PlanError as exc:
            plan, trouble = None, str(exc)
        with contextlib.suppress(OSError):  # removed just now
            found.append(StoredPlan(path.stem, plan, trouble, path.stat().st_mtime))
    return sorted(found, key=lambda p: (-p.changed_s, p.name))


def load_plan(home: Path, name: str) -> Plan:
    """Read a plan from the folder; StoreError if there is none of that name."""
    return load(_there(home, name))


def save_plan(home: Path, name: str, plan: Plan, *, replace: bool = False) -> None:
    """Store a plan; its file appears whole or not at all. PlanTaken: the name exists, and not `replace`."""
    path = _path(home, name)
    if not replace and path.exists():
        raise PlanTaken(name)
    _write(path, plan.dumps())


def delete_plan(home: Path, name: str) -> None:
    """Remove a plan from the folder; StoreError if there is none of that name."""
    _there(home, name).unlink(missing_ok=True)


def read_kit(home: Path) -> list[tuple[str, bool]]:
    """Return the packing list and what is packed; the usual things if nobody has made a list yet."""
    try:
        text = _kit_path(home).read_text(encoding="utf-8", errors="replace")
    except FileNotFoundError:
        return [(item, False) for item in FIRST_KIT]
    items = []
    for line in text.splitlines():
        mark = re.match(r"\s*\[([ xX])\]\s*", line)
        item = line[mark.end() :].strip() if mark else line.strip()
        if item:
            items.append((item[:MAX_ITEM], mark is not None and mark[1] != " "))
    return items[:MAX_ITEMS]


def write_kit(home: Path, items: list[tuple[str, bool]]) -> None:
    """Store the packing list: plain text with one item per line, which can be edited by hand too."""
    if len(items) > MAX_ITEMS:
        raise StoreError(f"more than {MAX_ITEMS} items; leave some at home", "kit")
    for item, _ in items:
        if not item.strip() or not item.isprintable():
            raise StoreError("each item is one line of text; leave none empty", "kit")
        if len(item) > MAX_ITEM:
            raise StoreError(f"longer than {MAX_ITEM} characters: {item[:30]} …; shorten it", "kit")
    lines = [f"[{'x' if packed else ' '}] {item.strip()}\n" for item, packed in items]
    _write(_kit_path(home), "".join(lines))


def _write(path: Path, text: str) -> None:
    """Write a file, and its folder if need be; StoreError if the disk refuses."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        write_whole(path, text.encode())
    except OSError as exc:
        raise StoreError(f"{path}: {exc.strerror or exc}; make room, or check who may write there") from exc


def _there(home: Path, name: str) -> Path:
    path = _path(home, name)
    if not path.is_file():
        raise StoreError(f"{name}: there is no plan of this name; choose one from the list")
    return path


def _path(home: Path, name: str) -> Path:
    # No request can reach another folder: no dot, no slash, none of the system's names.
    if len(name) > MAX_NAME or not _NAME.fullmatch(name):
        raise StoreError(
            f"{name[:80]!r} can't be a plan's name; use up to {MAX_NAME} small letters, digits and hyphens"
        )
    return home / "plans" / f"{name}.toml"


def _kit_path(home: Path) -> Path:
    return home / "packing_list.txt"
