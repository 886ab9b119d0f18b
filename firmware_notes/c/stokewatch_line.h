/* The rig's line in C: one header, C99, no heap, no floating point, no buffer. MIT licence, like all of Stokewatch.
 *
 * A frame goes out byte by byte through your own function, so its length costs no memory:
 *
 *     static void put(void *port, char byte) { (void)port; Serial.write(byte); }
 *
 *     static struct sw_line line = {put, 0};
 *     sw_begin(&line, "b1", seq++, millis());
 *     sw_celsius(&line, "k0", 612250);              // 612.25 °C, in thousandths
 *     sw_raw(&line, "k1", "max31855", word, 4);     // better: the chip's own register word, high byte first
 *     sw_fault(&line, "k2", "open");                // no number: a broken thermocouple
 *     sw_end(&line);
 *
 * `ms` is the time when the probes were read, from a 32-bit clock that runs forward and wraps, as millis() does.
 * `seq` counts frames by one, from 0 at power-on. wire_format.md defines each register word.
 *
 * A line that isn't a frame begins with '#': sw_say() sends words for a person, sw_about() the answer to '?'.
 */
#ifndef STOKEWATCH_LINE_H
#define STOKEWATCH_LINE_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

struct sw_line {
    void (*put)(void *port, char byte); /* sends one byte */
    void *port;                         /* passed on to put() */
    uint32_t crc;
    uint8_t begun; /* a channel has been written */
};

/* CRC-32 (ISO-HDLC, as zlib's), half a byte at a time: 64 bytes of table instead of 1024. */
static uint32_t sw_crc(uint32_t crc, uint8_t byte)
{
    static const uint32_t table[16] = {
        0x00000000u, 0x1db71064u, 0x3b6e20c8u, 0x26d930acu, 0x76dc4190u, 0x6b6b51f4u, 0x4db26158u, 0x5005713cu,
        0xedb88320u, 0xf00f9344u, 0xd6d6a3e8u, 0xcb61b38cu, 0x9b64c2b0u, 0x86d3d2d4u, 0xa00ae278u, 0xbdbdf21cu,
    };
    crc = (crc >> 4) ^ table[(crc ^ byte) & 15u];
    return (crc >> 4) ^ table[(crc ^ (uint32_t)(byte >> 4)) & 15u];
}

static void sw_put(struct sw_line *line, char byte)
{
    line->crc = sw_crc(line->crc, (uint8_t)byte);
    line->put(line->port, byte);
}

static void sw_text(struct sw_line *line, const char *text)
{
    while (*text) sw_put(line, *text++);
}

static void sw_hex(struct sw_line *line, uint8_t byte)
{
    static const char digits[] = "0123456789abcdef";
    sw_put(line, digits[byte >> 4]);
    sw_put(line, digits[byte & 15]);
}

static void sw_number(struct sw_line *line, uint32_t number)
{
    char digits[10];
    uint8_t count = 0;
    do {
        digits[count++] = (char)('0' + number % 10u);
        number /= 10u;
    } while (number);
    while (count) sw_put(line, digits[--count]);
}

/* Thousandths, as a decimal number: -1500 is -1.500. */
static void sw_thousandths(struct sw_line *line, int32_t value)
{
    uint32_t size = value < 0 ? 0u - (uint32_t)value : (uint32_t)value;
    if (value < 0) sw_put(line, '-');
    sw_number(line, size / 1000u);
    sw_put(line, '.');
    sw_put(line, (char)('0' + size / 100u % 10u));
    sw_put(line, (char)('0' + size / 10u % 10u));
    sw_put(line, (char)('0' + size % 10u));
}

/* Write the checksum of everything since the line began, and end the line. */
static void sw_seal(struct sw_line *line)
{
    uint32_t crc = ~line->crc;
    int8_t i;
    sw_put(line, '*');
    for (i = 24; i >= 0; i -= 8) sw_hex(line, (uint8_t)(crc >> i));
    sw_put(line, '\n');
}

