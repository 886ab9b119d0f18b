/* Runs an ATmega328P program in simavr with a simulated MAX31855 at its pins, and prints what its UART says.
 *
 *   avr_bench PROGRAM.elf MILLISECONDS WORD [ASK_AT_MS]
 *
 * The chip holds WORD (hex); clock PB5, data PB4, select PB2. At ASK_AT_MS the host says "?". Simulated time only.
 */
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <avr_ioport.h>
#include <avr_uart.h>
#include <sim_avr.h>
#include <sim_elf.h>

static avr_t *avr;
static avr_irq_t *data_pin;
static uint32_t word, shift;
static int selected, clock_level;

static void quiet(avr_t *unused, const int level, const char *format, va_list arguments)
{
    (void)unused, (void)arguments;
    if (level <= LOG_ERROR) fputs(format, stderr);
}

static void show(void) { avr_raise_irq(data_pin, selected ? shift >> 31 : 1); }

static void on_select(struct avr_irq_t *irq, uint32_t level, void *unused)
{
    (void)irq, (void)unused;
    selected = !level;
    shift = word; /* Maxim 19-5793: the conversion is frozen, and its first bit put out, when CS falls */
    show();
}

static void on_clock(struct avr_irq_t *irq, uint32_t level, void *unused)
{
    (void)irq, (void)unused;
    if (clock_level && !level) shift <<= 1; /* the next bit comes with the falling edge */
    clock_level = (int)level;
    show();
}

static void on_byte(struct avr_irq_t *irq, uint32_t byte, void *unused)
{
    (void)irq, (void)unused;
    putchar((int)byte);
}

int main(int argc, char **argv)
{
    elf_firmware_t program = {0};
    avr_irq_t *to_rig;
    avr_cycle_count_t end, ask;
    uint32_t flags = 0;
    avr_global_logger_set(quiet);
    if (argc < 4 || elf_read_firmware(argv[1], &program)) return 2;
    avr = avr_make_mcu_by_name("atmega328p");
    if (!avr) return 2;
    avr_init(avr);
    avr->frequency = 16000000;
    avr_load_firmware(avr, &program);
    word = (uint32_t)strtoul(argv[3], 0, 16);
    end = strtoull(argv[2], 0, 10) * 16000;
    ask = argc > 4 ? strtoull(argv[4], 0, 10) * 16000 : 0;
    avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
    flags &= ~(uint32_t)AVR_UART_FLAG_STDIO;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    data_pin = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 4);
    to_rig = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 2), on_select, 0);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 5), on_clock, 0);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_byte, 0);
    while (avr->cycle < end) {
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) return 1;
        if (ask && avr->cycle >= ask) {
            ask = 0;
            avr_raise_irq(to_rig, '?');
            avr_raise_irq(to_rig, '\n');
        }
    }
    return 0;
}
