"""Drivers. Each puts its chip's own register word into `word`; none works out a temperature.

A driver has `amp` (the name in the line; None for plain degrees), `size` (bytes of its word), `rest_ms`
(how long to leave the chip alone after a read) and `read(word)`, which returns the channel's tag. A chip
that doesn't answer gives a word of all ones, like an undriven data line: the logger takes that as broken.
"""

import struct
import time

from frame import ABSENT, VALUE, fault
from machine import ADC, I2C, SPI, UART, Pin

TRY_AGAIN_MS = 1000


def ones(word):
    for i in range(len(word)):
        word[i] = 0xFF
    return VALUE


class SpiChip:
    """A chip with its own chip select. The clock's phase differs between chips, so it is set each time."""

    phase = 0
    rest_ms = 0

    def __init__(self, spec, bus):
        self.name = spec["name"]
        self._spi, self._hz = bus
        self._cs = Pin(spec["cs"], Pin.OUT, value=1)

    def _select(self):
        self._spi.init(baudrate=self._hz, polarity=0, phase=self.phase)
        self._cs(0)


class Max31855(SpiChip):
    """Maxim 19-5793: 32 bits at each chip select; converts all the time."""

    amp, size = "max31855", 4

    def read(self, word):
        self._select()
        self._spi.readinto(word)
        self._cs(1)
        return VALUE


class Max6675(Max31855):
    """Maxim 19-2235: 16 bits. A read aborts the conversion (0.22 s), so the chip is left alone that long."""

    amp, size = "max6675", 2
    rest_ms = 250


class Max31856(SpiChip):
    """Maxim 19-7534: the type is set in the chip, which forgets it when its power fails."""

    amp, size = "max31856", 6
    phase = 1
    TYPES = "BEJKNRST"
    FIRST_MS = 250  # from the order to the first reading

    def __init__(self, spec, bus):
        super().__init__(spec, bus)
        self._told = None
        # CR0: convert all the time (80), look for open circuits (10), filter for 50 Hz mains (01).
        cr0 = 0x91 if spec.get("mains_hz", 50) == 50 else 0x90
        self._wanted = bytes((cr0, self.TYPES.index(spec["type"])))
        self._found = bytearray(2)

    def _get(self, register, into):
        self._select()
        self._spi.write(bytes((register,)))
        self._spi.readinto(into)
        self._cs(1)

    def read(self, word):
        self._get(0x00, self._found)
        if self._found != self._wanted:
            # CR0 without bit 7 first: the filter may only be changed while the chip isn't converting.
            for cr0 in (self._wanted[0] & 0x7F, self._wanted[0]):
                self._select()
                self._spi.write(bytes((0x80, cr0, self._wanted[1])))
                self._cs(1)
            self._get(0x00, self._found)
            if self._found == self._wanted:
                self._told = time.ticks_ms()
        if self._told is not None:
            if time.ticks_diff(time.ticks_ms(), self._told) < self.FIRST_MS:
                return ABSENT  # only just set up: there is no reading yet
            self._told = None
        self._get(0x0A, word)  # all ones or zeros if there is no chip
        return VALUE


class I2cChip:
    """A chip on an I2C bus. A silent one is left alone for a second, because a dead bus costs time."""

    rest_ms = 0

    def __init__(self, spec, bus):
        self.name = spec["name"]
        self._i2c = bus[0]
        self._address = spec["address"]
        self._ready = False
        self._silent = None

    def _prepare(self):
        pass

    def read(self, word):
        now = time.ticks_ms()
        if self._silent is not None and time.ticks_diff(now, self._silent) < TRY_AGAIN_MS:
            return self._dead(word)
        try:
            if not self._ready:
                self._prepare()
                self._ready = True
            tag = self._read(word)
            self._silent = None
            return tag
        except OSError:
            self._ready = False
            self._silent = now
            return self._dead(word)

    def _dead(self, word):
        return ones(word) if self.amp else fault("open")


class Mcp9600(I2cChip):
    """Microchip DS20005426: T_H (register 0), T_C (2) and STATUS (4), 18 bits, 1/16 degree."""

    amp, size = "mcp9600", 5
    TYPES = "KJTNSEBR"

    def __init__(self, spec, bus):
        super().__init__(spec, bus)
        self._sensor = bytes((self.TYPES.index(spec["type"]) << 4,))  # no filter: the logger wants raw data
        self._byte = bytearray(1)

    def _prepare(self):
        self._i2c.writeto_mem(self._address, 0x05, self._sensor)
        self._i2c.writeto_mem(self._address, 0x06, b"\x00")

    def _read(self, word):
        self._i2c.readfrom_mem_into(self._address, 0x05, self._byte)
        if self._byte != self._sensor:  # its power failed and it has forgotten
            self._prepare()
            return ABSENT
        self._i2c.readfrom_mem_into(self._address, 0x00, word[0:2])
        self._i2c.readfrom_mem_into(self._address, 0x02, word[2:4])
        self._i2c.readfrom_mem_into(self._address, 0x04, word[4:5])
        return VALUE


class Mcp9601(Mcp9600):
    """The same registers; its STATUS also reports an open or shorted thermocouple."""

    amp = "mcp9601"


class Ads1115(I2cChip):
    """TI SBAS444: the voltage between two inputs, ±0.256 V, one shot at 128 a second.

    The plan names the channel that has its cold junction.
    """

    amp, size = "ads1115", 4
    CONVERT_MS = 9

    def __init__(self, spec, bus):
        super().__init__(spec, bus)
        mux = {"0-1": 0, "0-3": 1, "1-3": 2, "2-3": 3}[spec.get("inputs", "0-1")]
        self._config = (0x8F83 | mux << 12).to_bytes(2, "big")

    def _read(self, word):
        self._i2c.writeto_mem(self._address, 0x01, self._config)
        time.sleep_ms(self.CONVERT_MS)
        self._i2c.readfrom_mem_into(self._address, 0x01, word[0:2])
        self._i2c.readfrom_mem_into(self._address, 0x00, word[2:4])
        return (
            VALUE if bytes(word[0:2]) == self._config else ABSENT
        )  # ABSENT: not done yet, or its power failed meanwhile


