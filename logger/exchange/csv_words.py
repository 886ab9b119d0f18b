"""Words in CSV files: units, names of other quantities, words for "no reading". Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from logger.exchange.csv_table import Unit


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split("|"))


NO_READING: Final = _words(
    "|-|--|---|----|-----|*|**|***|****|?|??|???|.|--.-|---.-|nan|na|n/a|n.a.|#n/a|#num!|#value!|"
    r"#ref!|#div/0!|#nv|#n/d|#n/b|#wert!|#valeur!|#valor!|"
    r"null|none|nil|nodata|\n|(null)|<na>|undefined|k.a.|s/d|n/d|n.d.|no data|"
    "no reading|missing|-nan|nan.0|1.#qnan|-1.#ind|blank|off|x|xxx|unavailable|unknown"
)
"""Words that only say there is no reading."""
OPEN_WORDS: Final = _words(
    "ol|o.l|o.l.|+ol|-ol|0l|over|overload|overrange|over range|+over|-over|open|open tc|opentc|"
    "open circuit|burnout|burn out|b.out|disconnected|unplugged|unplug|unconnected|not connected|"
    "no tc|hhhh|uuuu|no sensor|no probe"
)
"""Words for a broken or unconnected thermocouple."""
GOOD_WORDS: Final = frozenset({"ok", "good", "g", "valid", "normal", "pass", "passed"})
"""Words beside a reading that can be believed."""
ERROR_WORDS: Final = _words(
    "err|err.|error|erreur|fehler|fault|fail|failed|bad|invalid|short|under|underrange|under range|"
    "llll|lo|hi|s.br|sbr|sens.err|sens err|sensor error|sensor fault|tc error"
)
"""Words for any other instrument fault."""
BAD_WORDS: Final = (OPEN_WORDS | ERROR_WORDS | {"b"}) - {"hi", "lo"}
"""Words beside a reading that can't be believed; `hi` and `lo` are about limits."""

INDEX: Final = re.compile(
    r"#|(no|nr|n°|n|index|idx|record|recnum|rec(ord)?[ _]?(no|nr|number|#)|rec|scan|sample|row|"
    r"line|id|pos|reading|table|result|page|"
    r"(serial|device|logger|station)([ _]?(id|no|nr|number))?|s/?n|counts?)\.?|lfd\.? ?nr\.?",
    re.I,
)
MAY_COUNT: Final = re.compile(r"reading|result", re.I)
"""Headers of a column that counts rows, or has what was read."""
KEY: Final = re.compile(
    r"(sensor|channel|probe|device|node|tag|name|address|chan|input|unit|module|board|station|entity|place|"
    r"position|location|port|topic|series|ch|kanal|fühler|messstelle|sonde|capteur|voie|canal|meetpunt|"
    r"канал|датчик|通道|チャンネル)s?[ _]?(id|no|nr|number|name)?\.?",
    re.I,
)
"""Headers of a column that names each row's probe."""
QUALITY: Final = re.compile(r"(?<![a-z])(quality|status|state|faults?|errors?|flags?|valid)(?![a-z])", re.I)
"""Headers of a column that says whether the reading beside it can be believed."""
QUANTITY: Final = re.compile(
    r"quantity|parameter|measurand|measurement|variable|metric|property|kind|type", re.I
)
"""Headers of a column that says what each row measured."""
TIME_WORD: Final = re.compile(
    r"(?<![a-z])(time|times|timestamp|date|datetime|elapsed|duration|clock|zeit|uhrzeit|datum|zeitstempel|heure|"
    r"hora|fecha|tijd|tid|seconds|minutes|hours|millis|epoch|unixtime|uptime)(?![a-z])",
    re.I,
)
_IN_SECONDS: Final = re.compile(r"\w\s?[(\[](m?s|sec|h)[)\]]$")

