"""The chips' words against the tables of their datasheets, and round trips."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.conversion import amplifiers
from logger.conversion.amplifiers import AMPLIFIERS, Decoded, amplifier, decode_words, encode_word
from logger.physics.thermocouple import LETTERS, compensated_temperature_c, emf_uv, range_c, slope_uv_per_c
from logger.reading import Status


def one(amp: str, word: int, letter: str = "K") -> Decoded:
    return decode_words(amp, np.array([word], np.int64), letter)


def hot_c(amp: str, word: int, letter: str = "K") -> float:
    """The temperature that a whole conversion gives for one word."""
    decoded = one(amp, word, letter)
    if AMPLIFIERS[amp].kind == "emf":
        return float(compensated_temperature_c(letter, decoded.emf_uv, decoded.cold_junction_c)[0])
    return float(decoded.temperature_c[0])


# --- MAX31855: Maxim 19-5793 (rev. 5, 1/15) ---

# Table 4, thermocouple temperature data format, D31..D18.
MAX31855_TABLE_4 = [
    (1600.00, 0b01_1001_0000_0000),
    (1000.00, 0b00_1111_1010_0000),
    (100.75, 0b00_0001_1001_0011),
    (25.00, 0b00_0000_0110_0100),
    (0.00, 0b00_0000_0000_0000),
    (-0.25, 0b11_1111_1111_1111),
    (-1.00, 0b11_1111_1111_1100),
    (-250.00, 0b11_1100_0001_1000),
]

# Table 5, reference junction temperature data format, D15..D4.
MAX31855_TABLE_5 = [
    (127.0000, 0b0111_1111_0000),
    (100.5625, 0b0110_0100_1001),
    (25.0000, 0b0001_1001_0000),
    (0.0000, 0b0000_0000_0000),
    (-0.0625, 0b1111_1111_1111),
    (-1.0000, 0b1111_1111_0000),
    (-20.0000, 0b1110_1100_0000),
    (-55.0000, 0b1100_1001_0000),
]


@pytest.mark.parametrize(("line_c", "bits"), MAX31855_TABLE_4)
def test_max31855_thermocouple_table(line_c: float, bits: int) -> None:
    decoded = one("max31855", bits << 18 | 0x190 << 4)
    assert decoded.status[0] == Status.OK
    assert decoded.cold_junction_c[0] == 25.0
    assert decoded.emf_uv[0] == pytest.approx(41.276 * (line_c - 25.0), rel=0, abs=1e-6)


@pytest.mark.parametrize(("junction_c", "bits"), MAX31855_TABLE_5)
def test_max31855_reference_junction_table(junction_c: float, bits: int) -> None:
    decoded = one("max31855", 0b00_0001_1001_0011 << 18 | bits << 4)
    assert decoded.status[0] == Status.OK
    assert decoded.cold_junction_c[0] == junction_c
    assert decoded.emf_uv[0] == pytest.approx(41.276 * (100.75 - junction_c), rel=0, abs=1e-6)


@pytest.mark.parametrize(
    ("bits", "status"),
    [
        (0x0001_0001, Status.OPEN),
        (0x0001_0002, Status.SHORT_GROUND),
        (0x0001_0004, Status.SHORT_SUPPLY),
        (0x0001_0000, Status.CORRUPT),  # a fault without its reason
        (0x0000_0001, Status.OPEN),  # a reason without the fault bit: still no reading
        (0x0002_0000, Status.CORRUPT),  # D17 always reads 0
        (0x0000_0008, Status.CORRUPT),  # D3 always reads 0
    ],
)
def test_max31855_fault_bits(bits: int, status: Status) -> None:
    """Tables 2 and 3: memory map."""
    decoded = one("max31855", 0x0640_1900 | bits)
    assert decoded.status[0] == status
    assert np.isnan(decoded.emf_uv[0])
    # The chip measures its own junction regardless of the thermocouple.
    assert decoded.cold_junction_c[0] == 25.0 or status is Status.CORRUPT


def test_max31855_gains_are_the_nist_values_that_the_datasheet_took_them_from() -> None:
    """Table 1: each gain is the mean slope from 0 °C to 1000 °C (T: 400 °C) of NIST's tables."""
    for letter, gain in amplifiers.MAX31855_GAIN_UV_PER_C.items():
        end_c = 400.0 if letter == "T" else 1000.0
        assert gain == pytest.approx(emf_uv(letter, end_c) / end_c, rel=0, abs=0.0006)


