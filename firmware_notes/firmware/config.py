# Everything about this rig that you may want to change is in this file.
# Pin numbers are GPIO numbers. These suit a Raspberry Pi Pico; for other boards see firmware.md.

RIG = "a1"  # this rig's name: letters, digits, '_', '-', '.'; two rigs at one fire need two names
PERIOD_MS = 500  # milliseconds between frames; 100 is the shortest that makes sense

# Buses: only the ones that you use.
BUSES = {
    "spi0": {"kind": "spi", "id": 0, "sck": 18, "mosi": 19, "miso": 16, "hz": 1_000_000},
    "i2c0": {"kind": "i2c", "id": 0, "sda": 4, "scl": 5, "hz": 100_000},
}

# Channels, in the order in which they are read. The plan's `channel` refers to `name`.
CHANNELS = (
    {"name": "k0", "chip": "max31855", "bus": "spi0", "cs": 17},
    {"name": "k1", "chip": "max31856", "bus": "spi0", "cs": 20, "type": "K", "mains_hz": 50},
    {"name": "k2", "chip": "mcp9600", "bus": "i2c0", "address": 0x67, "type": "K"},
    # {"name": "k3", "chip": "max6675", "bus": "spi0", "cs": 21},
    # {"name": "k4", "chip": "mcp9601", "bus": "i2c0", "address": 0x60, "type": "K"},
    # A bare converter, and a thermometer at its terminals: set cold_junction = "box" in the plan.
    # {"name": "k5", "chip": "ads1115", "bus": "i2c0", "address": 0x48, "inputs": "0-1"},
    # {"name": "box", "chip": "lm75", "bus": "i2c0", "address": 0x49},
    # Powered from 5 V, its output halved by two equal resistors.
    # {"name": "k6", "chip": "ad8495", "adc": 26, "ref_v": 0.0, "divider": 2.0},
    # {"name": "ir0", "chip": "mlx90614", "bus": "i2c0", "address": 0x5A},
    # {"name": "ir3", "chip": "mlx90616", "bus": "i2c0", "address": 0x5B},
    # A 4-20 mA pyrometer over 150 ohm: 0.6 V is 4 mA, 3.0 V is 20 mA.
    # {"name": "ir1", "chip": "volts", "adc": 26, "low": (0.6, 300.0), "high": (3.0, 1300.0)},
    # A pyrometer that prints a temperature in degrees Celsius on each line of a UART.
    # {"name": "ir2", "chip": "text", "uart": 1, "tx": 8, "rx": 9, "baud": 9600},
)

# How frames leave: "serial" (USB) or "mqtt" (radio). The serial line answers `?` either way.
LINK = "serial"

WIFI = {"ssid": "", "password": ""}
BROKER = {"host": "192.168.4.1", "port": 1883, "user": None, "password": None}

# Frames that nobody has taken yet are kept: first in RAM, then in files in this folder.
KEEP_RAM_BYTES = 48_000
KEEP_DIR = "/kept"  # "/sd/kept" for a card; None keeps in RAM only
KEEP_FILE_BYTES = 600_000  # beyond this the oldest are dropped
SD = None  # an SPI bus of its own: {"slot": 1, "sck": 26, "mosi": 27, "miso": 28, "cs": 7}

# Lamp and buzzer at the fire: pins that switch a transistor, or None.
LAMP_PIN = None
BUZZER_PIN = None

# The watchdog restarts a rig that hangs. It can't be stopped: set False while you work on the program.
WATCHDOG = True
# Connected to ground at power-on, this pin keeps the program from starting, so that you can get in.
SERVICE_PIN = 22