# ø and ¡ are degree signs from older code pages, read as Latin-1.
_DEGREES: Final = r"(?:°|º|Â°|˚|�|(?<![^\W\d_])[ø¡]|deg(?:rees?)?\.?|gr[aá]d(?:os|i)?)\s?"
# No bare K: "(K)" means a type K thermocouple at least as often as kelvin.
_UNIT: Final = re.compile(
    rf"[\s_,;:/\-]*[(\[]\s?(?:{_DEGREES}|\?\s?)?([CF])\s?[)\]]|[\s_,;:/\-]*{_DEGREES}([CF])(?![A-Za-z])"
    rf"|[\s_,;:/\-]*[(\[]\s?{_DEGREES}(K)\s?[)\]]|[\s_,;:/\-]*{_DEGREES}(K)(?![A-Za-z])"
    r"|(?:\s|(?<=\bT))/\s?(K)$"  # a quantity divided by its unit, as in tables of physics
    r"|[\s_,;:/\-]*[(\[]?(?:deg(?:rees?)?[\s_]?)?(celsius|fahrenheit|kelvin)[)\]]?"
    r"|(?<=temp)[\s_]?([CF])$|(?<=temperature)[\s_]?([CF])$|(?<=\d)_([CF])$|[\s,]+\?([CF])$"
    r"|(?<=^t\d)([CF])$|(?<=^t\d\d)([CF])$|(?<=^tc\d)([CF])$|(?<=temp\d)([CF])$|(?<=^temp)([CF])(?=\d+$)",
    re.I,
)
_LETTER_AT_END: Final = re.compile(r"(?:[_ ]([CF])|(?<=\w)/([CFK]))$", re.I)  # temp_upper_F, T_wall/K
_OF_TEMPERATURE: Final = re.compile(r"t_.+[_/]|.*temp", re.I)  # t_f may be one of t_a to t_h
_OTHER: Final = (
    r"%(?:\s?(?:rh|r\.h\.|rf|o2|co2|vol))?|rh|[mµuk]?v(?:dc|ac|olts?)?|volts?|[mµ]?a(?:mps?)?|[mk]?w|[mk]?wh|"
    r"[hkm]?pa|m?bar|psi|in ?hg|mm ?hg|inh2o|ppm|ppb|vol ?%|lux|lx|m/s|m/min|km/h|mph|ft/s|kn|rpm|"
    r"°r[aé]?|rankine|k?g|mg|lbs?|oz|"
    r"[km]?m|cm|in|ft|l|ml|k?ohms?|[kMm]?Ω|[kM]?hz|dbm?|deg|bits?|counts?|cts|#|\w{1,4}/\w{1,4}[23²³]?|W/m\^?2"
)
_OF_OTHER: Final = re.compile(_OTHER, re.I)
_OTHER_UNIT: Final = re.compile(
    rf"[(\[]\s?({_OTHER})\s?[)\]]|,\s?({_OTHER})$"
    r"|[\s_](%|k?g(?:/m[3³])?|[hk]?Pa|k?m/?[sh]|m?bar|mV|rpm|ppm|kWh?|°R[aé]?)$",
    re.I,
)
WITH_UNIT: Final = re.compile(r"[+\-−]?\d+(?:[.,]\d*)?\s*(?:°|º|deg)?\s*([CFK℃℉])", re.I)
"""A number followed by its unit: 68.0 F."""
_ONE_SIGN: Final = str.maketrans({"℃": "°C", "℉": "°F"})
_SCALE: Final = re.compile(
    rf"(?:0[.,](?P<noughts>0*)1|1\s?/\s?(?P<part>1000?|10))\s?[*x×·]?\s?(?={_DEGREES}[CFK]\b|[CFK]\b)"
    r"|(?:(?<=[CF])|(?<=[CF]\s))(?:[*x×·/]|times)\s?(?P<times>1000?|10)\b(?!\s?(?:s|min|h))"
    r"|(?P<word>tenths?|hundredths?|thousandths?)\s(?:of\s(?:a\s)?)?(?=°|deg|[CF]\b)"
    r"|(?:(?<![^\W_])(?P<prefix>[dcm])|(?P<long>deci|centi|milli)[\s-]?)(?=(?:°|º|deg(?:rees?)?\s?)[CFK]?)"
    r"|(?<=\w)[_ ][x×](?P<tail>1000?|10)$",
    re.I,
)
_WORTH: Final = {"t": 0.1, "d": 0.1, "h": 0.01, "c": 0.01, "th": 0.001, "m": 0.001}
"""Tenths, deci; hundredths, centi; thousandths, milli: by first letters."""
_UNITS: Final[dict[str, Unit]] = {"c": "c", "f": "f", "k": "k"}
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
    r"temp|°|therm|probe|pyro|(?<![a-z])(tc|rtd|pt ?\d*|t)(?![a-z])|celsius|(?<![^\W\d_])grad", re.I
)