def test_max31855_straight_line_is_undone() -> None:
    """A junction at 25 °C and a couple at 800 °C: the chip itself says 806.9, which is wrong."""
    line_c = 25 + (33275 - 1000) / 41.276  # NIST Monograph 175, type K: 33.275 mV at 800 °C, 1.000 at 25 °C
    assert line_c == pytest.approx(806.9, abs=0.05)
    word = round(line_c * 4) << 18 | 25 * 16 << 4
    assert hot_c("max31855", word) == pytest.approx(800, rel=0, abs=0.13)  # 0.25 °C a count


# --- MAX6675: Maxim 19-2235 (rev. 2, 4/14), 'Serial Interface' ---


@pytest.mark.parametrize(
    ("word", "line_c"), [(100 << 3, 25.0), (1 << 3, 0.25), (3200 << 3, 800.0), (4094 << 3, 1023.5)]
)
def test_max6675_counts_of_a_quarter_degree(word: int, line_c: float) -> None:
    """D14..D3 in 0.25 °C; the datasheet shows the layout (figure 2) but no table of examples."""
    decoded = one("max6675", word)
    assert decoded.status[0] == Status.OK
    assert decoded.cold_junction_c[0] == amplifiers.MAX6675_ASSUMED_JUNCTION_C
    assert decoded.emf_uv[0] == pytest.approx(41 * (line_c - 25), rel=0, abs=1e-6)


@pytest.mark.parametrize(
    ("word", "status"),
    [
        (0x0004, Status.OPEN),
        (0x0C84, Status.OPEN),
        (0x7FF8, Status.RANGE),  # full scale
        (0x8000 | 0x0C80, Status.CORRUPT),  # D15 is always zero
        (0x0002 | 0x0C80, Status.CORRUPT),  # D1 is low
        (0x0001, Status.CORRUPT),  # all zeros but the floating D0
        (0x0001 | 0x0C80, Status.OK),  # D0 is three-state
    ],
)
def test_max6675_bits(word: int, status: Status) -> None:
    assert one("max6675", word).status[0] == status


@pytest.mark.parametrize(
    ("junction_c", "error_c"),
    [(-20.0, 1.8), (0.0, 0.7), (10.0, 0.3), (25.0, 0.001), (40.0, 0.1), (60.0, 0.1), (85.0, 0.4)],
)
def test_max6675_cost_of_the_assumed_junction(junction_c: float, error_c: float) -> None:
    """The figures that `MAX6675_ASSUMED_JUNCTION_C` gives, without the chip's rounding."""
    hot = np.linspace(max(junction_c, 0), 1000, 201)
    line = junction_c + (emf_uv("K", hot) - emf_uv("K", junction_c)) / 41
    worst = np.abs(compensated_temperature_c("K", 41 * (line - 25), 25.0) - hot).max()
    assert worst < error_c
    assert worst > 0.7 * error_c or error_c <= 0.1


def test_max6675_uses_a_junction_that_is_known() -> None:
    words = np.array([encode_word("max6675", 800.0, -20.0)] * 2)
    decoded = decode_words("max6675", words, "K", np.array([-20.0, np.nan]))
    got = compensated_temperature_c("K", decoded.emf_uv, decoded.cold_junction_c)
    assert got[0] == pytest.approx(800, rel=0, abs=0.13)
    assert 798 < got[1] < 799


# --- MAX31856: Maxim 19-7534 (rev. 0, 2/15), data format tables; values from memory ---

MAX31856_LINEARISED = [
    (1600.00, 0x640000),
    (1000.00, 0x3E8000),
    (100.9375, 0x064F00),
    (25.00, 0x019000),
    (0.0625, 0x000100),
    (0.00, 0x000000),
    (-0.0625, 0xFFFF00),
    (-1.00, 0xFFF000),
    (-250.00, 0xF06000),
]