/* Begin a frame. Names (rig, channels) are 1 to 32 letters, digits, '_', '-', '.'; a letter or digit first. */
static void sw_begin(struct sw_line *line, const char *rig, uint32_t seq, uint32_t ms)
{
    line->crc = 0xffffffffu;
    line->begun = 0;
    sw_text(line, "{\"rig\":\"");
    sw_text(line, rig);
    sw_text(line, "\",\"seq\":");
    sw_number(line, seq);
    sw_text(line, ",\"ms\":");
    sw_number(line, ms);
    sw_text(line, ",\"ch\":{");
}

static void sw_channel(struct sw_line *line, const char *name, const char *key)
{
    if (line->begun) sw_put(line, ',');
    line->begun = 1;
    sw_put(line, '"');
    sw_text(line, name);
    sw_text(line, "\":{\"");
    sw_text(line, key);
    sw_text(line, "\":");
}

/* The chip's own register word, `size` bytes, high byte first. The best thing a rig can send. */
static void sw_raw(struct sw_line *line, const char *name, const char *amp, const uint8_t *word, uint8_t size)
{
    sw_channel(line, name, "amp");
    sw_put(line, '"');
    sw_text(line, amp);
    sw_text(line, "\",\"raw\":\"");
    while (size--) sw_hex(line, *word++);
    sw_text(line, "\"}");
}

/* Thermoelectric voltage above the cold junction in nanovolts, and the cold junction in thousandths of a °C. */
static void sw_emf(struct sw_line *line, const char *name, int32_t nanovolts, int32_t cold_junction)
{
    sw_channel(line, name, "uv");
    sw_thousandths(line, nanovolts);
    sw_text(line, ",\"cj\":");
    sw_thousandths(line, cold_junction);
    sw_put(line, '}');
}

/* A temperature in thousandths of a °C, where the chip gives nothing better. */
static void sw_celsius(struct sw_line *line, const char *name, int32_t thousandths)
{
    sw_channel(line, name, "c");
    sw_thousandths(line, thousandths);
    sw_put(line, '}');
}

/* No number: "open", "short_ground", "short_supply" or "range". Never make up a temperature. */
static void sw_fault(struct sw_line *line, const char *name, const char *fault)
{
    sw_channel(line, name, "fault");
    sw_put(line, '"');
    sw_text(line, fault);
    sw_text(line, "\"}");
}

/* End a frame. It must have at least one channel: check before you begin it. */
static void sw_end(struct sw_line *line)
{
    sw_text(line, "}}");
    sw_seal(line);
}

/* A line of words for a person; the logger drops it. */
static void sw_say(struct sw_line *line, const char *words)
{
    sw_text(line, "# ");
    sw_text(line, words);
    sw_put(line, '\n');
}

/* Who this is: send it at power-on, and whenever the host sends "?". `channels` is "\"k0\":\"max31855\",…". */
static void sw_about(struct sw_line *line, const char *rig, uint32_t period_ms, const char *channels)
{
    line->crc = 0xffffffffu;
    sw_text(line, "#{\"rig\":\"");
    sw_text(line, rig);
    sw_text(line, "\",\"program\":\"stokewatch_line.h 1\",\"period_ms\":");
    sw_number(line, period_ms);
    sw_text(line, ",\"link\":\"serial\",\"ch\":{");
    sw_text(line, channels);
    sw_text(line, "}}");
    sw_seal(line);
}

/* Call with each byte from the host; returns 1 at the end of a line "?". Keep `state` between calls, from 0. */
static int sw_asked(uint8_t *state, char byte)
{
    if (byte == '\n' || byte == '\r') {
        int asked = *state == 1;
        *state = 0;
        return asked;
    }
    *state = (uint8_t)(*state == 0 && byte == '?' ? 1 : 2);
    return 0;
}

#ifdef __cplusplus
}
#endif

#endif