def _told_by(table: str) -> tuple[tuple[str, re.Pattern[str]], ...]:
    """Compile patterns of what a name stands for, one a line; «…» encloses whole words."""
    rows = (row.split(": ", 1) for row in table.strip().replace("\n  ", "").split("\n"))
    whole = {"«": "(?<![a-z])(", "»": ")(?![a-z])"}
    return tuple(
        (what, re.compile(re.sub("[«»]", lambda m: whole[m[0]], words), re.I)) for what, words in rows
    )


A_STATE: Final = "a state, not a temperature"
_OTHER_WORDS: Final = _told_by(
    r"""
a humidity: humid|moisture|feuchte|feuchtigkeit|humedad|umidit|umidade|vochtig|fukt|fugtig|wilgotn|vlhkos|
  вла[жг]|волог|υγρασ|kosteus|páratart|湿度|습도|dew ?point|salinity|«r\.?h\.?|vwc|ec|ph|tds|nem»
a battery or a supply: batt|bater[iíj]|батаре|akku|«bat|pil|accu|vcc|vin|vbat|supply|volts?|voltage|
  spannung|tensi[oó]n|spanning»
a pressure: pressure|presi[oó]n|pressione?\b|luftdruck|luchtdruk|давлен|气压|気圧|«baro\w*|druck|press»
a count: «counts?|counter|recnum|record|packets?|seq(uence)?|index|scan ?(no|num\w*)?|boots?|crc\d*|
  checksum|(free ?)?heap|loop (us|ms|time)»
a radio signal: «rssi|snr|lqi|signal»
a flow or speed: velocity|«vel|accel|speed|flow|dir(ection)?|wind ?(dir|gust|speed)\w*|gusts?»|^wind$
a heat flow or a power: «hrr\w*|[gtr]?hf[gs]?(?=\s?[\d.]|$)|heat ?(flux|release)\w*|power|watts?|energy|mlr|
  leistung|puissance|potencia|potenza|vermogen|мощность»
a current: «current|amps?|ampere»
a gas: «o2|co2|co|nox|lambda|oxygen|carbon \w+|ppm»
a weight or a length: ^(weight|mass|height|depth|width|length|distance)\s?\d*$
a place: ^(lat(itude)?|lon(g(itude)?)?|alt(itude)?|gps.*|satell?ites?|sats|[hvp]dop|accuracy|bearing|
  heading)( \(?m\)?)?$
weather or light: «rain\w*|lux|light|solar|radiation»
a state: «status|state|alarms?|error ?(code)?|flags?|events?|marker|mode|quality|qos|retain|payloadlen|
  priority|severity|level|pid»
a programme's step: ^(seg(ment)?|ramp( rate)?|rate|program(me)?|step|cycle)\s?\d*$
an output: «output|out ?[([]?%|integral|derivative|valve|duty|pwm|relay|damper|stellgrad|stellwert|
  出力|输出»
a resistance or raw value: «resistance|ohms?|emf|adc|raw|mv|uv|µv»
"""
)
_LENGTH: Final = dict(_OTHER_WORDS)["a weight or a length"]
_NO_PROBE: Final = _told_by(
    r"""
calculated from the weather: wind ?chill|heat ?index|dew ?point|feels? ?like|wet ?bulb
a state or limit: (?<![a-z])(errors?|alarms?|status|faults?|flags?|limits?|units?|valid)\s*\d*$
part of the time: ^(year|yr|yyyy|month|mon|day|hour|hr|hh|minute|min|second|sec|ss)s?\.?$
a rate or difference: «delta|diff(erence)?|rate|slope|gradient|d ?t ?/ ?d ?t|anstieg|steigung|pente|
  stijging»|Δ|(?<![a-z])[CFK]\)? ?(/|per) ?(s|sec|min|h|hr|hour)\w*
a set point: set ?-?point|s[æe]tt?punkt|(?<![a-z])set temp\w*|«sollwert|soll|sp|target temp\w*|vorgabe|
  consign[ea]|börvärde|asetus\w*|[zž][aá]dan\w*|задан\w*|gewenst\w*|ayar\w*|уставка|設定\w*|
  设定\w*»|(?<![a-z])target\s?\d*(\s?[(\[°,].*)?$
the instrument's own temperature: (?<![a-z])(cpu|mcu|board|chip|pcb|logger|device|
  enclosure) ?t(emp\w*)?(?![a-z])
the logger's own cold junction: cold ?junction|«cjc?|cj ?temp|ref ?junction|kaltstelle|vergleichsstelle|
  klemmentemp\w*|soudure froide|uni[oó]n fr[ií]a|giunto freddo|koude las|冷端\w*»
"""
)


