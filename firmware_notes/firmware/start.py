"""Start the rig and run its loop, for `main.py`."""

import os
import sys
import time

import config
from machine import SPI, WDT, Pin

SAY_MS = 2000


class Complaint:
    """Stands in for a rig that can't start: repeats the reason, as a line that begins with #."""

    def __init__(self, words):
        self._words = words

    def step(self):
        sys.stdout.buffer.write(("# this rig can't start: %s\n" % self._words).encode())
        return SAY_MS


def start():
    """Return (rig, watchdog or None); None if the service pin says not to start."""
    service_pin = getattr(config, "SERVICE_PIN", None)
    if service_pin is not None and not Pin(service_pin, Pin.IN, Pin.PULL_UP)():
        print("# service pin connected to ground: not starting")
        return None
    import slips

    words = slips.first_slip(config)
    if words:
        return Complaint("%s. Fix config.py and copy it again" % words), None
    del slips, sys.modules["slips"]  # kept frames need its memory
    try:
        if config.SD:
            mount_card(config.SD)
        from rig import Rig

        return Rig(config), WDT(timeout=8000) if config.WATCHDOG else None
    except Exception as error:
        # The check of config.py can't know which pins this board lacks, or that a file wasn't copied.
        return Complaint("%s: %s. See config.py" % (type(error).__name__, error)), None


def turn(rig, watchdog):
    """Go once around: whatever is due, then a nap."""
    wait_ms = rig.step()
    if watchdog:
        watchdog.feed()
    time.sleep_ms(wait_ms)


def mount_card(spec):
    """Mount the card as /sd. Without one the rig still works, and keeps frames in flash."""
    pins = {name: Pin(spec[name]) for name in ("sck", "mosi", "miso")}
    try:
        try:
            from machine import SDCard  # an ESP32 has its own

            card = SDCard(slot=spec["slot"], cs=Pin(spec["cs"]), **pins)
        except ImportError:
            import sdcard  # MicroPython's driver for others: mpremote mip install sdcard

            card = sdcard.SDCard(SPI(spec["slot"], **pins), Pin(spec["cs"]))
        os.mount(card, "/sd")
    except (OSError, ImportError) as error:
        print("# no card:", error)
