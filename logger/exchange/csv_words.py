"""Words in CSV files: units, names of what is no temperature, what stands for no reading. Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from logger.exchange.csv_table import Unit


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split("|"))


NO_READING: Final = _words(
    "|-|--|---|----|-----|*|**|***|****|?|??|???|.|--.-|---.-|nan|na|n/a|n.a.|#n/a|#num!|#value!|"
    r"#ref!|#div/0!|null|none|nil|nodata|\n|(null)|<na>|undefined|k.a.|s/d|n/d|n.d.|no data|"
    "no reading|missing|-nan|nan.0|1.#qnan|-1.#ind|blank|off|x|xxx"
)
"""Words in place of a reading that say only that there is none."""
OPEN_WORDS: Final = _words(
    "ol|o.l|o.l.|+ol|-ol|0l|over|overload|overrange|over range|+over|-over|open|open tc|opentc|"
    "open circuit|burnout|burn out|b.out|disconnected|unplugged|unplug|unconnected|not connected|"
    "no tc|hhhh|uuuu|no sensor|no probe"
)
"""Words for a thermocouple that is broken or not connected."""
GOOD_WORDS: Final = frozenset({"ok", "good", "g", "valid", "normal", "pass", "passed"})
"""Words beside a reading for one that can be believed."""
ERROR_WORDS: Final = _words(
    "err|err.|error|erreur|fehler|fault|fail|failed|bad|invalid|short|under|underrange|under range|"
    "llll|lo|hi|sens.err|sens err|sensor error|sensor fault|tc error"
)
"""Words for any other fault of the instrument."""
BAD_WORDS: Final = (OPEN_WORDS | ERROR_WORDS | {"b"}) - {"hi", "lo"}
"""Words beside a reading for one that can't be believed; `hi` and `lo` speak of limits."""

INDEX: Final = re.compile(
    r"#|(no|nr|n°|n|index|idx|record|recnum|rec(ord)?[ _]?(no|nr|number|#)|rec|scan|sample|row|"
    r"line|id|pos|reading|table|result|page|"
    r"(serial|device|logger|station)([ _]?(id|no|nr|number))?|s/?n|counts?)\.?|lfd\.? ?nr\.?",
    re.I,
)
KEY: Final = re.compile(
    r"(sensor|channel|probe|device|node|tag|name|address|chan|input|unit|module|board|station|entity|place|"
    r"position|location|port|topic|series)s?[ _]?(id|no|nr|number|name)?\.?",
    re.I,
)
"""Headers of a column that says of each row which probe it is of."""
QUALITY: Final = re.compile(r"(?<![a-z])(quality|status|state|faults?|errors?|flags?|valid)(?![a-z])", re.I)
"""Headers of a column that says of the reading beside it whether it can be believed."""
QUANTITY: Final = re.compile(
    r"quantity|parameter|measurand|measurement|variable|metric|property|kind|type", re.I
)
"""Headers of a column that says of each row what was measured."""
TIME_WORD: Final = re.compile(
    r"(?<![a-z])(time|times|timestamp|date|datetime|elapsed|duration|clock|zeit|uhrzeit|datum|zeitstempel|heure|"
    r"hora|fecha|tijd|tid|seconds|minutes|hours|millis|epoch|unixtime)(?![a-z])",
    re.I,
)