MAX31856_COLD_JUNCTION = [
    (127.984375, 0x7FFC),
    (127.0, 0x7F00),
    (125.0, 0x7D00),
    (64.0, 0x4000),
    (25.0, 0x1900),
    (0.5, 0x0080),
    (0.015625, 0x0004),
    (0.0, 0x0000),
    (-0.5, 0xFF80),
    (-25.0, 0xE700),
    (-55.0, 0xC900),
]


@pytest.mark.parametrize(("temperature_c", "bits"), MAX31856_LINEARISED)
def test_max31856_linearised_table(temperature_c: float, bits: int) -> None:
    letter = "B" if temperature_c > 1372 else "K"
    decoded = one("max31856", 0x1900 << 32 | bits << 8, letter)
    assert decoded.status[0] == Status.OK
    assert decoded.temperature_c[0] == temperature_c
    assert decoded.cold_junction_c[0] == 25.0


@pytest.mark.parametrize(("junction_c", "bits"), MAX31856_COLD_JUNCTION)
def test_max31856_cold_junction_table(junction_c: float, bits: int) -> None:
    decoded = one("max31856", bits << 32 | 0x064F00 << 8)
    assert decoded.status[0] == Status.OK
    assert decoded.cold_junction_c[0] == junction_c


@pytest.mark.parametrize(
    ("sr", "status"),
    [
        (0x80, Status.RANGE),  # CJ range
        (0x40, Status.RANGE),  # TC range
        (0x3C, Status.OK),  # CJHIGH, CJLOW, TCHIGH, TCLOW: alarms on limits that the user has set
        (0x02, Status.SHORT_SUPPLY),  # OVUV
        (0x01, Status.OPEN),
        (0xC3, Status.OPEN),
    ],
)
def test_max31856_fault_status_register(sr: int, status: Status) -> None:
    assert one("max31856", 0x1900 << 32 | 0x064F00 << 8 | sr).status[0] == status


def test_max31856_bits_without_meaning() -> None:
    plain = 0x1900_064F_0000
    assert one("max31856", plain | 0x1F00).temperature_c[0] == 100.9375  # LTCBL bits 4..0 are not data
    assert one("max31856", plain | 0x3 << 32).status[0] == Status.CORRUPT  # CJTL bits 1..0 are always 0


# --- MCP9600: Microchip DS20005426 (rev. C), registers 5-2, 5-4, 5-6, equations 5-1 and 5-3 ---


@pytest.mark.parametrize(
    ("upper", "lower", "temperature_c"),
    [
        (0x3E, 0x80, 1000.0),
        (0x06, 0x4F, 100.9375),
        (0x01, 0x90, 25.0),
        (0x00, 0x01, 0.0625),
        (0xFF, 0xFF, -0.0625),
        (0xF0, 0x60, -250.0),
    ],
)
def test_mcp9600_equation_5_1(upper: int, lower: int, temperature_c: float) -> None:
    """T = upper x 16 + lower / 16, less 4096 below zero: the datasheet has no table of examples."""
    assert temperature_c == upper * 16 + lower / 16 - (4096 if upper & 0x80 else 0)
    decoded = one("mcp9600", upper << 32 | lower << 24 | 0x0190 << 8 | 0x40)
    assert decoded.status[0] == Status.OK
    assert decoded.temperature_c[0] == temperature_c
    assert decoded.cold_junction_c[0] == 25.0


def test_mcp9600_cold_junction_below_zero() -> None:
    """Register 5-4: bits 15 to 12 are all the sign."""
    assert one("mcp9600", 0x0190 << 24 | 0xFFEC << 8 | 0x40).cold_junction_c[0] == -1.25


@pytest.mark.parametrize(
    ("status_byte", "status"),
    [
        (0x40, Status.OK),
        (0xCF, Status.OK),  # burst complete, four alerts on the user's limits
        (0x50, Status.RANGE),  # input range
        (0x60, Status.CORRUPT),  # bit 5 is unimplemented
    ],
)
def test_mcp9600_status_register(status_byte: int, status: Status) -> None:
    assert one("mcp9600", 0x0190_0190 << 8 | status_byte).status[0] == status


