"""Make the drawings for the notes.

python3 draw.py
"""

from __future__ import annotations

from html import escape
from math import cos, pi
from pathlib import Path

HERE = Path(__file__).parent

INK, SOFT, PAPER = "#22272b", "#5d666d", "#ffffff"
RED, BLACK, BLUE, GREEN, ORANGE, PURPLE = "#c62828", "#111111", "#1565c0", "#2e7d32", "#e07b00", "#7b3fa0"
POSITIVE, NEGATIVE = "#b8860b", "#8d6e63"  # a couple's two wires, where no standard's colours are meant
FIRE, GLOW, EARTH, STEEL, CLAY = "#e8590c", "#ffd8a8", "#c9b79c", "#adb5bd", "#c98d5f"


class Drawing:
    """An SVG picture, from left and top, in pixels."""

    def __init__(self, name: str, width: int, height: int, title: str) -> None:
        self.name, self.width, self.height, self.title = name, width, height, title
        self.parts: list[str] = []

    def rect(
        self,
        x: float,
        y: float,
        w: float,
        h: float,
        fill: str = PAPER,
        line: str = INK,
        r: float = 6,
        thick: float = 1.6,
    ) -> None:
        self.parts.append(
            f'<rect x="{x}" y="{y}" width="{w}" height="{h}" rx="{r}" fill="{fill}" stroke="{line}" stroke-width="{thick}"/>'
        )

    def wire(
        self, points: list[tuple[float, float]], colour: str = INK, thick: float = 2.2, dash: str = ""
    ) -> None:
        path = " ".join(f"{x},{y}" for x, y in points)
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="{thick}"'
            f' stroke-linejoin="round" stroke-linecap="round"{dashes}/>'
        )

    def path(self, d: str, fill: str = "none", line: str = INK, thick: float = 1.6) -> None:
        self.parts.append(f'<path d="{d}" fill="{fill}" stroke="{line}" stroke-width="{thick}"/>')

    def dot(self, x: float, y: float, colour: str = INK, r: float = 4) -> None:
        self.parts.append(f'<circle cx="{x}" cy="{y}" r="{r}" fill="{colour}"/>')

    def text(
        self,
        x: float,
        y: float,
        words: str,
        size: float = 14,
        at: str = "start",
        colour: str = INK,
        bold: bool = False,
    ) -> None:
        weight = ' font-weight="600"' if bold else ""
        for i, line in enumerate(words.split("\n")):
            self.parts.append(
                f'<text x="{x}" y="{y + i * size * 1.3:.1f}" font-size="{size}" text-anchor="{at}" fill="{colour}"{weight}>'
                f"{escape(line)}</text>"
            )

    def arrow(self, x0: float, y0: float, x1: float, y1: float, colour: str = SOFT) -> None:
        self.wire([(x0, y0), (x1, y1)], colour, 1.6)
        length = max(((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5, 1)
        ux, uy = (x1 - x0) / length, (y1 - y0) / length
        self.path(
            f"M{x1:.1f},{y1:.1f} L{x1 - 9 * ux - 4 * uy:.1f},{y1 - 9 * uy + 4 * ux:.1f}"
            f" L{x1 - 9 * ux + 4 * uy:.1f},{y1 - 9 * uy - 4 * ux:.1f} Z",
            colour,
            colour,
            1,
        )

    def resistor(self, x: float, y: float, words: str, upright: bool = False, below: bool = False) -> None:
        """A 40 px resistor, centred here."""
        if upright:
            self.rect(x - 7, y - 20, 14, 40, PAPER, INK, 1)
            self.text(x + 12, y + 5, words, 13)
        else:
            self.rect(x - 20, y - 7, 40, 14, PAPER, INK, 1)
            self.text(x, y + 24 if below else y - 12, words, 13, "middle")

    def capacitor(self, x: float, y: float, words: str, colour: str = INK) -> None:
        """An upright capacitor, with leads above and below."""
        self.wire([(x - 12, y - 4), (x + 12, y - 4)], colour, 2.6)
        self.wire([(x - 12, y + 4), (x + 12, y + 4)], colour, 2.6)
        self.text(x + 17, y + 5, words, 13)

    def ground(self, x: float, y: float) -> None:
        self.wire([(x - 12, y), (x + 12, y)])
        self.wire([(x - 8, y + 5), (x + 8, y + 5)])
        self.wire([(x - 4, y + 10), (x + 4, y + 10)])

    def save(self) -> None:
        body = "\n".join(self.parts)
        (HERE / f"{self.name}.svg").write_text(
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width} {self.height}" width="{self.width}"'
            f' height="{self.height}" role="img" font-family="DejaVu Sans, Verdana, sans-serif">\n'
            f"<title>{escape(self.title)}</title>\n"
            f'<rect width="{self.width}" height="{self.height}" fill="{PAPER}"/>\n{body}\n</svg>\n'
        )


def amplifier(d: Drawing, x: float, y: float, name: str, left: list[str], w: float = 180) -> dict[str, float]:
    """Draw a breakout board, pins on the left and thermocouple on the right; return the pins' heights."""
    h = 26 * len(left) + 30
    d.rect(x, y, w, h, "#e7f0fa")
    d.text(x + w - 10, y + h - 18, name, 14, "end", bold=True)
    heights = {}
    for i, pin in enumerate(left):
        heights[pin] = y + 28 + 26 * i
        d.text(x + 8, heights[pin] + 5, pin, 12)
    d.text(x + w - 8, y + 33, "T+", 12, "end")
    d.text(x + w - 8, y + 33 + 26, "T−", 12, "end")
    d.wire([(x + w, y + 28), (x + w + 70, y + 28)], POSITIVE)
    d.wire([(x + w, y + 54), (x + w + 70, y + 54)], NEGATIVE)
    return heights


def spi() -> None:
    d = Drawing("spi", 900, 690, "SPI: three lines for all amplifiers, one select line for each")
    d.text(24, 34, "SPI: three lines shared by all, one select line for each amplifier", 18, bold=True)
    d.rect(30, 90, 190, 500, "#eef6ee")
    d.text(50, 118, "Raspberry Pi Pico", 15, bold=True)
    d.text(50, 138, "(GPIO numbers)", 12, colour=SOFT)
    pins = {
        "3V3 OUT": 170,
        "GND": 196,
        "SCK  GP18": 236,
        "MISO  GP16": 262,
        "MOSI  GP19": 288,
        "CS k0  GP17": 338,
        "CS k1  GP20": 364,
        "CS k2  GP21": 390,
        "CS k3  GP10": 416,
        "CS k4  GP11": 442,
        "CS k5  GP12": 468,
        "CS k6  GP13": 494,
        "CS k7  GP6": 520,
    }
    for name, y in pins.items():
        d.text(212, y + 5, name, 13, "end")
    colours = {"VIN": RED, "GND": BLACK, "SCK": BLUE, "DO": GREEN, "DI": ORANGE}
    buses = {"VIN": 300, "GND": 322, "SCK": 344, "DO": 366, "DI": 388}
    sources = {"VIN": "3V3 OUT", "GND": "GND", "SCK": "SCK  GP18", "DO": "MISO  GP16", "DI": "MOSI  GP19"}
    boards = [
        (80, "k0  MAX31855", ["VIN", "GND", "SCK", "DO", "CS"], "CS k0  GP17"),
        (284, "k1  MAX31856", ["VIN", "GND", "SCK", "DO", "DI", "CS"], "CS k1  GP20"),
        (496, "k2  MAX6675", ["VIN", "GND", "SCK", "DO", "CS"], "CS k2  GP21"),
    ]
    for bus, x in buses.items():
        y = pins[sources[bus]]
        d.wire([(220, y), (x, y)], colours[bus])
        d.dot(x, y, colours[bus], 3.5)
        d.wire([(x, 100 if bus != "DI" else y), (x, 640)], colours[bus])
    select = {"CS k0  GP17": 250, "CS k1  GP20": 262, "CS k2  GP21": 274}
    for top, name, left, cs in boards:
        heights = amplifier(d, 560, top, name, left)
        for pin in left:
            y = heights[pin]
            if pin == "CS":
                x = select[cs]
                d.wire([(220, pins[cs]), (x, pins[cs]), (x, y), (560, y)], PURPLE)
            else:
                d.wire([(buses[pin], y), (560, y)], colours[pin])
                d.dot(buses[pin], y, colours[pin])
    d.text(760, 166, "to its probe,", 13, colour=SOFT)
    d.text(760, 184, "type K wire", 13, colour=SOFT)
    d.text(760, 202, "all the way", 13, colour=SOFT)
    d.text(300, 672, "… and so on for k3 to k7: the same lines, each with its own CS.", 14)
    d.text(24, 664, "MAX31855 and MAX6675 only speak:\nthey have no DI.", 12, colour=SOFT)
    d.text(240, 64, "3.3 V", 13, colour=RED, bold=True)
    d.text(300, 64, "ground", 13, colour=BLACK, bold=True)
    d.text(372, 64, "clock", 13, colour=BLUE, bold=True)
    d.text(432, 64, "data out of the chips", 13, colour=GREEN, bold=True)
    d.text(602, 64, "data into MAX31856", 13, colour=ORANGE, bold=True)
    d.text(762, 64, "select", 13, colour=PURPLE, bold=True)
    d.save()


def i2c() -> None:
    d = Drawing("i2c", 900, 600, "I2C: two lines for all, an address for each")
    d.text(24, 34, "I2C: two lines shared by all, an address for each", 18, bold=True)
    d.rect(30, 120, 190, 300, "#eef6ee")
    d.text(50, 148, "Raspberry Pi Pico", 15, bold=True)
    d.text(50, 168, "(GPIO numbers)", 12, colour=SOFT)
    pins = {"3V3 OUT": 210, "GND": 240, "SCL  GP5": 290, "SDA  GP4": 320}
    for name, y in pins.items():
        d.text(212, y + 5, name, 13, "end")
    colours = {"VDD": RED, "GND": BLACK, "SCL": BLUE, "SDA": GREEN}
    buses = {"VDD": 330, "GND": 356, "SCL": 382, "SDA": 408}
    sources = {"VDD": "3V3 OUT", "GND": "GND", "SCL": "SCL  GP5", "SDA": "SDA  GP4"}
    for bus, x in buses.items():
        y = pins[sources[bus]]
        d.wire([(220, y), (x, y)], colours[bus])
        d.wire([(x, 70), (x, 544)], colours[bus])
        d.dot(x, y, colours[bus])
    # pull-ups
    for bus, x in (("SCL", 262), ("SDA", 298)):
        y = pins[sources[bus]]
        d.wire([(x, y), (x, 276)], colours[bus])
        d.dot(x, y, colours[bus], 3.5)
        d.wire([(x, 236), (x, 210)], RED)
        d.dot(x, 210, RED, 3.5)
        d.rect(x - 7, 236, 14, 40, PAPER, INK, 1)
    d.text(30, 450, "2 × 4.7 kΩ pull-ups, once for the", 13)
    d.text(30, 468, "whole bus; many boards have", 13)
    d.text(30, 486, "their own; then leave these out", 13)
    boards = [
        (70, "k0  MCP9600\n0x67: ADDR\nat VDD", ["VDD", "GND", "SCL", "SDA", "ADDR"]),
        (256, "k1  MCP9600\n0x60: ADDR\nat GND", ["VDD", "GND", "SCL", "SDA", "ADDR"]),
        (434, "ir0  MLX90614\n0x5A", ["VDD", "GND", "SCL", "SDA"]),
    ]
    for top, name, left in boards:
        h = 26 * len(left) + 30
        d.rect(560, top, 170, h - 14, "#e7f0fa")
        d.text(616, top + h / 2 - 22, name, 14, bold=True)
        for i, pin in enumerate(left):
            y = top + 22 + 26 * i
            d.text(568, y + 5, pin, 12)
            if pin == "ADDR":
                continue
            d.wire([(buses[pin], y), (560, y)], colours[pin])
            d.dot(buses[pin], y, colours[pin])
        if "MCP" in name:
            d.wire([(730, top + 40), (800, top + 40)], POSITIVE)
            d.wire([(730, top + 66), (800, top + 66)], NEGATIVE)
            d.text(806, top + 58, "probe", 13, colour=SOFT)
    y = 70 + 22 + 26 * 4
    d.wire([(560, y), (500, y), (500, 92), (500, 92)], RED)
    d.dot(500, 92, RED)
    y = 256 + 22 + 26 * 4
    d.wire([(560, y), (500, y), (500, 304)], BLACK)
    d.dot(500, 304, BLACK)
    d.text(742, 476, "looks at a surface", 13, colour=SOFT)
    d.text(
        24,
        580,
        "Up to eight MCP9600: 0x60 to 0x67, by the voltage on ADDR. 100 kHz, and no more than a metre of wire in all.",
        14,
    )
    d.save()


def junctions() -> None:
    d = Drawing("junctions", 900, 400, "Three ways a thermocouple ends")
    d.text(24, 34, "How the hot end is made", 18, bold=True)
    for i, (name, words) in enumerate(
        [
            ("exposed bead", "fastest: seconds\nno protection, touches the load\nburns through first"),
            (
                "grounded",
                "bead welded to the sheath\n3 mm sheath: tens of seconds in gas\nthe sheath is part of the circuit",
            ),
            (
                "ungrounded",
                "bead in mineral powder, no contact\nabout twice as slow as grounded\nthe one to use in a fire",
            ),
        ]
    ):
        x = 40 + 290 * i
        d.text(x, 76, name, 16, bold=True)
        if i == 0:
            d.rect(x, 130, 120, 40, "#eadcc8", INK, 4)
            d.wire([(x, 142), (x + 190, 142), (x + 215, 150)], POSITIVE, 3.2)
            d.wire([(x, 158), (x + 190, 158), (x + 215, 150)], NEGATIVE, 3.2)
            d.dot(x + 216, 150, INK, 7)
            d.text(x, 200, "ceramic fibre sleeve", 13, colour=SOFT)
        else:
            d.path(f"M{x},122 h200 a28,28 0 0 1 0,56 h-200 Z", STEEL)
            d.path(f"M{x},132 h196 a18,18 0 0 1 0,36 h-196 Z", "#f3efe6")
            end = x + 214 if i == 1 else x + 190
            d.wire([(x, 142), (end - 24, 142), (end, 150)], POSITIVE, 3.2)
            d.wire([(x, 158), (end - 24, 158), (end, 150)], NEGATIVE, 3.2)
            d.dot(end + (6 if i == 1 else 0), 150, INK, 8 if i == 1 else 7)
            d.text(x, 200, "steel sheath, magnesium oxide inside", 13, colour=SOFT)
        d.text(x, 240, words, 14)
    d.rect(40, 320, 820, 56, "#fff4e6", ORANGE)
    d.text(
        56,
        344,
        "Test it: an ohmmeter from either wire to the sheath. Ungrounded: more than 1 MΩ when cold and dry.",
        14,
    )
    d.text(
        56,
        364,
        "Grounded: a few ohms. Powder that has drawn damp reads low too: dry the probe before you judge it.",
        14,
    )
    d.save()


def isolation() -> None:
    d = Drawing("isolation", 900, 600, "Why grounded beads in one fire need isolation")
    d.text(24, 34, "Two grounded beads in one fire", 18, bold=True)

    def half(top: float, good: bool) -> None:
        d.rect(30, top, 840, 240, "#f2f8f2" if good else "#fdf1f0", GREEN if good else RED)
        title = "Good: nothing ties the amplifiers together" if good else "Bad: a loop through both probes"
        d.text(48, top + 28, title, 15, bold=True, colour=GREEN if good else RED)
        words = (
            "ungrounded probes; or an isolator and a supply of its own for each amplifier"
            if good
            else "10 µA through 10 Ω of lead make 100 µV: 2.4 °C that aren't there; with an earthed laptop far more"
        )
        d.text(48, top + 50, words, 13)
        d.path(
            f"M60,{top + 226} C30,{top + 170} 90,{top + 140} 110,{top + 64} C140,{top + 120} 215,{top + 140}"
            f" 200,{top + 190} C198,{top + 210} 190,{top + 226} 176,{top + 226} Z",
            GLOW,
            FIRE,
        )
        d.text(68, top + 206, "wet ash,", 12)
        d.text(68, top + 220, "coals, steel", 12)
        for i in range(2):
            y = top + 104 + 82 * i
            d.dot(130, y + 8, INK, 6)
            d.wire([(130, y + 8), (146, y), (500, y)], POSITIVE)
            d.wire([(130, y + 8), (146, y + 16), (500, y + 16)], NEGATIVE)
            d.rect(500, y - 24, 110, 60, "#e7f0fa")
            d.text(555, y + 10, f"amplifier {i}", 13, "middle")
            if good:
                d.wire([(610, y + 4), (650, y + 4)], BLUE)
                d.rect(650, y - 24, 70, 60, "#f4ecfa", PURPLE)
                d.text(685, y + 2, "iso-", 12, "middle")
                d.text(685, y + 18, "lator", 12, "middle")
                d.wire([(720, y + 4), (770, y + 4)], BLUE)
            else:
                d.wire([(610, y - 6), (770, y - 6)], BLUE)
                d.wire([(610, y + 20), (700, y + 20), (700, top + 226)], BLACK)
                d.dot(700, y + 20, BLACK)
        d.rect(770, top + 76, 84, 130, "#eef6ee")
        d.text(812, top + 146, "Pico", 14, "middle", bold=True)
        if not good:
            d.text(706, top + 168, "ground", 12, colour=SOFT)
            d.wire([(700, top + 226), (812, top + 226), (812, top + 206)], BLACK)
            d.wire([(130, top + 122), (130, top + 184)], RED, 3, "7 5")
            d.wire([(170, top + 128), (480, top + 128), (480, top + 178), (170, top + 178)], RED, 3, "7 5")
            d.text(232, top + 158, "current from bead to bead", 13, colour=RED)

    half(56, False)
    half(316, True)
    d.text(
        24,
        586,
        "A battery that touches nothing earthed helps, but does not break the loop from bead to bead.",
        14,
    )
    d.save()


def filter_() -> None:
    d = Drawing("filter", 900, 330, "Input filter")
    d.text(24, 34, "At the amplifier's terminals: keep radio out", 18, bold=True)
    d.text(40, 80, "from the probe,", 13, colour=SOFT)
    d.text(40, 98, "wires twisted", 13, colour=SOFT)
    for y, colour, sign in ((130, POSITIVE, -1), (210, NEGATIVE, 1)):
        twist = [(40 + i, 170 + sign * 12 * cos(i * pi / 30)) for i in range(0, 181, 3)]
        d.wire([*twist, (240, y), (640, y)], colour)
    d.resistor(300, 130, "100 Ω")
    d.resistor(300, 210, "100 Ω", below=True)
    d.wire([(420, 130), (420, 166)], INK)
    d.wire([(420, 174), (420, 210)], INK)
    d.capacitor(420, 170, "10 nF to 100 nF")
    d.dot(420, 130)
    d.dot(420, 210)
    for x, y in ((570, 130), (600, 210)):
        d.dot(x, y)
    d.wire([(570, 130), (570, 246)], INK)
    d.wire([(570, 254), (570, 276)], INK)
    d.capacitor(570, 250, "", INK)
    d.ground(570, 276)
    d.wire([(600, 210), (600, 246)], INK)
    d.wire([(600, 254), (600, 276)], INK)
    d.capacitor(600, 250, "10 nF each, ceramic", INK)
    d.ground(600, 276)
    d.rect(640, 100, 170, 130, "#e7f0fa")
    d.text(735, 176, "amplifier", 15, "middle", bold=True)
    d.text(650, 135, "T+", 13)
    d.text(650, 215, "T−", 13)
    d.text(40, 268, "No more than 100 Ω: the chips look for a broken", 13, colour=SOFT)
    d.text(40, 286, "couple with a small current that must get through.", 13, colour=SOFT)
    d.save()


def colours() -> None:
    d = Drawing("colours", 900, 420, "Colours of thermocouple leads")
    d.text(24, 34, "Colours of leads: what the jacket and the two wires tell you", 18, bold=True)
    d.text(250, 74, "IEC 60584-3", 16, "middle", bold=True)
    d.text(250, 94, "negative is white", 13, "middle", colour=SOFT)
    d.text(640, 74, "ANSI MC96.1 / ASTM E230", 16, "middle", bold=True)
    d.text(640, 94, "negative is RED", 13, "middle", colour=RED, bold=True)
    rows = [
        ("K", "#3aa655", "#3aa655", "#f4d03f", "#f4d03f", "green", "yellow"),
        ("N", "#f5a3b8", "#f5a3b8", "#f39c34", "#f39c34", "pink", "orange"),
        ("J", "#222222", "#222222", "#222222", "#f7f7f7", "black", "white"),
        ("T", "#7a4a2b", "#7a4a2b", "#2f6fd0", "#2f6fd0", "brown", "blue"),
    ]
    for i, (letter, jacket, plus, ansi_jacket, ansi_plus, name, ansi_name) in enumerate(rows):
        y = 116 + 66 * i
        d.text(40, y + 34, letter, 22, bold=True)
        for x, coat, positive, negative, plus_name, minus_name in (
            (100, jacket, plus, "#ffffff", name, "white"),
            (490, ansi_jacket, ansi_plus, "#d63031", ansi_name, "red"),
        ):
            d.rect(x, y + 6, 130, 40, coat, INK, 8)
            for offset, wire, words, sign in (
                (16, positive, plus_name, "+"),
                (36, negative, minus_name, "−"),
            ):
                d.wire([(x + 130, y + offset), (x + 200, y + offset)], INK, 9)
                d.wire([(x + 130, y + offset), (x + 200, y + offset)], wire, 6.5)
                d.text(x + 212, y + offset + 5, f"{sign}  {words}", 14)
    d.rect(40, 384, 820, 28, "#fff4e6", ORANGE)
    d.text(
        56,
        403,
        "Red is plus in electronics and minus in ANSI leads. When in doubt warm the probe: the reading must rise.",
        14,
    )
    d.save()


def loop() -> None:
    d = Drawing("loop", 900, 330, "A 4-20 mA pyrometer on an analogue input")
    d.text(24, 34, "A 4-20 mA pyrometer on an analogue input", 18, bold=True)
    d.rect(40, 110, 160, 110, "#fbe9e7")
    d.text(120, 160, "pyrometer", 15, "middle", bold=True)
    d.text(120, 182, "two-wire, 24 V", 13, "middle", colour=SOFT)
    d.text(192, 135, "+", 16, "end")
    d.text(192, 208, "−", 16, "end")
    d.rect(300, 72, 130, 60, "#fff4e6")
    d.text(365, 98, "24 V supply", 13, "middle", bold=True)
    d.text(365, 118, "(its own, floating)", 12, "middle", colour=SOFT)
    d.wire([(200, 130), (240, 130), (240, 102), (300, 102)], RED)
    d.wire([(430, 102), (520, 102), (520, 270), (620, 270)], BLACK)
    d.wire([(200, 202), (460, 202), (460, 202), (560, 202)], BLUE)
    d.wire([(470, 202), (470, 270), (520, 270)], BLUE)
    d.rect(463, 216, 14, 40, PAPER, INK, 1)
    d.text(456, 240, "150 Ω 0.1 %", 13, "end")
    d.dot(470, 202, BLUE)
    d.dot(520, 270, BLACK)
    d.resistor(580, 202, "1 kΩ")
    d.wire([(600, 202), (700, 202)], BLUE)
    d.dot(650, 202)
    d.wire([(650, 202), (650, 232)], INK)
    d.wire([(650, 240), (650, 270)], INK)
    d.capacitor(650, 236, "100 nF")
    d.dot(650, 270)
    d.wire([(600, 270), (760, 270)], BLACK)
    d.rect(740, 150, 120, 150, "#eef6ee")
    d.text(800, 180, "Pico", 15, "middle", bold=True)
    d.text(748, 207, "GP26 (ADC)", 12)
    d.text(748, 275, "AGND", 12)
    d.wire([(700, 202), (740, 202)], BLUE)
    d.text(40, 262, "4 mA:   0.60 V,  low end of its scale", 13)
    d.text(40, 282, "20 mA: 3.00 V,  high end", 13)
    d.text(40, 302, "under 3.6 mA (0.54 V): broken", 13)
    d.save()


def beacon() -> None:
    d = Drawing("beacon", 900, 360, "Lamp and buzzer")
    d.text(24, 34, "Lamp and buzzer at the fire", 18, bold=True)
    d.rect(40, 90, 150, 200, "#eef6ee")
    d.text(115, 118, "Pico", 15, "middle", bold=True)
    d.text(182, 165, "GP14 lamp", 13, "end")
    d.text(182, 225, "GP15 buzzer", 13, "end")
    d.text(182, 275, "GND", 13, "end")
    for x, y, name in ((430, 160, "12 V lamp"), (660, 220, "12 V buzzer")):
        d.wire([(190, y), (x - 120, y)], PURPLE)
        d.resistor(x - 100, y, "220 Ω")
        d.wire([(x - 80, y), (x - 30, y)], PURPLE)
        d.dot(x - 56, y, PURPLE)
        d.wire([(x - 56, y), (x - 56, y + 20)], INK)
        d.rect(x - 63, y + 20, 14, 34, PAPER, INK, 1)
        d.text(x - 70, y + 42, "10 kΩ", 12, "end")
        d.wire([(x - 56, y + 54), (x - 56, 320)], INK)
        d.dot(x - 56, 320)
        d.rect(x - 30, y - 22, 60, 44, "#f4ecfa", PURPLE)
        d.text(x, y - 2, "logic", 12, "middle")
        d.text(x, y + 14, "MOSFET", 12, "middle")
        d.wire([(x, y + 22), (x, 320)], BLACK)
        d.dot(x, 320)
        d.wire([(x, y - 22), (x, y - 40)], INK)
        d.rect(x - 45, y - 84, 90, 44, "#fff9db", INK)
        d.text(x, y - 57, name, 13, "middle")
        d.wire([(x, y - 84), (x, 60)], RED)
    d.wire([(430, 60), (800, 60)], RED)
    d.dot(660, 60, RED)
    d.wire([(190, 270), (220, 270), (220, 320), (800, 320)], BLACK)
    d.rect(780, 150, 90, 90, "#fff4e6")
    d.text(825, 190, "12 V", 15, "middle", bold=True)
    d.text(825, 210, "fuse 1 A", 12, "middle", colour=SOFT)
    d.wire([(800, 60), (825, 60), (825, 150)], RED)
    d.wire([(800, 320), (825, 320), (825, 240)], BLACK)
    d.text(240, 350, "10 kΩ holds them off while the Pico starts.", 13, colour=SOFT)
    d.save()


def power() -> None:
    d = Drawing("power", 900, 330, "Power for a rig on its own")
    d.text(24, 34, "Power for a rig on its own", 18, bold=True)
    boxes = [
        (30, "battery\n12 V 7 Ah", "#fff4e6"),
        (200, "fuse\n2 A", PAPER),
        (330, "switch", PAPER),
        (460, "12 V → 5 V\nconverter", "#e7f0fa"),
        (640, "Pico\nVSYS", "#eef6ee"),
    ]
    for x, words, fill in boxes:
        w = {30: 130, 200: 90, 330: 90, 460: 130, 640: 100}[x]
        d.rect(x, 80, w, 70, fill)
        lines = words.split("\n")
        for i, line in enumerate(lines):
            d.text(x + w / 2, 120 + 20 * i - 10 * (len(lines) - 1), line, 14, "middle", bold=i == 0)
    for x0, x1, c in ((160, 200, RED), (290, 330, RED), (420, 460, RED), (590, 640, RED)):
        d.wire([(x0, 115), (x1, 115)], c)
    d.wire([(740, 115), (780, 115)], RED)
    d.text(786, 112, "3V3 OUT to", 13)
    d.text(786, 130, "amplifiers", 13)
    d.wire([(690, 150), (690, 230)], BLUE)
    d.rect(620, 230, 140, 60, "#f4ecfa", PURPLE)
    d.text(690, 256, "USB isolator", 13, "middle")
    d.text(690, 276, "cheap insurance", 12, "middle", colour=SOFT)
    d.wire([(620, 260), (480, 260)], BLUE)
    d.rect(340, 230, 140, 60, PAPER)
    d.text(410, 256, "the logger's", 14, "middle")
    d.text(410, 276, "machine", 14, "middle")
    d.text(30, 200, "Keep the battery away from the fire,", 13, colour=SOFT)
    d.text(30, 218, "in shade, touching nothing earthed.", 13, colour=SOFT)
    d.text(30, 246, "A Schottky diode in the VSYS lead", 13, colour=SOFT)
    d.text(30, 264, "keeps battery and USB apart when", 13, colour=SOFT)
    d.text(30, 282, "both are connected.", 13, colour=SOFT)
    d.save()


def placement() -> None:
    d = Drawing("placement", 900, 620, "Where probes go in a stack")
    d.text(24, 34, "Where probes go (an invented stack)", 18, bold=True)
    d.rect(0, 500, 900, 120, EARTH, EARTH, 0)
    d.path("M120,500 C160,470 480,470 520,500 Z", "#5b2b12", "#5b2b12")
    d.text(140, 520, "coals", 13)
    for x in (190, 320, 450):
        d.rect(x - 22, 450, 44, 30, STEEL, INK, 3)

    def pot(x: float, y: float, s: float) -> None:
        d.path(
            f"M{x - 46 * s},{y} C{x - 70 * s},{y - 60 * s} {x - 50 * s},{y - 92 * s} {x - 26 * s},{y - 100 * s}"
            f" h{52 * s} C{x + 50 * s},{y - 92 * s} {x + 70 * s},{y - 60 * s} {x + 46 * s},{y} Z",
            CLAY,
        )

    for x in (210, 320, 430):
        pot(x, 450, 0.9)
    for x in (262, 378):
        pot(x, 356, 0.9)
    pot(320, 264, 0.85)
    d.wire([(100, 500), (250, 150)], "#6d4c41", 10)
    d.wire([(140, 500), (275, 160)], "#6d4c41", 8)
    d.wire([(540, 500), (390, 150)], "#6d4c41", 10)
    d.wire([(500, 500), (365, 160)], "#6d4c41", 8)
    probes = [
        ("top air", 320, 168, 110, "above the load, under the wood:\nleads the climb", PURPLE),
        ("upper wall", 334, 300, 190, "touching a pot high up: cools\nfirst in burn-down", BLUE),
        ("lower air", 374, 372, 270, "in the gap between pots,\ntouching nothing", PURPLE),
        ("lower wall", 260, 424, 350, "touching a pot low down, away\nfrom the wind", BLUE),
        ("coals", 300, 487, 430, "under the load, in the coals:\na sheathed probe, lying level", BLACK),
    ]
    for name, x, y, row, words, colour in probes:
        d.dot(x, y, colour, 7)
        d.wire([(x, y), (605, row - 5)], colour, 1.4, "3 4")
        d.text(612, row, name, 14, bold=True, colour=colour)
        d.text(612, row + 18, words, 12)
    d.dot(176, 380, RED, 7)
    d.wire([(176, 380), (84, 404)], RED, 1.4, "3 4")
    d.text(20, 424, "windward", 14, bold=True, colour=RED)
    d.text(20, 442, "at the edge:", 12)
    d.text(20, 458, "first to cool", 12)
    d.path("M300,492 L300,548 L900,548", "none", STEEL, 9)
    d.text(330, 580, "All leads leave together, below ground or in steel conduit,", 13)
    d.text(330, 598, "out of the heat and out from underfoot.", 13)
    d.arrow(40, 330, 110, 330, RED)
    d.text(30, 318, "wind", 13, colour=RED)
    d.save()


def overview() -> None:
    d = Drawing("overview", 900, 380, "The whole rig")
    d.text(24, 34, "The whole rig", 18, bold=True)
    d.rect(0, 270, 900, 110, EARTH, EARTH, 0)
    d.path("M50,270 C20,180 90,150 110,70 C150,130 210,160 190,270 Z", GLOW, FIRE)
    for x, y in ((90, 250), (120, 215), (125, 160), (150, 245)):
        d.dot(x, y, INK, 5)
        d.wire([(x, y), (x, 285), (190, 300)], INK, 1.5)
    d.wire([(190, 300), (330, 300), (400, 300)], STEEL, 10)
    d.text(205, 330, "leads in steel conduit, in the ground:", 13)
    d.text(205, 348, "3 m or more, type K wire all the way", 13)
    d.wire([(400, 300), (440, 300), (440, 230)], INK, 2)
    d.rect(400, 130, 150, 100, "#e7f0fa")
    d.text(475, 158, "the rig's box", 14, "middle", bold=True)
    d.text(475, 180, "terminals, amplifiers,", 12, "middle")
    d.text(475, 196, "microcontroller", 12, "middle")
    d.text(475, 216, "in shade", 12, "middle", colour=SOFT)
    d.wire([(550, 165), (630, 165)], BLUE)
    d.text(590, 156, "USB", 13, "middle", colour=BLUE)
    d.wire([(550, 200), (630, 200)], PURPLE, 2.2, "5 5")
    d.text(590, 220, "or Wi-Fi", 13, "middle", colour=PURPLE)
    d.rect(630, 130, 140, 100, "#eef6ee")
    d.text(700, 165, "the logger's", 14, "middle", bold=True)
    d.text(700, 183, "machine", 14, "middle", bold=True)
    d.text(700, 210, "keeps every reading", 11, "middle", colour=SOFT)
    d.wire([(770, 180), (810, 180)], PURPLE, 2.2, "5 5")
    d.rect(810, 140, 70, 90, PAPER)
    d.text(845, 190, "tablet", 13, "middle")
    d.rect(400, 60, 70, 40, "#fff9db")
    d.text(435, 85, "beacon", 13, "middle")
    d.wire([(435, 100), (435, 130)], INK, 1.6)
    d.rect(490, 60, 80, 40, "#fff4e6")
    d.text(530, 85, "battery", 13, "middle")
    d.wire([(530, 100), (530, 130)], RED, 1.6)
    d.save()


def cold_junction() -> None:
    d = Drawing("cold_junction", 900, 320, "The cold junction")
    d.text(24, 34, "The cold junction is where type K wire ends and copper begins", 18, bold=True)
    d.path("M40,230 C20,170 70,150 80,100 C110,140 140,160 125,230 Z", GLOW, FIRE)
    d.dot(95, 180, INK, 6)
    d.text(40, 252, "hot junction", 13)
    d.wire([(95, 180), (130, 172), (560, 172)], POSITIVE, 3)
    d.wire([(95, 180), (130, 188), (560, 188)], NEGATIVE, 3)
    d.text(300, 158, "type K wire all the way", 14, "middle")
    d.text(300, 214, "or type K extension lead (KX), never copper", 13, "middle", colour=SOFT)
    d.rect(540, 90, 330, 180, "#f2f8f2", GREEN)
    d.text(556, 114, "one temperature in here", 14, bold=True, colour=GREEN)
    d.rect(560, 150, 50, 60, STEEL)
    d.text(585, 230, "terminals", 13, "middle")
    d.dot(585, 172, INK, 5)
    d.dot(585, 188, INK, 5)
    d.wire([(610, 172), (680, 172)], ORANGE, 2)
    d.wire([(610, 188), (680, 188)], ORANGE, 2)
    d.text(646, 160, "copper,", 12, "middle")
    d.text(646, 210, "short", 12, "middle")
    d.rect(680, 140, 150, 80, "#e7f0fa")
    d.text(755, 170, "amplifier", 14, "middle", bold=True)
    d.text(755, 190, "with its own", 12, "middle")
    d.text(755, 206, "thermometer", 12, "middle")
    d.text(
        24,
        300,
        "A terminal 10 °C warmer than the chip makes the reading 10 °C too low. Shade, no draught, nothing warm nearby.",
        14,
    )
    d.save()


def main() -> None:
    for make in (
        overview,
        spi,
        i2c,
        junctions,
        isolation,
        filter_,
        cold_junction,
        colours,
        loop,
        beacon,
        power,
        placement,
    ):
        make()


if __name__ == "__main__":
    main()
