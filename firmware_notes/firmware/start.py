"""Brings the rig up, and turns it over: `main.py` does nothing else."""

import os
import time

import config
from machine import WDT, Pin


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
    """Make the card appear as /sd; without one, frames are kept in RAM only."""
    from machine import SDCard

    try:
        pins = {name: Pin(spec[name]) for name in ("sck", "mosi", "miso", "cs")}
        os.mount(SDCard(slot=spec["slot"], **pins), "/sd")
    except OSError as error:
        print("no card:", error)
