"""Brings the rig up, and turns it over: `main.py` does nothing else."""

import os
import time

import config
from machine import SPI, WDT, Pin


def start():
    """Give (rig, watchdog or None); None if the service pin says not to start."""
    if config.SERVICE_PIN is not None and not Pin(config.SERVICE_PIN, Pin.IN, Pin.PULL_UP)():
        print("service pin joined to ground: not starting")
        return None
    if config.SD:
        mount_card(config.SD)
    from rig import Rig

    return Rig(config), WDT(timeout=8000) if config.WATCHDOG else None


def turn(rig, watchdog):
    """Once around: whatever is due, then a nap."""
    wait_ms = rig.step()
    if watchdog:
        watchdog.feed()
    time.sleep_ms(wait_ms)


def mount_card(spec):
    """Make the card appear as /sd. Without one the rig works all the same: frames are then kept in flash."""
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
        print("no card:", error)