# ø and ¡ are degree signs of older code pages, read as Latin-1.
_DEGREES: Final = r"(?:°|º|Â°|˚|�|(?<![^\W\d_])[ø¡]|deg(?:rees?)?\.?)\s?"
# No bare K: "(K)" is a thermocouple of type K at least as often as a kelvin.
_UNIT: Final = re.compile(
    rf"[\s_,;:/\-]*[(\[]\s?(?:{_DEGREES}|\?\s?)?([CF])\s?[)\]]|[\s_,;:/\-]*{_DEGREES}([CF])(?![A-Za-z])"
    rf"|[\s_,;:/\-]*[(\[]\s?{_DEGREES}(K)\s?[)\]]|[\s_,;:/\-]*{_DEGREES}(K)(?![A-Za-z])"
    r"|[\s_,;:/\-]*[(\[]?(?:deg(?:rees?)?[\s_]?)?(celsius|fahrenheit|kelvin)[)\]]?"
    r"|(?<=temp)[\s_]?([CF])$|(?<=temperature)[\s_]?([CF])$|(?<=\d)_([CF])$|[\s,]+\?([CF])$"
    r"|(?<=^t\d)([CF])$|(?<=^t\d\d)([CF])$|(?<=^tc\d)([CF])$|(?<=temp\d)([CF])$|(?<=^temp)([CF])(?=\d+$)",
    re.I,
)
_LETTER_AT_END: Final = re.compile(r"[_ ]([CF])$", re.I)  # of a header that says temperature: temp_upper_F
_OTHER: Final = (
    r"%(?:\s?(?:rh|r\.h\.|rf|o2|co2|vol))?|rh|[mµuk]?v(?:dc|ac|olts?)?|volts?|[mµ]?a(?:mps?)?|[mk]?w|[mk]?wh|"
    r"[hkm]?pa|m?bar|psi|in ?hg|mm ?hg|inh2o|ppm|ppb|vol ?%|lux|lx|m/s|m/min|km/h|mph|ft/s|kn|rpm|"
    r"k?g|mg|lbs?|oz|"
    r"[km]?m|cm|in|ft|l|ml|k?ohms?|[kMm]?Ω|[kM]?hz|dbm?|deg|bits?|counts?|cts|#|\w{1,4}/\w{1,4}[23²³]?|W/m\^?2"
)
_OTHER_UNIT: Final = re.compile(rf"[(\[]\s?({_OTHER})\s?[)\]]|,\s?({_OTHER})$|\s(%)$", re.I)
WITH_UNIT: Final = re.compile(r"[+\-−]?\d+(?:[.,]\d*)?\s*(?:°|º|deg)?\s*([CFK℃℉])", re.I)
"""A number with its unit behind it: 68.0 F."""
_ONE_SIGN: Final = str.maketrans({"℃": "°C", "℉": "°F"})
_PARTS: Final = {"1": 1.0, "10": 0.1, "100": 0.01, "1000": 0.001}
_SCALE: Final = re.compile(
    rf"(?:0[.,](?P<noughts>0*)1|1\s?/\s?(?P<part>1000?|10))\s?[*x×·]?\s?(?={_DEGREES}[CFK]\b|[CFK]\b)"
    r"|(?:(?<=[CF])|(?<=[CF]\s))(?:[*x×·/]|times)\s?(?P<times>1000?|10)\b(?!\s?(?:s|min|h))"
    r"|(?P<word>tenths?|hundredths?|thousandths?)\s(?:of\s(?:a\s)?)?(?=°|deg|[CF]\b)"
    r"|(?:(?<![^\W_])(?P<prefix>[dcm])|(?P<long>deci|centi|milli)[\s-]?)(?=(?:°|º|deg(?:rees?)?\s?)[CFK]?)"
    r"|(?<=\w)[_ ][x×](?P<tail>1000?|10)$",
    re.I,
)
_WORTH: Final = {
    "tenth": 0.1,
    "hundredth": 0.01,
    "thousandth": 0.001,
    "d": 0.1,
    "c": 0.01,
    "m": 0.001,
    "deci": 0.1,
    "centi": 0.01,
    "milli": 0.001,
}
_TEMPERATURE_UNIT: Final = re.compile(rf"(?:{_DEGREES}|\?)?([CFK])|celsius|fahrenheit|kelvin", re.I)
_TIME_UNIT: Final = re.compile(
    r"[mµu]?s|sec(onds?)?|min(utes?)?|h(ours?|rs?)?|d(ays?)?|(?=.*[:./\-])[dmyhsatp:./\- ]{4,}|"
    r"ts|rn|utc|gmt|local",
    re.I,
)
_TYPE: Final = re.compile(r"(?:(?:type|typ|tc|t/c|thermocouple)[\s\-:]*)?[KJNTSREB]", re.I)
VOLTS: Final = re.compile(r"(?<![a-z])(m ?v|[uµμ]v|volts?|ohms?)(?![a-z])", re.I)
_PROCESSED: Final = re.compile(r"smp|avg|average|mean|max|min|std|tot|inst|sample|", re.I)
_TEMPERATURE_WORD: Final = re.compile(
    r"temp|°|therm|probe|pyro|(?<![a-z])(tc|rtd|pt ?\d*|t)(?![a-z])|celsius|grad", re.I
)
_LENGTH: Final = re.compile(r"^(weight|mass|height|depth|width|length|distance)\s?\d*$", re.I)
_OTHER_WORDS: Final = (
    (
        "a humidity",
        re.compile(
            r"humid|moisture|feuchte|dew ?point|salinity|(?<![a-z])(r\.?h\.?|vwc|ec|ph|tds)(?![a-z])",
            re.I,
        ),
    ),
    (
        "a battery or a supply",
        re.compile(r"batt|akku|(?<![a-z])(bat|vcc|vin|vbat|supply|volts?|voltage|spannung)(?![a-z])", re.I),
    ),
    ("a pressure", re.compile(r"pressure|(?<![a-z])(baro\w*|druck|press)(?![a-z])", re.I)),
    (
        "a count",
        re.compile(
            r"(?<![a-z])(counts?|counter|recnum|record|packets?|seq(uence)?|index|scan ?(no|num\w*)?)"
            r"(?![a-z])",
            re.I,
        ),
    ),
    ("a radio's signal", re.compile(r"(?<![a-z])(rssi|snr|lqi|signal)(?![a-z])", re.I)),
    (
        "a flow or a speed",
        re.compile(
            r"velocity|(?<![a-z])(vel|speed|flow|wind ?(dir|gust|speed)\w*|gusts?)(?![a-z])|^wind$", re.I
        ),
    ),
    (
        "a heat flow or a power",
        re.compile(
            r"(?<![a-z])(hrr\w*|[gtr]?hf[gs]?(?=\s?[\d.]|$)|heat ?(flux|release)\w*|power|watts?|energy|mlr)"
            r"(?![a-z])",
            re.I,
        ),
    ),
    ("a current", re.compile(r"(?<![a-z])(current|amps?|ampere)(?![a-z])", re.I)),
    ("a gas", re.compile(r"(?<![a-z])(o2|co2|co|oxygen|carbon \w+|ppm)(?![a-z])", re.I)),
    ("a weight or a length", _LENGTH),
    ("a place", re.compile(r"^(lat(itude)?|lon(g(itude)?)?|alt(itude)?|gps.*|satell?ites?|sats)$", re.I)),
    ("weather or light", re.compile(r"(?<![a-z])(rain\w*|lux|light|solar|radiation)(?![a-z])", re.I)),
    (
        "a state",
        re.compile(
            r"(?<![a-z])(status|state|alarms?|error ?(code)?|flags?|events?|marker|mode|quality|qos|retain|"
            r"payloadlen|priority|severity|level|pid)(?![a-z])",
            re.I,
        ),
    ),
    (
        "a programme's step",
        re.compile(r"^(segment|ramp( rate)?|rate|program(me)?|step|cycle)\s?\d*$", re.I),
    ),
    ("an output", re.compile(r"(?<![a-z])(output|valve|duty|pwm|relay|damper)(?![a-z])", re.I)),
    (
        "a resistance or a raw value",
        re.compile(r"(?<![a-z])(resistance|ohms?|emf|adc|raw|mv|uv|µv)(?![a-z])", re.I),
    ),
)
_NO_PROBE: Final = (
    ("worked out of the air", re.compile(r"wind ?chill|heat ?index|dew ?point|feels? ?like|wet ?bulb", re.I)),
    (
        "a state or a limit",
        re.compile(r"(?<![a-z])(errors?|alarms?|status|faults?|flags?|limits?|units?|valid)\s*\d*$", re.I),
    ),
    (
        "a part of the time",
        re.compile(r"^(year|yr|yyyy|month|mon|day|hour|hr|hh|minute|min|second|sec|ss)s?\.?$", re.I),
    ),
    (
        "a rate or a difference",
        re.compile(
            r"(?<![a-z])(delta|diff(erence)?|rate|slope|gradient|d ?t ?/ ?d ?t)(?![a-z])|Δ"
            r"|(?<![a-z])[CFK]\)? ?(/|per) ?(s|sec|min|h|hr|hour)\w*",
            re.I,
        ),
    ),
    (
        "a set point",
        re.compile(
            r"set ?-?point|(?<![a-z])set temp\w*|(?<![a-z])(sollwert|soll|sp|target temp\w*)(?![a-z])"
            r"|(?<![a-z])target\s?\d*(\s?[(\[°,].*)?$",
            re.I,
        ),
    ),
    (
        "the instrument's own temperature",
        re.compile(r"(?<![a-z])(cpu|mcu|board|chip|pcb|logger|device|enclosure) ?t(emp\w*)?(?![a-z])", re.I),
    ),
    (
        "the logger's own cold junction",
        re.compile(r"cold ?junction|(?<![a-z])(cjc?|cj ?temp|ref ?junction)(?![a-z])", re.I),
    ),
)