# --- MLX90614: Melexis 390119061402 (rev. 004), 'SMBus communication with MLX90614', below table 7 ---


def test_mlx90614_ends_of_the_range() -> None:
    """'RAM address 0x07 will sweep between 0x27AD to 0x7FFF ... from -70.01 °C to +382.19 °C'."""
    assert one("mlx90614", 0x27AD).temperature_c[0] == pytest.approx(-70.01, rel=0, abs=1e-9)
    assert one("mlx90614", 0x7FFE).temperature_c[0] == pytest.approx(382.17, rel=0, abs=1e-9)


@pytest.mark.parametrize(
    ("word", "status"),
    [
        (0x7FFF, Status.RANGE),  # 'hotter than I can see', nothing more
        (0x27AC, Status.RANGE),
        (0x0001, Status.RANGE),
        (0x8000 | 0x3AF7, Status.CORRUPT),  # the MSB is an error flag
        (0xA41F, Status.CORRUPT),
    ],
)
def test_mlx90614_words_that_are_no_temperature(word: int, status: Status) -> None:
    decoded = one("mlx90614", word)
    assert decoded.status[0] == status
    assert np.isnan(decoded.temperature_c[0])


def test_mlx90614_room() -> None:
    """0x3AF7 = 15095 counts of 0.02 K = 301.90 K (the SMBus example of the same note, from memory)."""
    assert one("mlx90614", 0x3AF7).temperature_c[0] == pytest.approx(28.75, rel=0, abs=1e-9)


# --- all of them ---


@pytest.mark.parametrize("amp", AMPLIFIERS)
def test_a_dead_data_line_is_no_temperature(amp: str) -> None:
    ones = (1 << 8 * AMPLIFIERS[amp].word_bytes) - 1
    for word in (0, ones):
        decoded = one(amp, word)
        assert decoded.status[0] == Status.CORRUPT
        assert np.isnan([decoded.emf_uv[0], decoded.temperature_c[0]]).all()


@pytest.mark.parametrize("amp", AMPLIFIERS)
def test_words_are_exact_in_float64(amp: str) -> None:
    assert 8 * AMPLIFIERS[amp].word_bytes < 53
    word = encode_word(amp, 250.0)
    as_float = decode_words(amp, np.array([float(word)]))
    as_int = decode_words(amp, np.array([word]))
    for a, b in zip(
        (as_float.emf_uv, as_float.temperature_c, as_float.status),
        (as_int.emf_uv, as_int.temperature_c, as_int.status),
        strict=True,
    ):
        np.testing.assert_array_equal(a, b)


@pytest.mark.parametrize("amp", AMPLIFIERS)
@given(data=st.data())
def test_any_word_is_a_plausible_temperature_or_a_fault(amp: str, data: st.DataObject) -> None:
    chip = AMPLIFIERS[amp]
    letter = data.draw(st.sampled_from(chip.letters or ("K",)))
    words = data.draw(st.lists(st.integers(0, (1 << 8 * chip.word_bytes) - 1), min_size=1, max_size=8))
    decoded = decode_words(amp, np.array(words), letter)
    ok = decoded.status == Status.OK
    value = decoded.emf_uv if chip.kind == "emf" else decoded.temperature_c
    np.testing.assert_array_equal(np.isfinite(value), ok)
    assert np.isnan(decoded.temperature_c if chip.kind == "emf" else decoded.emf_uv).all()
    if chip.kind == "hot_junction":
        low_c, high_c = range_c(letter)
        assert ((value[ok] >= low_c) & (value[ok] <= high_c)).all()
    # One word at a time gives the same: no word affects its neighbours.
    for i, word in enumerate(words):
        assert one(amp, word, letter).status[0] == decoded.status[i]


# --- MCP9601: the same document, register 5-4 ---


@pytest.mark.parametrize(
    ("status_byte", "status"),
    [(0x40, Status.OK), (0x50, Status.OPEN), (0x60, Status.SHORT_GROUND), (0x70, Status.SHORT_GROUND)],
)
def test_mcp9601_tells_open_and_short(status_byte: int, status: Status) -> None:
    """An MCP9600 has no bit 5: from it, the same word is damage."""
    word = 0x0190_0190 << 8 | status_byte
    assert one("mcp9601", word).status[0] == status
    assert one("mcp9601", word).cold_junction_c[0] == 25.0  # the chip still measures its own junction