def scale_in(header: str) -> tuple[str, float]:
    """Take "tenths" or "hundredths" of a degree out of a header or unit.

    Returns the text without it, and the factor for the numbers below (1 if it says nothing).
    """
    text = header.translate(_ONE_SIGN)
    match = _SCALE.search(text)
    if match is None:
        return header, 1.0
    if word := (match["word"] or match["prefix"] or match["long"] or "").lower():
        scale = _WORTH["th" if word.startswith("th") else word[0]]
    elif match["noughts"] is not None:
        scale = 0.1 ** (len(match["noughts"]) + 1)
    else:
        scale = 1 / int(match["part"] or match["times"] or match["tail"])
    of_kelvin = text[match.end() : match.end() + 1] == "K"  # no thermocouple comes in tenths
    return text[: match.start()] + "°" * of_kelvin + text[match.end() :], round(scale, 6)


OF_OTHER: Final = "is not a unit of temperature"  # why a column with another unit is left out


def unit_in(header: str) -> tuple[str, Unit | None]:
    """Split a header into its name and its unit of temperature, if any."""
    header = header.translate(_ONE_SIGN)
    match = _UNIT.search(header) or (_OF_TEMPERATURE.match(header) and _LETTER_AT_END.search(header))
    if match is None:
        return header, None
    unit = _UNITS[next(group for group in match.groups() if group)[0].lower()]
    after = header[match.end() :].strip(" ,;")
    name = " ".join(part for part in (header[: match.start()].strip(), after) if part)
    return name.strip("_ ") or name, unit


def _bare(cell: str) -> str:
    """Strip a unit of its brackets, and of words for parts of a degree."""
    return scale_in(cell.translate(_ONE_SIGN))[0].strip().strip("()[]\"'").strip()


def unit_cell(cell: str) -> tuple[Unit | None, bool]:
    """Read a cell in a row of units: its unit of temperature, and whether it is some other unit."""
    text = _bare(cell)
    match = _TEMPERATURE_UNIT.fullmatch(text)
    if match is not None:
        return _UNITS[(match[1] or text)[0].lower()], False
    return None, text not in ("", "-", "--", "?", "n/a") and _PROCESSED.fullmatch(text) is None


def is_unit(cell: str) -> bool:
    """Whether a cell is a unit of temperature or another well-known one: not `GOOD`, not `upper`."""
    return any(unit.fullmatch(_bare(cell)) for unit in (_TEMPERATURE_UNIT, _OF_OTHER))


def is_time_word(header: str) -> bool:
    """Whether a header is about time."""
    return TIME_WORD.search(header.replace("_", " ")) is not None


