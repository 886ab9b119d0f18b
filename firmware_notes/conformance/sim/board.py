"""What the simulated buses, pins and chips share: the clock and the scenario, both kept by the runner."""

import world  # a module of the runner

pins = {}  # GPIO number -> level that the firmware drives
spi_chips = {}  # chip select's GPIO number -> chip
i2c_chips = {}  # bus number -> {address: chip}
adc_channels = {}  # GPIO number -> channel's name
uart_channels = {}  # UART number -> channel's name


def spend_us(us):
    """Let time pass: what a transaction takes on the bus."""
    world.spend_us(int(us))


def word(name, size):
    """Give the word that a channel's chip holds now, None if the chip is not there."""
    text = world.word(name)
    return None if text is None else bytes.fromhex(text)


def level(name):
    """Give the number that a channel's sensor holds now (volts, degrees), None if it says nothing."""
    text = world.word(name)
    return None if text is None else float(text)