# --- ADS1115: Texas Instruments SBAS444, table of full scales (from memory) ---


@pytest.mark.parametrize(
    ("pga", "count_uv"),
    [(0, 187.5), (1, 125.0), (2, 62.5), (3, 31.25), (4, 15.625), (5, 7.8125), (7, 7.8125)],
)
def test_ads1115_counts_by_its_gain(pga: int, count_uv: float) -> None:
    word = (0x8183 | pga << 9) << 16 | 1000
    decoded = decode_words("ads1115", np.array([word]), "K", np.array([24.0]))
    assert decoded.emf_uv[0] == pytest.approx(1000 * count_uv, rel=1e-12)
    assert decoded.cold_junction_c[0] == 24.0


def test_ads1115_without_a_cold_junction_is_no_temperature() -> None:
    decoded = one("ads1115", encode_word("ads1115", 500.0))
    assert np.isnan(decoded.cold_junction_c[0])
    for counts in (0x7FFF, 0x8000):
        assert one("ads1115", 0x8F83 << 16 | counts).status[0] == Status.RANGE


def test_ads1115_at_800() -> None:
    """NIST Monograph 175, type K: 33.275 mV at 800 °C, 1.000 mV at 25 °C; 4131.2 counts of 7.8125 µV."""
    decoded = decode_words("ads1115", np.array([0x8F83 << 16 | 4131]), "K", np.array([25.0]))
    got = compensated_temperature_c("K", decoded.emf_uv, decoded.cold_junction_c)[0]
    assert got == pytest.approx(800, rel=0, abs=0.1)


# --- AD8495: Analog Devices AD8494-AD8497, ideal outputs at 25 °C ambient, in V (from memory) ---


@pytest.mark.parametrize(
    ("hot", "output_v"),
    [(0.0, 0.003), (25.0, 0.125), (100.0, 0.504), (500.0, 2.530), (800.0, 4.076), (1000.0, 5.055)],
)
def test_ad8495_table_of_outputs(hot: float, output_v: float) -> None:
    """Printed to a millivolt: a fifth of a degree, and half as much again for the offset."""
    word = round(output_v * 1e6)
    assert hot_c("ad8495", word) == pytest.approx(hot, rel=0, abs=0.3)


def test_ad8495_is_no_straight_line() -> None:
    """5 mV per degree would turn 800 °C into 815 °C (the emf of 800 °C by NIST Monograph 175: 33.275 mV)."""
    output_uv = 33_275 * 122.4 + 2600
    assert output_uv / 5000 == pytest.approx(815, abs=0.5)
    assert hot_c("ad8495", round(output_uv)) == pytest.approx(800, rel=0, abs=0.05)


# --- MLX90616: Melexis, section 8.4.6 of its data sheet ---


def test_mlx90616_sees_a_firing() -> None:
    assert one("mlx90616", 0xFFFE).temperature_c[0] == pytest.approx(1037.53, rel=0, abs=1e-9)
    assert one("mlx90616", 0xA41F).temperature_c[0] == pytest.approx(567.15, rel=0, abs=1e-9)
    assert one("mlx90614", 0xA41F).status[0] == Status.CORRUPT  # an error flag there, a number here


RESOLUTION_C = {
    "max6675": 0.25,
    "max31855": 0.25,
    "max31856": 1 / 128,
    "mcp9600": 1 / 16,
    "mcp9601": 1 / 16,
    "ads1115": 7.8125,  # of the emf [µV]
    "ad8495": 0.02,  # a µV of output; the reference function's inverse adds its own
    "mlx90614": 0.02,
    "mlx90616": 0.02,
}
JUNCTION_RESOLUTION_C = {"max31855": 1 / 16, "max31856": 1 / 64, "mcp9600": 1 / 16, "mcp9601": 1 / 16}