def says_time(header: str) -> bool:
    """Whether a header is about time, or has a unit of it: t2 (s)."""
    return is_time_word(header) or _IN_SECONDS.search(header) is not None


def is_units_row(row: Sequence[str]) -> bool:
    """Whether a row is a row of units: more than one, and nothing else."""
    filled = [text for cell in row if (text := _bare(cell))]
    return len(filled) > 1 and all(
        text in ("-", "--", "n/a", "none")
        or (len(text) < 24 and (is_unit(text) or _TIME_UNIT.fullmatch(text)))
        for text in filled
    )


def is_units_below(row: Sequence[str], above: Sequence[str]) -> bool:
    """Whether a row below names is a row of units: several of temperature, or one of time below `Time`."""
    if len(row) != len(above) or any(unit_cell(name)[0] for name in above):
        return False
    pairs = zip(above, map(_bare, row), strict=True)
    timed = any(_TIME_UNIT.fullmatch(cell) and (is_time_word(n) or n.strip() == "t") for n, cell in pairs)
    return timed or sum(unit_cell(cell)[0] is not None for cell in row) > 1


def is_row_of_types(row: Sequence[str]) -> bool:
    """Whether a row says how each column was sampled (`Smp`, `Avg`), or several probes' types (`Type K`)."""
    cells = [cell.strip() for cell in row]
    filled = [cell for cell in cells[1:] if cell]
    types = sum(_TYPE.fullmatch(cell) is not None for cell in filled)
    named = re.fullmatch(r"(sensor |probe |input )?types?|typ|", cells[0] if cells else "", re.I)
    sampled = any(cells) and all(_PROCESSED.fullmatch(cell) for cell in cells)
    return sampled or (named is not None and types > 1 and 2 * types >= len(filled))


def is_bad(word: str) -> bool:
    """Whether the word or code beside a reading says it is bad (OPC codes: good from 192 on)."""
    text = word.strip().lower()
    return text in BAD_WORDS or (text.isdecimal() and int(text) < 64)


def has_temperature_word(header: str) -> bool:
    """Whether a header is about a temperature or a probe."""
    return _TEMPERATURE_WORD.search(header.replace("_", " ")) is not None


def why_no_time(header: str, below: str) -> str | None:
    """Say why numbers aren't times: by a unit in their header or in the row of units, or by name."""
    if is_time_word(header) or re.match(r"t(?![a-z\d])", header, re.I):
        return None
    other = _OTHER_UNIT.search(header)
    unit = other[other.lastindex or 0] if other is not None else below.strip(" ()[]")
    if unit and _TIME_UNIT.fullmatch(unit) is None and _OF_OTHER.fullmatch(unit):
        return f"is in {unit}"
    return "is a weight or a length" if _LENGTH.search(header) else None


def says_other_unit(header: str) -> bool:
    """Whether a header gives a unit that isn't °C."""
    why = why_no_temperature(header, None) or ""
    return unit_in(header)[1] in ("f", "k") or header.endswith(("_F", " F")) or OF_OTHER in why


def why_no_temperature(header: str, unit: Unit | None) -> str | None:
    """Say what a column is by its header; None if it may well be a probe's temperature.

    `unit` is its unit of temperature according to the file.
    """
    text = header.replace("_", " ")
    for what, words in _NO_PROBE:
        if words.search(text):
            return f"{what}, not a probe"
    if unit is not None:
        return None
    other = _OTHER_UNIT.search(header)
    unit_said = other[other.lastindex or 0] if other is not None else ""
    if len(unit_said) > 1 or unit_said == "%" or (unit_said and not _TEMPERATURE_WORD.search(text)):
        return f"{unit_said} {OF_OTHER}"
    if volts := VOLTS.search(text):
        return f"{volts[1]} {OF_OTHER}"
    if _TEMPERATURE_WORD.search(text):
        return None
    return next((f"{what}, not a temperature" for what, words in _OTHER_WORDS if words.search(text)), None)