def scale_in(header: str) -> tuple[str, float]:
    """Take out of a header, or a unit, what it says of tenths or hundredths of a degree.

    The header without it, and what the numbers below are multiplied by (1 where it says nothing).
    """
    text = header.translate(_ONE_SIGN)
    match = _SCALE.search(text)
    if match is None:
        return header, 1.0
    said = {name: found.lower() for name, found in match.groupdict().items() if found is not None}
    word = next((said[name] for name in ("word", "prefix", "long") if name in said), None)
    if word is not None:
        scale = _WORTH[word.rstrip("s")]
    elif "noughts" in said:
        scale = 0.1 ** (len(said["noughts"]) + 1)
    else:
        scale = 1 / int(next(said[name] for name in ("part", "times", "tail") if name in said))
    return text[: match.start()] + text[match.end() :], round(scale, 6)


OF_OTHER: Final = "is no unit of temperature"
"""Why a column is left out that says a unit of something else."""


def unit_in(header: str) -> tuple[str, Unit | None]:
    """Split a header into the name and the unit of temperature, where it says one."""
    header = header.translate(_ONE_SIGN)
    match = _UNIT.search(header) or ("temp" in header.lower() and _LETTER_AT_END.search(header)) or None
    if match is None:
        return header, None
    letter = next(group for group in match.groups() if group)[0].lower()
    unit: Unit = "f" if letter == "f" else "k" if letter == "k" else "c"
    after = header[match.end() :].strip(" ,;")
    name = " ".join(part for part in (header[: match.start()].strip(), after) if part)
    return name.strip("_ ") or name, unit


