"""Which columns of a table are probe temperatures, in what unit, and why the others aren't. Pure."""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from typing import Final

import numpy as np

from logger.conversion.printed import are_ids
from logger.exchange import csv_words
from logger.exchange.csv_cells import is_number, is_value, kind_of, numbers_in
from logger.exchange.csv_table import (
    Column,
    CsvError,
    CsvOptions,
    Hint,
    Table,
    Unit,
    find_columns,
    listed,
    shown,
)

MAX_WORTH: Final = 256  # if more columns may be temperatures, they are refused before they are read
_LEAST_KELVIN: Final = 200.0  # -73 °C: no probe in or near a fire has been colder. [K]
_FAHRENHEIT: Final = re.compile(r"(°|º|deg(rees?)?\.?) ?F\b|fahrenheit|units?\s*[:=]?\s*F\b", re.I)
_CELSIUS: Final = re.compile(r"(°|º|deg(rees?)?\.?) ?C\b|celsius", re.I)
_LETTERS: Final[dict[str, Unit]] = {"c": "c", "℃": "c", "f": "f", "℉": "f"}
_EXTREME: Final = re.compile(r"(?<![a-z])(min|max|minimum|maximum|std|stdev|sd)(?![a-z])")


def find_temperatures(
    table: Table, units_row: Sequence[str], above: Sequence[str], options: CsvOptions, named: frozenset[str]
) -> None:
    """Find a table's columns of temperatures, their names and units, and write them into the table.

    `above` are the cells above the header; `named` the columns that a plan names, in lower case. CsvError:
    there are none or too many, or a unit can mean two things.
    """
    table.by = _column_of_probes(table, options)
    keep, leave_out = _chosen(table, options.keep, "keep"), _chosen(table, options.leave_out, "leave out")
    beside, units = _units_beside(table)
    titles = " ".join(above)[:4000]
    unsaid: Unit = "f" if _FAHRENHEIT.search(titles) and not _CELSIUS.search(titles) else "c"
    letters = {h[:-1].casefold() for h in table.headers if h[-1:].isalpha() and h[-1] not in "CFKcfk"}
    all_told = any(csv_words.unit_cell(cell)[0] for cell in units_row)
    for i, header in enumerate(table.headers):
        if i in leave_out or i in units or i in (*table.time, table.by):
            continue
        plain, scale = csv_words.scale_in(header)
        # A letter is a name if others stand beside it: T1_A, T1_B, T1_C.
        lettered = re.search(r"[_ \d][CF]$", header, re.I) and header[:-1].casefold() in letters
        name, unit = csv_words.unit_in(plain) if not lettered else (plain, None)
        below = units_row[i] if i < len(units_row) else ""
        unit_below, other = csv_words.unit_cell(below)
        if unit and unit_below and unit != unit_below and options.unit is None:
            raise _two_units(table, i, unit, unit_below)
        unit = unit or unit_below or beside.get(i)
        each = None if unit or options.unit else _unit_in_cells(table, i)
        unit = unit or each
        scale = csv_words.scale_in(below)[1] if unit_below else scale
        sure = i in keep or bool({header.casefold(), name.casefold()} & named)
        why = None if i in keep else _why_not(table, i, unit, below.strip() if other else "", sure=sure)
        if why is None and keep and i not in keep:
            why = "not among the columns to keep"
        said = sure or unit is not None or csv_words.has_temperature_word(header)
        if why is None and all_told and not said:
            why = "the row of units has none for it"
        if why is not None:
            table.left_out += [(header, why)] * bool(why)
            continue
        if unit in (None, "k"):
            unit = _kelvin_or_type(table, i, unit, options)
        if unit is None and options.unit is None and re.search(r"\w[_ ]F$", header) and not lettered:
            table.guesses.append(f"{shown(header)} ends in F: taken as °F")
            name, unit = header[:-2], "f"
        column = Column(i, name or header, options.unit or unit or unsaid, sure=sure or unit is not None)
        column.told, column.each = options.unit is not None or unit is not None, each is not None
        _add(table, column)
        if scale != 1:
            column.scale = _scaled(table, i, scale)
    if not table.columns:
        raise _none(table)
    if len(table.columns) > MAX_WORTH and not named:
        raise too_many(table.name, table.names)
    _qualities(table)


