"""Simulated chips, modelled on their data sheets: they know registers, clocks and checksums, not degrees.

The scenario gives what a chip holds as its own register word. A master that breaks the chip's rules
(clock too fast, wrong phase, a read that cuts a conversion short) gets what the real chip would give it:
garbage, or the same old word.
"""

import board
import world


class SpiChip:
    """An SPI chip, driven by its chip select and byte by byte."""

    phase = 0
    most_hz = 5_000_000

    def __init__(self, name):
        self.name = name

    def select(self):
        self._at = 0
        self._word = board.word(self.name, self.size)

    def deselect(self):
        pass

    def byte(self, out, hz, phase):
        """Exchange a byte; 0xFF where nothing drives the line."""
        if self._word is None:
            return 0xFF
        if hz > self.most_hz or phase != self.phase:
            return 0xA5 ^ out
        answer = self.exchange(out)
        self._at += 1
        return answer

    def exchange(self, out):
        """Send the word, most significant byte first; after its end the line stays low."""
        return self._word[self._at] if self._at < self.size else 0


class Max31855(SpiChip):
    size = 4


class Max6675(SpiChip):
    """Each chip select aborts the running conversion, which takes 220 ms at most (19-2235)."""

    size = 2
    most_hz = 4_300_000
    convert_ms = 220

    def __init__(self, name):
        super().__init__(name)
        self._held = b"\x00\x00"
        self._let_go = world.ticks_ms() - 1000

    def select(self):
        super().select()
        if self._word is not None and (world.ticks_ms() - self._let_go) % (1 << 30) >= self.convert_ms:
            self._held = self._word
        if self._word is not None:
            self._word = self._held

    def deselect(self):
        self._let_go = world.ticks_ms()


class Max31856(SpiChip):
    """Sixteen registers; bit 7 of the first byte means write; addresses increment by themselves.

    The readings are zero until it is told to convert (CR0 bit 7) and the first conversion is done (155 ms).
    They are right only if its thermocouple type and mains filter match the scenario.
    """

    size = 6
    phase = 1

    def __init__(self, name, cr0=0x91, cr1=0x03):
        super().__init__(name)
        self._expected = bytes((cr0, cr1))
        self._drops = 0
        self.power_up()

    def power_up(self):
        self.registers = bytearray(16)
        self.registers[1] = 0x03
        self._converts = None

    def select(self):
        super().select()
        if world.drops(self.name) != self._drops:
            self._drops = world.drops(self.name)
            self.power_up()

    def exchange(self, out):
        if self._at == 0:
            self._write = bool(out & 0x80)
            self._address = out & 0x0F
            return 0
        answer = 0
        if self._write:
            if self._address <= 0x0B:
                if self._address == 0 and out & 0x80 and not self.registers[0] & 0x80:
                    self._converts = world.ticks_ms()
                self.registers[self._address] = out
        else:
            answer = self._read(self._address)
        self._address = (self._address + 1) & 0x0F
        return answer

    def _read(self, address):
        if address < 0x0A:
            return self.registers[address]
        running = self.registers[0] & 0x80 and (world.ticks_ms() - self._converts) % (1 << 30) >= 155
        if not running:
            return 0
        if bytes(self.registers[0:2]) != self._expected:
            return 0x40 if address == 0x0F else 0x7F
        return self._word[address - 0x0A]


class I2cChip:
    most_hz = 100_000

    def __init__(self, name, address):
        self.name = name
        self.address = address
        self._drops = 0
        self.power_up()

    def power_up(self):
        pass

    def answers(self, hz):
        """Whether the chip acknowledges its address."""
        self._word = board.word(self.name, self.size)
        if world.drops(self.name) != self._drops:
            self._drops = world.drops(self.name)
            self.power_up()
        return self._word is not None and hz <= self.most_hz