def unit_cell(cell: str) -> tuple[Unit | None, bool]:
    """Read a cell of a row of units: its unit of temperature, or whether it is a unit of something else."""
    text = scale_in(cell.translate(_ONE_SIGN))[0].strip().strip("()[]\"'").strip()
    match = _TEMPERATURE_UNIT.fullmatch(text)
    if match is not None:
        letter = (match[1] or text)[0].lower()
        return ("f" if letter == "f" else "k" if letter == "k" else "c"), False
    return None, bool(text) and text not in ("-", "--", "?", "n/a") and _PROCESSED.fullmatch(text) is None


def is_unit(cell: str) -> bool:
    """Say whether a cell is a unit of temperature or a well-known other one: neither `GOOD` nor `upper`."""
    text = cell.translate(_ONE_SIGN).strip().strip("()[]").strip()
    return any(unit.fullmatch(text) for unit in (_TEMPERATURE_UNIT, re.compile(_OTHER, re.I)))


def is_units_row(row: Sequence[str]) -> bool:
    """Say whether a row is one of units: more than one of them, and nothing else."""
    plain = (scale_in(cell.translate(_ONE_SIGN))[0].strip() for cell in row)
    filled = [text for cell in plain if (text := cell.strip("()[]\"'").strip())]
    return len(filled) > 1 and all(
        len(text) < 24
        and (
            text in ("-", "--", "n/a", "none")
            or any(unit.fullmatch(text) for unit in (_TEMPERATURE_UNIT, _TIME_UNIT))
            or re.fullmatch(_OTHER, text, re.I)
        )
        for text in filled
    )