def take_all(table: Table, options: CsvOptions) -> None:
    """Take all columns of a file of our own for temperatures, but those that are left out as asked.

    And volts and ohms, unless an apostrophe in front says that they are only a name.
    """
    keep, leave_out = _chosen(table, options.keep, "keep"), _chosen(table, options.leave_out, "leave out")
    for i, header in enumerate(table.headers):
        if i not in (*table.time, *leave_out) and (not keep or i in keep):
            if (volts := csv_words.VOLTS.search(header)) and header[0] != "'" and i not in keep:
                table.left_out.append((header, f"{volts[1]} {csv_words.OF_OTHER}"))
            else:
                _add(table, Column(i, header.removeprefix("'"), options.unit or "c", sure=True))
    if not table.columns:
        raise _none(table)
    other = [name for name in table.names if csv_words.says_other_unit(name)]
    if other and options.unit is None:
        what = f"{listed(other)}: read as °C, as all columns are where the first is time_s"
        table.guesses.append(what)


_COUNTS: Final = "only counts the rows or names the logger"


def _none(table: Table) -> CsvError:
    """Refuse a table in which no column is one of temperatures, and say why."""
    none = f"no column of temperatures besides {shown(table.headers[table.time[0]])}"
    because = "; ".join(f"{shown(header)} is left out: {why}" for header, why in table.left_out[:6])
    ways = [
        Hint("keep", name, "if that is one")
        for name, why in table.left_out
        if csv_words.OF_OTHER not in why and why != _COUNTS
    ]
    if not ways and any(csv_words.VOLTS.search(why) for _, why in table.left_out):
        because += ". Convert these to °C first, with the temperature of the cold junction"
    said_why = f" ({because})" if because else ""
    return table.refuse(none + said_why, *ways[:1], code="no-temperatures")


def _column_of_probes(table: Table, options: CsvOptions) -> int | None:
    """Find the column that names each row's probe, in a file with one row per reading."""
    others = [i for i in range(len(table.headers)) if i not in table.time]
    changing = [i for i in others if len(set(table.cells(i))) > 1]
    one_after_another = None
    for i, header in enumerate(table.headers):
        if i in table.time or any(i in find_columns(table.headers, one) for one in options.leave_out):
            continue
        cells = [row[i].strip() for _, row in table.head]
        kinds = sorted(set(cells))
        changes = sum(a != b for a, b in itertools.pairwise(cells))
        few = 1 < len(kinds) <= len(cells) // 2 and "" not in kinds
        three = len(others) == 2 or len({i, *changing}) == 2
        mixed = three and 2 * changes >= len(cells)
        key = csv_words.KEY.fullmatch(header) is not None
        numbered = few and (key or table.header_row is None) and all(kind.isdecimal() for kind in kinds)
        if numbered and are_ids([int(cell[:4]) for cell in cells], most=99):
            return i
        places = csv_words.ERROR_WORDS | csv_words.OPEN_WORDS if key else ()  # under, over
        texts = not any(is_value(cell) and cell.lower() not in places for cell in kinds)
        if all(csv_words.unit_cell(cell)[0] for cell in kinds):
            continue
        if few and ((texts and (mixed or key)) or (mixed and key and all(k.isdecimal() for k in kinds))):
            return i
        if three and key and texts and "" not in kinds and one_after_another is None:
            one_after_another = i  # one probe after another: the first may fill all the rows seen
    return one_after_another


def _qualities(table: Table) -> None:
    """Find the columns of GOOD and BAD beside readings: one for each, or one for all."""
    found = []
    for i, header in enumerate(table.headers):
        cells = {text.lower() for text in table.cells(i)}
        named = csv_words.QUALITY.search(header.replace("_", " ")) is not None
        words = cells <= csv_words.GOOD_WORDS | csv_words.BAD_WORDS and (
            named or bool(cells & csv_words.GOOD_WORDS)
        )
        coded = named and "192" in cells and all(cell.isdecimal() for cell in cells)
        if (words or coded) and i not in (*(column.at for column in table.columns), *table.time, table.by):
            found.append(i)
    ends = [*(column.at for column in table.columns[1:]), len(table.headers)]
    for column, end in zip(table.columns, ends, strict=True):
        beside = found if len(found) == 1 else [q for q in found if column.at < q < end]
        if beside:
            column.quality = beside[0]


