"""The units of a table's temperatures: beside them, in their cells, in parts of a degree. Pure."""

from __future__ import annotations

import re
from typing import Final

import numpy as np

from logger.exchange.csv_numbers import as_number, is_number
from logger.exchange.csv_table import CsvError, CsvOptions, Hint, Table, Unit, listed, shown
from logger.exchange.csv_words import WITH_UNIT, unit_cell
from logger.reading import Floats

_UNSAID: Final = "nothing says the unit"
_HOTTEST_C: Final = 1400.0
"""Common practice, no source: a pit or a bonfire stays well below it."""
_TOGETHER_C: Final = 15.0
_ROOMS: Final = ((50.0, 100.0, "°F", "f"), (280.0, 310.0, "K", "k"))
_LEAST_KELVIN: Final = 200.0
"""-73 °C: no probe in or beside a fire has been colder. [K]"""


def say_units(table: Table) -> None:
    """Say in the guesses of which temperatures nothing says the unit, once their columns are known."""
    unsaid = [column for column in table.columns if not column.told]
    if not unsaid:
        return
    some = f" of {listed([column.name for column in unsaid], 6)}" if len(unsaid) < len(table.columns) else ""
    table.guesses.append(f"{_UNSAID}{some}: taken for °{unsaid[0].unit.upper()}")


def doubt_units(table: Table, values_c: Floats) -> None:
    """Say in the guesses where temperatures (n, k) of no stated unit look like another unit's."""
    unsaid = [j for j, column in enumerate(table.columns) if not column.told and column.unit == "c"]
    found = [column[~np.isnan(column)] for column in values_c[:, unsaid].T]
    firsts = np.array([column[0] for column in found if len(column)])
    if not len(firsts) or table.own:
        return
    highest = max(float(column.max()) for column in found if len(column))
    if highest > _HOTTEST_C:
        table.guesses.append(
            f"{highest:g} °C is hotter than any open fire: are these °F, or tenths of a degree?"
        )
    elif len(firsts) > 1 and float(np.ptp(firsts)) < _TOGETHER_C:
        first = float(np.median(firsts))
        for low, high, unit, letter in _ROOMS:
            if low < first < high:
                table.guesses.append(
                    f"all begin near {first:.0f}: if that is a room in {unit}, say --unit {letter}"
                )


def units_beside(table: Table) -> dict[int, Unit]:
    """Find columns that hold nothing but a unit (CH1, Unit, CH2, Unit): the unit of the column before each.

    By column; a column of units itself, i, is a key as -1 - i.
    """
    if table.own or table.by is not None:
        return {}
    units: dict[int, Unit] = {}
    for i in range(len(table.headers)):
        cells = {unit_cell(cell) for cell in table.cells(i)}
        if len(cells) == 1 and i not in table.time and (unit := cells.pop()[0]) is not None:
            units[i] = unit
    found: dict[int, Unit] = {}
    for i, unit in units.items():
        others = [j for j in range(i) if j not in table.time and j not in units]
        for j in others if len(units) == 1 else others[-1:]:
            found[j] = unit
        found[-1 - i] = unit
    return found


def unit_in_cells(table: Table, i: int) -> Unit | None:
    """Find the unit that stands behind every number of a column: 68.0 F."""
    numbers = (WITH_UNIT.fullmatch(cell) for cell in table.cells(i) if re.search(r"\d", cell))
    letters = {match[1].lower() if match else "" for match in numbers}
    letter = letters.pop() if len(letters) == 1 else ""
    return "f" if letter in ("f", "℉") else "c" if letter in ("c", "℃") else None


def kelvin_or_type(table: Table, i: int, unit: Unit | None, options: CsvOptions) -> Unit | None:
    """Tell kelvins from thermocouples of type K: no fire's probe is at 20 K, a couple at 293 °C is."""
    header = table.headers[i]
    letter = re.search(r"[(\[]\s?K\s?[)\]]|[_, ]K$", header) is not None
    letter = letter and not re.search(r"(?<![a-z])(tc\d*|thermo\w*|typ|type|couple)(?![a-z])", header, re.I)
    if options.unit is not None or (unit is None and not letter):
        return unit
    numbers = [v for _, row in table.head if (v := as_number(row[i], table.decimal)) is not None]
    if not numbers or min(numbers) < _LEAST_KELVIN:
        return None if unit is None or numbers else unit
    if unit is None:
        what = "K may be kelvin, or a thermocouple of type K; say which with"
        ways = Hint("unit", "k", "for kelvin"), Hint("unit", "c", "for °C from a couple of type K")
        raise table.refuse(what, *ways, column=i, code="kelvin-or-type")
    return unit


def two_units(table: Table, i: int, named: Unit, below: Unit) -> CsvError:
    """Refuse a column whose name and row of units differ; offer what fits the air of a day."""
    numbers = [v for _, row in table.head if (v := as_number(row[i], table.decimal)) is not None]
    first = float(np.median(numbers[:3])) if numbers else 0.0
    of_air = {"c": (-30.0, 60.0), "f": (-22.0, 140.0), "k": (243.0, 333.0)}
    fit = [unit for unit in (below, named) if of_air[unit][0] <= first <= of_air[unit][1]]
    what = f"the name says {named.upper()}, the row of units {below.upper()}; say which holds with"
    ways = (Hint("unit", unit) for unit in fit or (below, named))
    return table.refuse(what, *ways, column=i, code="two-units")


def scaled(table: Table, i: int, scale: float) -> float:
    """Scale a column that holds parts of a degree, unless its numbers have decimals: a resolution."""
    header, parts = table.headers[i], f"{round(1 / scale)}"
    if all(re.fullmatch(r"[+\-−]?\d+", cell) for cell in table.cells(i) if is_number(cell)):
        table.guesses.append(f"{shown(header)} is in parts of a degree: divided by {parts}")
        return scale
    table.guesses.append(f"{shown(header)} has decimals: taken for whole degrees, not divided by {parts}")
    return 1.0