def is_units_below(row: Sequence[str], above: Sequence[str]) -> bool:
    """Say whether a row below names is one of units: some of temperature, or one of time below `Time`."""
    units = [bool(_TEMPERATURE_UNIT.fullmatch(cell.strip().strip("()[]"))) for cell in row]
    names = [bool(_TEMPERATURE_UNIT.fullmatch(cell.strip().strip("()[]"))) for cell in above]
    timed = any(
        TIME_WORD.search(name.replace("_", " ")) or name.strip() == "t"
        for name, cell in zip(above, row, strict=False)
        if _TIME_UNIT.fullmatch(cell.strip().strip("()[]"))
    )
    return len(row) == len(above) and not any(names) and (sum(units) > 1 or timed)


def is_types_row(row: Sequence[str]) -> bool:
    """Say whether a row tells two probes' types or more (`Type K`, `TC K`), beside other instruments."""
    types = [bool(_TYPE.fullmatch(cell.strip())) for cell in row[1:]]
    first = row[0].strip() if row else ""
    beside = sum(1 for cell in row[1:] if cell.strip())
    named = not first or re.fullmatch(r"(sensor |probe |input )?types?|typ", first, re.I) is not None
    return named and sum(types) > 1 and 2 * sum(types) >= beside


def is_processing_row(row: Sequence[str]) -> bool:
    """Say whether a row says of each column how it was sampled: `Smp`, `Avg`."""
    return any(cell.strip() for cell in row) and all(_PROCESSED.fullmatch(cell.strip()) for cell in row)


def has_temperature_word(header: str) -> bool:
    """Say whether a header speaks of a temperature or a probe."""
    return _TEMPERATURE_WORD.search(header.replace("_", " ")) is not None


def why_no_time(header: str, below: str) -> str | None:
    """Say why numbers are no times: by a unit in their header or below it in the row of units, or by name."""
    if TIME_WORD.search(header.replace("_", " ")) or re.match(r"t(?![a-z\d])", header, re.I):
        return None
    other = _OTHER_UNIT.search(header)
    unit = next((said for said in (other.groups() if other else ()) if said), below.strip(" ()[]"))
    if unit and _TIME_UNIT.fullmatch(unit) is None and re.fullmatch(_OTHER, unit, re.I):
        return f"is in {unit}"
    return "is a weight or a length" if _LENGTH.search(header) else None


def why_no_temperature(header: str, unit: Unit | None) -> str | None:
    """Say what else than a probe's temperature a column is by its header, None where it may well be one.

    `unit` is what the file says of it.
    """
    text = header.replace("_", " ")
    for what, words in _NO_PROBE:
        if words.search(text):
            return f"{what}, no probe"
    if unit is not None:
        return None
    other = _OTHER_UNIT.search(header)
    unit_said = (other[1] or other[2] or other[3]) if other is not None else ""
    if len(unit_said) > 1 or unit_said == "%" or (unit_said and not _TEMPERATURE_WORD.search(text)):
        return f"{unit_said} {OF_OTHER}"
    if volts := VOLTS.search(text):
        return f"{volts[1]} {OF_OTHER}"
    if _TEMPERATURE_WORD.search(text):
        return None
    return next((f"{what}, no temperature" for what, words in _OTHER_WORDS if words.search(text)), None)
