"""What the simulated buses, pins and chips share: the runner's clock and scenario."""

import world  # a module of the runner

pins = {}  # GPIO number -> level that the firmware drives
spi_chips = {}  # chip select's GPIO number -> chip
i2c_chips = {}  # bus number -> {address: chip}
adc_channels = {}  # GPIO number -> channel's name
uart_channels = {}  # UART number -> channel's name


def spend_us(us):
    """Let time pass for a transaction on the bus."""
    world.spend_us(int(us))


def word(name, size):
    """Return the word that a channel's chip holds now, None if there is no chip."""
    text = world.word(name)
    return None if text is None else bytes.fromhex(text)


def level(name):
    """Return a channel's sensor value now (volts, degrees), None if it is silent."""
    text = world.word(name)
    return None if text is None else float(text)