class Lm75(I2cChip):
    """A thermometer for the terminals (LM75, TMP75 and the like): 1/256 degree in register 0."""

    amp, size = None, 4

    def __init__(self, spec, bus):
        super().__init__(spec, bus)
        self._bytes = bytearray(2)

    def _read(self, word):
        self._i2c.readfrom_mem_into(self._address, 0x00, self._bytes)
        struct.pack_into("<f", word, 0, struct.unpack(">h", self._bytes)[0] / 256)
        return VALUE


class Mlx90614(I2cChip):
    """Melexis 3901090614: RAM 07h, low byte first, then a checksum (PEC) over the whole transaction."""

    amp, size = "mlx90614", 2

    def __init__(self, spec, bus):
        super().__init__(spec, bus)
        self._bytes = bytearray(3)

    def _read(self, word):
        for _ in range(2):
            self._i2c.readfrom_mem_into(self._address, 0x07, self._bytes)
            low, high, pec = self._bytes
            if pec == crc8(bytes((self._address << 1, 0x07, self._address << 1 | 1, low, high))):
                word[0] = high
                word[1] = low
                return VALUE
        return ones(word)


class Mlx90616(Mlx90614):
    """The same, up to 1037 degrees: its word has 16 bits."""

    amp = "mlx90616"


def crc8(data):
    """SMBus's checksum: polynomial x8 + x2 + x + 1, from 0."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x07 if crc & 0x80 else crc << 1) & 0xFF
    return crc


def volts_of(adc):
    """Mean of 16 samples of a 3.3 V converter, in volts."""
    return sum(adc.read_u16() for _ in range(16)) / 16 / 65535 * 3.3


class Ad8495:
    """Analog Devices AD8495: its output above its reference, in microvolts.

    A broken thermocouple drives it to the end of its range.
    """

    amp, size, rest_ms = "ad8495", 4, 0

    def __init__(self, spec, bus):
        self.name = spec["name"]
        self._adc = ADC(Pin(spec["adc"]))
        self._ref_v, self._divider = spec.get("ref_v", 0.0), spec.get("divider", 1.0)

    def read(self, word):
        volts = volts_of(self._adc)
        if volts > 3.28:
            return fault("range")
        struct.pack_into(">i", word, 0, round((volts * self._divider - self._ref_v) * 1e6))
        return VALUE


class Volts:
    """A voltage that means degrees, on a straight line between two points."""

    amp, size, rest_ms = None, 4, 0

    def __init__(self, spec, bus):
        self.name = spec["name"]
        self._adc = ADC(Pin(spec["adc"]))
        self._low_v, self._low_c = spec["low"]
        high_v, high_c = spec["high"]
        self._slope = (high_c - self._low_c) / (high_v - self._low_v)
        # NAMUR NE 43: under 3.6 mA or over 21 mA the transmitter is broken, not cold or hot.
        self._open_v = self._low_v * 3.6 / 4
        self._range_v = high_v * 21 / 20

    def read(self, word):
        volts = volts_of(self._adc)
        if volts < self._open_v:
            return fault("open")
        if volts > self._range_v:
            return fault("range")
        struct.pack_into("<f", word, 0, self._low_c + (volts - self._low_v) * self._slope)
        return VALUE


class Text:
    """A temperature in degrees Celsius on each line of a UART; the newest since the last read wins."""

    amp, size, rest_ms = None, 4, 0

    def __init__(self, spec, bus):
        self.name = spec["name"]
        self._uart = UART(spec["uart"], baudrate=spec["baud"], tx=Pin(spec["tx"]), rx=Pin(spec["rx"]))
        self._text = b""

    def read(self, word):
        self._text = (self._text + (self._uart.read() or b""))[-64:]
        lines = self._text.split(b"\n")
        self._text = lines[-1]
        for line in reversed(lines[:-1]):
            try:
                struct.pack_into("<f", word, 0, float(line.decode().strip()))
                return VALUE
            except (ValueError, UnicodeError):
                pass
        return ABSENT


CHIPS = {
    "max6675": Max6675,
    "max31855": Max31855,
    "max31856": Max31856,
    "mcp9600": Mcp9600,
    "mcp9601": Mcp9601,
    "ads1115": Ads1115,
    "ad8495": Ad8495,
    "lm75": Lm75,
    "mlx90614": Mlx90614,
    "mlx90616": Mlx90616,
    "volts": Volts,
    "text": Text,
}


def open_bus(spec):
    """Open a bus; return (bus, clock), as the drivers take it."""
    if spec["kind"] == "spi":
        pins = {name: Pin(spec[name]) for name in ("sck", "mosi", "miso")}
        return SPI(spec["id"], baudrate=spec["hz"], polarity=0, phase=0, **pins), spec["hz"]
    bus = I2C(spec["id"], scl=Pin(spec["scl"]), sda=Pin(spec["sda"]), freq=spec["hz"], timeout=10_000)
    return bus, spec["hz"]


def open_chips(config):
    """Open the drivers of all channels, in order."""
    buses = {name: open_bus(spec) for name, spec in config.BUSES.items()}
    return [CHIPS[spec["chip"]](spec, buses.get(spec.get("bus"))) for spec in config.CHANNELS]
