"""Put the simulated board in place of the real one, before any firmware is imported."""

import sys

import net
import serial
import world


class Time:
    """The runner's clock. Ticks wrap at 2**30, as on the boards."""

    HALF = 1 << 29

    @staticmethod
    def ticks_ms():
        return world.ticks_ms()

    @staticmethod
    def ticks_diff(a, b):
        return ((a - b + Time.HALF) & (2 * Time.HALF - 1)) - Time.HALF

    @staticmethod
    def ticks_add(a, b):
        return (a + b) & (2 * Time.HALF - 1)

    @staticmethod
    def sleep_ms(ms):
        world.spend_us(ms * 1000)


class Select:
    POLLIN, POLLOUT, POLLERR = 1, 4, 8

    class poll:
        def register(self, what, events):
            self._what, self._events = what, events

        def poll(self, timeout):
            return [(self._what, self._events)] if self._what.ready(self._events) else []


class Buffer:
    @staticmethod
    def read(count):
        return serial.read(count).encode()

    @staticmethod
    def write(data):
        return serial.write(data.decode())


class Stream:
    """Standard input and output: the USB serial line."""

    buffer = Buffer

    def ready(self, events):
        return bool(serial.readable() if events == Select.POLLIN else serial.writable())


class Sys:
    stdin = stdout = Stream()


class Network:
    STA_IF = 0

    class WLAN:
        def __init__(self, interface):
            self._joined = False

        def active(self, on):
            pass

        def connect(self, ssid, password):
            self._joined = True

        def isconnected(self):
            return self._joined and net.radio()


class Socket:
    @staticmethod
    def getaddrinfo(host, port):
        return [(2, 1, 0, "", (host, port))]

    class socket:
        def setblocking(self, on):
            pass

        def connect(self, address):
            self._id = net.open(address[0], address[1])
            raise OSError(115)

        def ready(self, events):
            return net.state(self._id) != 0

        def send(self, data):
            if net.state(self._id) == 0:
                raise OSError(11)
            if net.state(self._id) != 1:
                raise OSError(104)
            net.send(self._id, bytes(data).hex())
            return len(data)

        def recv(self, count):
            text = net.recv(self._id, count)
            if text is None:
                raise OSError(11)
            return bytes.fromhex(text)

        def close(self):
            net.close(self._id)


for name in ("argv", "exit", "implementation", "modules", "path", "platform", "print_exception"):
    setattr(Sys, name, getattr(sys, name))
sys.modules["sys"] = Sys
sys.modules["time"] = Time
sys.modules["select"] = Select
sys.modules["network"] = Network
sys.modules["socket"] = Socket