def _chosen(table: Table, wanted: Sequence[str], what: str) -> set[int]:
    found: set[int] = set()
    for name in wanted:
        columns = find_columns(table.headers, name) or [
            i
            for i, header in enumerate(table.headers)
            if csv_words.unit_in(header)[0].casefold() == name.strip().casefold()
        ]
        if not columns and table.by is None:  # otherwise it may be a probe's name, found in the rows
            raise table.refuse(
                f"no column {name.strip()!r} to {what}; the columns are {listed(table.headers)}",
                code="no-column",
            )
        found.update(columns)
    return found


def _why_not(table: Table, i: int, unit: Unit | None, other_unit: str, *, sure: bool) -> str | None:
    """Say why a column is left out; "" if that needs no words, None if it isn't."""
    header = table.headers[i]
    cells = table.cells(i)
    if not cells and header == f"column {i + 1}":
        return ""
    if other_unit and unit is None:
        return f"{other_unit} {csv_words.OF_OTHER}"
    if sure:
        return None
    id_number = csv_words.KEY.fullmatch(header) and len(set(cells)) == 1 and cells[0].isdecimal()
    numbers = numbers_in(table, i)
    counts = csv_words.INDEX.fullmatch(header) and numbers and not any(n % 1 for n in numbers)
    if counts and csv_words.MAY_COUNT.fullmatch(header):
        counts = np.abs(np.diff(numbers)).max(initial=0) <= 1
    if unit is None and (counts or id_number):
        return _COUNTS
    if unit is None and csv_words.says_time(header):
        return "another time"
    if all(kind_of(cell) in ("datetime", "date", "clock") for cell in cells) and cells:
        return "another time"
    why = csv_words.why_no_temperature(header, unit) or _named_beside(table, i, unit)
    if table.by is not None and why == csv_words.A_STATE and 2 * len(numbers) > len(cells):
        why = None  # the state of each row's sensor
    if why is None and unit is None and i < min(table.time) and len(set(cells)) == 1:
        why = f"comes before the time and always says {shown(cells[0])}: names the logger"
    return why


def _named_beside(table: Table, i: int, unit: Unit | None) -> str | None:
    """Recognise columns by the names of others: `T1-T2`, `Top max` by `Top avg`, `Door_V1` by `Door_TC1`."""
    header = table.headers[i].casefold()
    headers = {other.casefold() for other in table.headers}
    parts = [part.strip() for part in re.split(r"[-−–]", header)]
    if len(parts) == 2 and set(parts) <= headers:
        return "the difference between two other columns"
    plain, *others = (re.sub(r"[ _.]+", " ", name) for name in (header, *headers - {header}))
    means = {_EXTREME.sub(mean, plain) for mean in ("avg", "mean", "average")}
    if _EXTREME.search(plain) and means & set(others):
        return "the mean of the same probe is there too"
    if match := re.fullmatch(r"(.* |)(sv|op|mv|co|out) ?(\d*)", plain):
        controlled = re.compile(rf"{re.escape(match[1])}(pv|sp|sv) ?{match[3]}")
        if any(map(controlled.fullmatch, others)):
            return f"a controller's {'set point' if match[2] == 'sv' else 'output'}, not a probe"
    match = re.fullmatch(r"(.*[a-z].*[_ \-.])(v|u|p|dp)(\d*)", table.headers[i], re.I)
    if match is None or unit is not None:
        return None
    if {f"{match[1]}{letters}{match[3]}".casefold() for letters in ("TC", "T", "Temp")} & headers:
        return f"{match[2]!r} beside thermocouples at the same places: not a temperature"
    return None


def _units_beside(table: Table) -> tuple[dict[int, Unit], set[int]]:
    """Find columns that hold only a unit (CH1, Unit, CH2, Unit), and the units of the columns before them."""
    units: dict[int, Unit] = {}
    if table.by is not None:
        return units, set()
    for i in range(len(table.headers)):
        cells = {csv_words.unit_cell(cell) for cell in table.cells(i)}
        if len(cells) == 1 and i not in table.time and (unit := cells.pop()[0]) is not None:
            units[i] = unit
    found: dict[int, Unit] = {}
    for i, unit in units.items():
        others = [j for j in range(i) if j not in table.time and j not in units]
        if len(units) == 1:
            why = {j: _why_not(table, j, None, "", sure=False) for j in others}
            others = [j for j in others if not why[j] or csv_words.MAY_COUNT.fullmatch(table.headers[j])]
        found |= dict.fromkeys(others if len(units) == 1 else others[-1:], unit)
    return found, set(units)


