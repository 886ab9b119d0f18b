"""Find mistakes in config.py before they are tried, and explain them in words."""

LETTERS = "BEJKNRST"
SPI_KEYS, I2C_KEYS = ("bus", "cs"), ("bus", "address")
# Keys that each chip's entry must have, and may have, besides `name` and `chip`.
KEYS = {
    "max6675": (SPI_KEYS, ()),
    "max31855": (SPI_KEYS, ("type",)),
    "max31856": (("bus", "cs", "type"), ("mains_hz",)),
    "mcp9600": (("bus", "address", "type"), ()),
    "mcp9601": (("bus", "address", "type"), ()),
    "ads1115": (I2C_KEYS, ("inputs",)),
    "lm75": (I2C_KEYS, ()),
    "mlx90614": (I2C_KEYS, ()),
    "mlx90616": (I2C_KEYS, ()),
    "ad8495": (("adc",), ("ref_v", "divider")),
    "volts": (("adc", "low", "high"), ()),
    "text": (("uart", "tx", "rx", "baud"), ()),
}
BUS_PINS = {"spi": ("sck", "mosi", "miso"), "i2c": ("sda", "scl")}
SETTINGS = (
    "RIG",
    "PERIOD_MS",
    "BUSES",
    "CHANNELS",
    "LINK",
    "WIFI",
    "BROKER",
    "KEEP_RAM_BYTES",
    "KEEP_DIR",
    "KEEP_FILE_BYTES",
    "SD",
    "LAMP_PIN",
    "BUZZER_PIN",
    "WATCHDOG",
    "SERVICE_PIN",
)


def is_name(text):
    """Whether a rig or channel may have this name."""
    if not isinstance(text, str) or not 1 <= len(text) <= 32:
        return False
    plain = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"
    return text[0] in plain and all(letter in plain + "_-." for letter in text)


def first_slip(config):
    """Return a sentence on the first mistake: where it is and what to write; None if there is none."""
    for name in SETTINGS:
        if not hasattr(config, name):
            return "%s is missing from config.py" % name
    if not is_name(config.RIG):
        return "RIG = %r: use 1 to 32 letters, digits, '_', '-', '.', a letter or digit first" % (config.RIG,)
    if not isinstance(config.PERIOD_MS, int) or config.PERIOD_MS < 20:
        return "PERIOD_MS = %r: use a whole number of milliseconds, 100 or more" % (config.PERIOD_MS,)
    if config.LINK not in ("serial", "mqtt"):
        return "LINK = %r: use 'serial' or 'mqtt'" % (config.LINK,)
    if not config.CHANNELS:
        return "CHANNELS is empty: add at least one"
    pins = {}
    found = bus_slip(config, pins)
    if found is None:
        names = []
        for number, spec in enumerate(config.CHANNELS):
            found = channel_slip(config, number, spec, names, pins)
            if found:
                break
    if found is None:
        for name in ("LAMP_PIN", "BUZZER_PIN", "SERVICE_PIN"):
            found = found or pin_slip(pins, getattr(config, name), name)
        for key in ("sck", "mosi", "miso", "cs"):
            if config.SD:
                found = found or pin_slip(pins, config.SD.get(key), "SD's %s" % key)
    return found


def bus_slip(config, pins):
    for name, spec in config.BUSES.items():
        where = "BUSES[%r]" % name
        if spec.get("kind") not in BUS_PINS:
            return "%s: 'kind' must be 'spi' or 'i2c'" % where
        for key in ("id", "hz") + BUS_PINS[spec["kind"]]:
            if key not in spec:
                return "%s has no %r" % (where, key)
        for key in BUS_PINS[spec["kind"]]:
            found = pin_slip(pins, spec[key], "%s's %s" % (where, key))
            if found:
                return found
    return None


def channel_slip(config, number, spec, names, pins):
    where = "CHANNELS, entry %d" % (number + 1)
    if not isinstance(spec, dict):
        return "%s isn't an entry in braces; is a comma missing before it?" % where
    if not is_name(spec.get("name")):
        return "%s: 'name' is %r; use letters, digits, '_', '-', '.'" % (where, spec.get("name"))
    where += " (%s)" % spec["name"]
    if spec["name"] in names:
        return "%s: another channel already has this name" % where
    names.append(spec["name"])
    if spec.get("chip") not in KEYS:
        return "%s: 'chip' is %r; use one of %s" % (where, spec.get("chip"), ", ".join(sorted(KEYS)))
    must, may = KEYS[spec["chip"]]
    for key in must:
        if key not in spec:
            return "%s has no %r, which a %s needs" % (where, key, spec["chip"])
    for key in spec:
        if key not in must and key not in may and key not in ("name", "chip", "bad_pec"):
            return "%s: %r isn't a setting of a %s; it has %s" % (
                where,
                key,
                spec["chip"],
                ", ".join(must + may),
            )
    if "type" in spec and (not spec["type"] or spec["type"] not in LETTERS):
        return "%s: 'type' is %r; use one letter of %s" % (where, spec["type"], LETTERS)
    if "bus" in must:
        kind = "spi" if "cs" in must else "i2c"
        if spec["bus"] not in config.BUSES or config.BUSES[spec["bus"]]["kind"] != kind:
            return "%s: 'bus' is %r, but BUSES has no such %s bus" % (where, spec["bus"], kind)
    for key in ("cs", "adc", "tx", "rx"):
        found = pin_slip(pins, spec.get(key), "%s's %s" % (where, key))
        if found:
            return found
    if "address" in must:
        return pin_slip(
            pins, "%s:%s:%s" % (spec["bus"], spec["address"], spec.get("inputs", 0)), where, "address"
        )
    return None


def pin_slip(pins, pin, user, what="pin"):
    """Note who uses a pin; return a sentence if it is already taken."""
    if pin is None:
        return None
    if pin in pins:
        return "%s uses the same %s as %s" % (user, what if what == "address" else "pin %s" % pin, pins[pin])
    pins[pin] = user
    return None
