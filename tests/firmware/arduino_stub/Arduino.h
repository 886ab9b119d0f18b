// As much of an Arduino-style board as the example sketch needs, on the host: four MAX31855 behind pins, standard output
// as the serial port, and a clock that runs a millisecond for each turn of the loop. Started with the words in hex.
#pragma once
#include <cstdint>
#include <cstdio>
#include <cstdlib>

enum { LOW, HIGH, INPUT, OUTPUT, INPUT_PULLUP };

static uint32_t stub_ms, stub_words[4], stub_shift;
static int stub_selected = -1, stub_clock;

struct {
    void begin(long) {}
    int available() { return stub_ms == 3000 ? 2 - asked : 0; }
    int read() { return "?\n"[asked++]; }
    void write(uint8_t byte) { putchar(byte); }
    int asked;
} Serial;

static uint32_t millis() { return stub_ms; }
static void pinMode(uint8_t, int) {}

static void digitalWrite(uint8_t pin, int level) {
    if (pin == 13) {
        if (stub_clock && !level) stub_shift <<= 1;  // Maxim 19-5793: the next bit comes with the falling edge
        stub_clock = level;
    } else if (pin >= 7 && pin <= 10) {
        stub_selected = level ? -1 : 10 - pin;
        if (!level) stub_shift = stub_words[stub_selected];
    }
}

static int digitalRead(uint8_t) { return stub_selected < 0 || stub_shift >> 31 ? HIGH : LOW; }

void setup();
void loop();

int main(int, char **words) {
    for (int i = 0; i < 4; i++) stub_words[i] = (uint32_t)strtoul(words[i + 1], nullptr, 16);
    for (setup(); stub_ms < 20000; stub_ms++) loop();
}