@pytest.mark.parametrize("amp", AMPLIFIERS)
@given(data=st.data())
def test_encode_decode_round_trip(amp: str, data: st.DataObject) -> None:
    """Within half a count; that of the straight-line chips is 0.25 °C of the line, not of the truth."""
    chip = AMPLIFIERS[amp]
    letter = data.draw(st.sampled_from(chip.letters or ("K",)))
    junction_c = data.draw(st.floats(1, 60))
    low_c, high_c = (
        (-60.0, 380.0) if chip.kind == "infrared" else (max(range_c(letter)[0], -150), range_c(letter)[1])
    )
    if amp == "max6675":
        low_c, high_c = 1.0, 950.0
    if letter == "B":
        low_c = 100.0
    temperature_c = data.draw(st.floats(low_c + 1, high_c - 1))
    word = encode_word(amp, temperature_c, junction_c, letter)
    known = None if chip.junction is not None else np.array([junction_c])
    decoded = decode_words(amp, np.array([word]), letter, known)
    count_c = RESOLUTION_C[amp]
    if chip.kind == "emf":
        gain = {"max6675": 41.0, "ads1115": 1.0}.get(amp) or amplifiers.MAX31855_GAIN_UV_PER_C[letter]
        if (
            amp != "ads1115"
            and not -269
            < junction_c + (emf_uv(letter, temperature_c) - emf_uv(letter, junction_c)) / gain
            < 1799
        ):
            assert decoded.status[0] in (Status.OK, Status.RANGE)
            return
        got = compensated_temperature_c(letter, decoded.emf_uv, decoded.cold_junction_c)[0]
        slope = min(
            slope_uv_per_c(letter, temperature_c), slope_uv_per_c(letter, min(temperature_c + 1, high_c))
        )
        # The word's two roundings, and the junction's, both as a temperature and in the straight line.
        error_uv = gain * (count_c + JUNCTION_RESOLUTION_C.get(amp, 0)) / 2
        error_uv += slope_uv_per_c(letter, junction_c) * JUNCTION_RESOLUTION_C.get(amp, 0) / 2
        count_c = 2 * error_uv / slope * 1.05
    else:
        got = decoded.temperature_c[0]
    assert decoded.status[0] == Status.OK
    assert abs(got - temperature_c) <= count_c / 2 + 1e-3 * (chip.kind == "emf") + 1e-9
    if chip.junction is not None:
        assert abs(decoded.cold_junction_c[0] - junction_c) <= JUNCTION_RESOLUTION_C[amp] / 2 + 1e-9


@pytest.mark.parametrize(
    ("amp", "status"), [(amp, status) for amp, chip in AMPLIFIERS.items() for status in chip.fault_words]
)
def test_fault_words(amp: str, status: Status) -> None:
    word = encode_word(amp, 500.0, status=status)
    assert word < 1 << 8 * AMPLIFIERS[amp].word_bytes
    assert one(amp, word).status[0] == status


def test_infrared_saturates_as_the_chip_does() -> None:
    assert one("mlx90614", encode_word("mlx90614", 800.0)).status[0] == Status.RANGE
    assert one("max6675", encode_word("max6675", 1200.0)).status[0] == Status.RANGE


def test_mistakes_name_the_mend() -> None:
    with pytest.raises(ValueError, match=r"'abc1'.*max31855.*'uv' with 'cj'"):
        amplifier("abc1")
    with pytest.raises(ValueError, match="mlx90640 is no use here: its range stops at 300 °C"):
        amplifier("mlx90640")
    with pytest.raises(ValueError, match=r"max31855 doesn.t support .* type B.*correct 'type' in the plan"):
        amplifier("max31855", "B")
    with pytest.raises(ValueError, match="mcp9600 has no word for OPEN; it has words for RANGE, CORRUPT"):
        encode_word("mcp9600", 20.0, status=Status.OPEN)
    with pytest.raises(ValueError, match=r"1400 °C is outside type K \(-270 to 1372 °C\)"):
        encode_word("max31855", 1400.0)


def test_registry_is_whole() -> None:
    for amp, chip in AMPLIFIERS.items():
        assert amp == amp.lower()
        assert set(chip.letters) <= set(LETTERS)
        assert (chip.kind == "infrared") == (not chip.letters)
