"""MicroPython's `machine`, as far as the firmware needs it, in front of the simulated chips."""

import board
import world

PWRON_RESET, WDT_RESET = 1, 3


def reset_cause():
    return world.reset_cause()


class Pin:
    IN, OUT, PULL_UP = 0, 1, 2

    def __init__(self, number, mode=None, pull=None, value=None):
        self.number = number
        if value is not None:
            self(value)

    def __call__(self, value=None):
        if value is None:
            return board.pins.get(self.number, 1)
        before = board.pins.get(self.number)
        board.pins[self.number] = value
        chip = board.spi_chips.get(self.number)
        if chip is not None and before is not None and before != value:
            chip.deselect() if value else chip.select()
        if before != value and chip is None:
            world.pin(self.number, value)
        return None


class SPI:
    def __init__(self, number, baudrate, polarity, phase, sck=None, mosi=None, miso=None):
        self.init(baudrate, polarity, phase)

    def init(self, baudrate, polarity, phase):
        self._hz, self._phase = baudrate, phase

    def _exchange(self, out):
        board.spend_us(8e6 / self._hz + 1)
        selected = [c for pin, c in board.spi_chips.items() if board.pins.get(pin) == 0]
        answer = 0xFF
        for chip in selected:
            answer &= chip.byte(out, self._hz, self._phase)
        return answer

    def write(self, data):
        for byte in data:
            self._exchange(byte)

    def readinto(self, buffer, out=0):
        for i in range(len(buffer)):
            buffer[i] = self._exchange(out)


class I2C:
    def __init__(self, number, scl, sda, freq, timeout=50_000):
        self._number, self._timeout_us = number, timeout
        self._chips = board.i2c_chips.get(number, {})
        self._hz = freq

    def _chip(self, address, count):
        if world.bus_stuck(self._number):  # something holds a line low: the master gives up
            board.spend_us(self._timeout_us)
            raise OSError(110)
        board.spend_us(9e6 / self._hz * (count + 3))
        chip = self._chips.get(address)
        if chip is None or not chip.answers(self._hz):
            raise OSError(5)
        return chip

    def readfrom_mem_into(self, address, register, buffer):
        data = self._chip(address, len(buffer)).read(register, len(buffer))
        buffer[:] = data

    def writeto_mem(self, address, register, data):
        self._chip(address, len(data)).write(register, data)


class ADC:
    def __init__(self, pin):
        self._name = board.adc_channels[pin.number]

    def read_u16(self):
        return min(max(round((board.level(self._name) or 0) / 3.3 * 65535), 0), 65535)


class UART:
    def __init__(self, number, baudrate, tx, rx):
        self._name = board.uart_channels[number]
        self._fed = world.ticks_ms()

    def read(self):
        """A line each 300 ms, in two pieces now and then."""
        degrees = board.level(self._name)
        now = world.ticks_ms()
        if degrees is None or (now - self._fed) % (1 << 30) < 300:
            return None
        self._fed = now
        return b"%.1f\r\n" % degrees


class WDT:
    def __init__(self, timeout):
        world.watchdog(timeout)

    def feed(self):
        world.watchdog(0)