class Mcp9600(I2cChip):
    """Registers: T_H 0, T_C 2 (two bytes each), STATUS 4, sensor configuration 5, device configuration 6."""

    size = 5

    def __init__(self, name, address, sensor=0x00):
        self._expected = sensor
        super().__init__(name, address)

    def power_up(self):
        self.sensor = 0x00
        self.device = 0x00
        if self._expected == 0:
            self.sensor = 0x30  # so that a driver that never sets the type is found out

    def write(self, register, data):
        if register == 0x05:
            self.sensor = data[0]
        elif register == 0x06:
            self.device = data[0]

    def read(self, register, count):
        right = self.sensor == self._expected
        word = self._word if right else b"\x00\x10\x01\x90\x40"
        data = {0x00: word[0:2], 0x02: word[2:4], 0x04: word[4:5]}.get(register)
        if register == 0x05:
            data = bytes((self.sensor,))
        elif register == 0x06:
            data = bytes((self.device,))
        data = data or b""
        return (data + b"\xff" * count)[:count]


class Ads1115(I2cChip):
    """Configuration in register 1; a conversion takes 8 ms and its result is in register 0."""

    size = 4

    def power_up(self):
        self._config = 0x8583
        self._since = world.ticks_ms()

    def write(self, register, data):
        if register == 0x01:
            self._config = data[0] << 8 | data[1]
            self._since = world.ticks_ms()

    def read(self, register, count):
        done = (world.ticks_ms() - self._since) % (1 << 30) >= 8
        if register == 0x01:
            config = self._config | 0x8000 if done else self._config & 0x7FFF
            return bytes((config >> 8, config & 0xFF))
        right = done and self._config == (self._word[0] << 8 | self._word[1])
        return self._word[2:4] if register == 0x00 and right else b"\x7f\xff"


class Lm75(I2cChip):
    """Two bytes of 1/256 degree in register 0; the scenario gives degrees."""

    size = 0

    def answers(self, hz):
        self._degrees = board.level(self.name)
        return self._degrees is not None and hz <= self.most_hz

    def read(self, register, count):
        counts = round(self._degrees * 256) & 0xFFFF
        return bytes((counts >> 8, counts & 0xFF)) if register == 0 else b"\xff\xff"


class Mlx90614(I2cChip):
    """SMBus: low byte, high byte, PEC. The first `bad_pec` answers have a wrong checksum."""

    size = 2

    def __init__(self, name, address, bad_pec=0):
        super().__init__(name, address)
        self._bad = bad_pec

    def write(self, register, data):
        pass

    def read(self, register, count):
        if register != 0x07:
            return b"\xff" * count
        low, high = self._word[1], self._word[0]
        crc = 0
        for byte in (self.address << 1, register, self.address << 1 | 1, low, high):
            crc ^= byte
            for _ in range(8):
                crc = (crc << 1 ^ 0x107) if crc & 0x80 else crc << 1
        if self._bad:
            self._bad -= 1
            crc ^= 0x55
        return (bytes((low, high, crc)) + b"\xff" * count)[:count]


TYPES_31856 = "BEJKNRST"
TYPES_9600 = "KJTNSEBR"


def fit(config):
    """Fit the chips named in the configuration."""
    for spec in config.CHANNELS:
        name, chip = spec["name"], spec["chip"]
        if chip == "max31856":
            cr0 = 0x91 if spec.get("mains_hz", 50) == 50 else 0x90
            board.spi_chips[spec["cs"]] = Max31856(name, cr0, TYPES_31856.index(spec["type"]))
        elif chip in ("max31855", "max6675"):
            board.spi_chips[spec["cs"]] = {"max31855": Max31855, "max6675": Max6675}[chip](name)
        elif chip in ("volts", "ad8495"):
            board.adc_channels[spec["adc"]] = name
        elif chip == "text":
            board.uart_channels[spec["uart"]] = name
        else:
            on_bus = board.i2c_chips.setdefault(config.BUSES[spec["bus"]]["id"], {})
            if chip in ("ads1115", "lm75"):
                found = {"ads1115": Ads1115, "lm75": Lm75}[chip](name, spec["address"])
            elif chip in ("mcp9600", "mcp9601"):
                found = Mcp9600(name, spec["address"], TYPES_9600.index(spec["type"]) << 4)
            else:
                found = Mlx90614(name, spec["address"], spec.get("bad_pec", 0))
            on_bus[spec["address"]] = found