def _unit_in_cells(table: Table, i: int) -> Unit | None:
    """Find the unit, at first, that follows every number in a column: 68.0 F."""
    numbers = (csv_words.WITH_UNIT.fullmatch(cell) for cell in table.cells(i) if re.search(r"\d", cell))
    letters = [match[1].lower() if match else "" for match in numbers]
    units = [_LETTERS.get(letter) for letter in letters]
    return units[0] if units and None not in units else None


def _kelvin_or_type(table: Table, i: int, unit: Unit | None, options: CsvOptions) -> Unit | None:
    """Tell kelvin from type K: no probe in a fire is at 20 K, but a thermocouple may be at 293 °C."""
    header = table.headers[i]
    letter = re.search(r"[(\[]\s?K\s?[)\]]|[_, ]K$", header) is not None
    letter = letter and not re.search(r"(?<![a-z])(tc\d*|thermo\w*|typ|type|couple)(?![a-z])", header, re.I)
    if options.unit is not None or (unit is None and not letter):
        return unit
    numbers = numbers_in(table, i)
    if not numbers or min(numbers) < _LEAST_KELVIN:
        return None if unit is None or numbers else unit
    if unit is None and any(csv_words.unit_in(other)[1] == "c" for other in table.headers):
        table.guesses.append(f"{shown(header)} is taken as kelvin: others say °C")
    elif unit is None:
        what = "K may be kelvin or a type K thermocouple; say which with"
        ways = Hint("unit", "k", "for kelvin"), Hint("unit", "c", "for °C from a type K thermocouple")
        raise table.refuse(what, *ways, column=i, code="kelvin-or-type")
    return "k"


def _two_units(table: Table, i: int, named: Unit, below: Unit) -> CsvError:
    """Refuse a column whose name and row of units differ; offer the one that fits air temperature."""
    numbers = numbers_in(table, i)
    first = float(np.median(numbers[:3])) if numbers else 0.0
    of_air = {"c": (-30.0, 60.0), "f": (-22.0, 140.0), "k": (243.0, 333.0)}
    fit = [unit for unit in (below, named) if of_air[unit][0] <= first <= of_air[unit][1]]
    what = f"the name says {named.upper()}, the row of units {below.upper()}; say which is right with"
    ways = (Hint("unit", unit) for unit in fit or (below, named))
    return table.refuse(what, *ways, column=i, code="two-units")


def _scaled(table: Table, i: int, scale: float) -> float:
    """Scale a column in parts of a degree, unless its numbers have decimals: then it is a resolution."""
    header, parts = table.headers[i], f"{round(1 / scale)}"
    if all(re.fullmatch(r"[+\-−]?\d+", cell) for cell in table.cells(i) if is_number(cell)):
        table.guesses.append(f"{shown(header)} is in parts of a degree: divided by {parts}")
        return scale
    table.guesses.append(f"{shown(header)} has decimals: taken as whole degrees, not divided by {parts}")
    return 1.0


def _add(table: Table, column: Column) -> None:
    if column.name.casefold() in (name.casefold() for name in table.names):
        column.name = table.headers[column.at]
    table.columns.append(column)


def too_many(name: str, names: Sequence[str], most: int = 64) -> CsvError:
    """Refuse more columns than a rig has channels, and suggest which to keep."""
    groups: dict[str, list[str]] = {}
    for column in names:
        groups.setdefault(re.sub(r"\d+$", "*", column), []).append(column)
    called = {stem: stem if len(group) > 1 else group[0] for stem, group in groups.items()}
    kinds = [called[stem] + f" ({len(group)})" * (len(group) > 1) for stem, group in groups.items()]
    chosen: list[str] = []
    count = 0
    for stem, group in groups.items():
        if count + len(group) <= most and not set(stem) & set("[]?"):
            chosen.append(called[stem])
            count += len(group)
    what = f"{len(names)} columns, more than {most}: {listed(kinds)}; say which are probes with"
    first = Hint("keep", tuple(chosen[:20] or names[:20]), "for the first of them")
    none = Hint("leave_out", None, "for those that aren't; or give a plan that names the probes")
    return CsvError(what, first, none, file=name, code="too-many-columns")
