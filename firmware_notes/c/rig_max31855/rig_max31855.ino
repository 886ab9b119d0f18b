/* Four MAX31855 on an Arduino-style board. Copy stokewatch_line.h beside this sketch.
 *
 *   clock (SCK) 13, data from the chips (SO) 12, one select pin each: 10, 9, 8, 7. Supply the chips with 3.3 V.
 *   A 5 V board needs a level shifter on SCK and CS: the chip's inputs can't take 5 V. Or use a 3.3 V board.
 *
 * The pins are driven directly, so any pins will do, and no library is needed.
 */
#include "stokewatch_line.h"

static const char RIG[] = "b1"; /* two rigs at one fire need two names */
static const char *const NAMES[] = {"k0", "k1", "k2", "k3"};
static const uint8_t SELECT[] = {10, 9, 8, 7};
static const uint8_t CLOCK = 13, DATA = 12, COUNT = sizeof SELECT;
static const uint32_t PERIOD_MS = 500;

static void put(void *, char byte) { Serial.write((uint8_t)byte); }

static struct sw_line line = {put, 0, 0, 0};
static uint32_t seq, due;
static uint8_t heard;

static void about() {
    sw_about(&line, RIG, PERIOD_MS,
             "\"k0\":\"max31855\",\"k1\":\"max31855\",\"k2\":\"max31855\",\"k3\":\"max31855\"");
}

static void readWord(uint8_t select, uint8_t word[4]) {
    digitalWrite(select, LOW);
    for (uint8_t i = 0; i < 32; i++) {
        digitalWrite(CLOCK, HIGH); /* the chip put the bit out on the falling edge before */
        word[i / 8] = (uint8_t)(word[i / 8] << 1 | (digitalRead(DATA) == HIGH));
        digitalWrite(CLOCK, LOW);
    }
    digitalWrite(select, HIGH);
}

void setup() {
    Serial.begin(115200);
    pinMode(CLOCK, OUTPUT);
    digitalWrite(CLOCK, LOW);
    pinMode(DATA, INPUT_PULLUP); /* a missing chip reads as all ones, which the logger knows */
    for (uint8_t i = 0; i < COUNT; i++) {
        pinMode(SELECT[i], OUTPUT);
        digitalWrite(SELECT[i], HIGH);
    }
    about();
    due = millis();
}

void loop() {
    while (Serial.available() > 0) {
        if (sw_asked(&heard, (char)Serial.read())) about();
    }
    uint32_t now = millis();
    if ((int32_t)(now - due) < 0) return;
    due += PERIOD_MS * (1 + (now - due) / PERIOD_MS); /* the beat follows the clock, however long a read took */
    uint8_t word[4];
    sw_begin(&line, RIG, seq++, now);
    for (uint8_t i = 0; i < COUNT; i++) {
        readWord(SELECT[i], word);
        sw_raw(&line, NAMES[i], "max31855", word, 4);
    }
    sw_end(&line);
}
