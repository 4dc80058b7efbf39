/* The socket and the supplies of the ATmega328P board: what JEDEC's byte-wide 28-pin packages have in common is wired
 * fast; only pins 20, 22, 27 and 1 go by the mode table. */
#include "hw.h"
#include "part.h"

#define LATCH_BIT _BV(PB2)
#define D6_D7 (_BV(PB0) | _BV(PB1))
#define D0_D5 0xFC /* PD2 to PD7 */
#define VPP_BIT _BV(PC1)
#define CE_BIT _BV(PC2)
#define OE_BIT _BV(PC3)
#define PIN27_BIT _BV(PC4)
#define VCC_BIT _BV(PC5)
#define LOGIC_BITS (CE_BIT | OE_BIT | PIN27_BIT)

enum { DISCHARGE_MS = 200, SHIFTED_LINES = 14, VPP_PIN = 1 };

struct image {
    uint8_t level; /* of port C, VPP switch included */
    bool a14;      /* pin 27 follows the address */
};

static struct image images[MODES];
static uint8_t pulse_masks[MODES];
static const struct image *image_now;
static uint8_t pulse_bits;
static uint16_t shifted;
static bool a14_high;
static bool vcc_on, vpp_on;
static uint32_t off_since_ms;
static uint8_t access_loops = 2;

static const uint8_t data_wiring[8] FLASH = {11, 12, 13, 15, 16, 17, 18, 19};
static const uint8_t address_wiring[SHIFTED_LINES + 1] FLASH = {10, 9, 8, 7, 6, 5, 4, 3, 25, 24, 21, 23, 2, 26, 27};

static void shift_out(uint16_t bits)
{
    SPDR = (uint8_t)(bits >> 8);
    while ((SPSR & _BV(SPIF)) == 0) {
    }
    SPDR = (uint8_t)bits;
    while ((SPSR & _BV(SPIF)) == 0) {
    }
    PORTB |= LATCH_BIT;
    PORTB &= (uint8_t)~LATCH_BIT;
}

void socket_start(void)
{
    DDRB = (uint8_t)(LATCH_BIT | _BV(PB3) | _BV(PB5));
    SPCR = (uint8_t)(_BV(SPE) | _BV(MSTR));
    SPSR = _BV(SPI2X);
    hw_pins_off();
}

static void set_port_c(void)
{
    uint8_t level = image_now == 0 ? 0 : image_now->level;
    if (image_now != 0 && image_now->a14 && a14_high) {
        level |= PIN27_BIT;
    }
    if (!vpp_on) {
        level &= (uint8_t)~VPP_BIT;
    }
    PORTC = (uint8_t)(level | (vcc_on ? VCC_BIT : 0));
}

void hw_pins_off(void)
{
    hw_release();
    image_now = 0;
    shifted = 0;
    shift_out(0); /* low is off: the registers cannot float */
    a14_high = false;
    set_port_c();
    DDRC = VPP_BIT | VCC_BIT;
}

bool hw_mode(uint8_t mode)
{
    uint8_t before = PORTC;
    image_now = &images[mode];
    pulse_bits = pulse_masks[mode];
    set_port_c();
    DDRC = VPP_BIT | VCC_BIT | LOGIC_BITS;
    return ((before ^ PORTC) & VPP_BIT) != 0;
}

bool hw_quick(void)
{
    return false;
}

uint8_t hw_quick_level(uint8_t mode)
{
    return mode;
}

void hw_quick_set(uint8_t level)
{
    (void)hw_mode(level);
}

void hw_address(uint32_t address)
{
    uint16_t lines = (uint16_t)(address & 0x3FFFu);
    bool a14 = (address & 0x4000u) != 0;
    if (lines != shifted) {
        shifted = lines;
        shift_out(lines);
    }
    if (a14 != a14_high) {
        a14_high = a14;
        set_port_c();
    }
}

void hw_low_address(uint8_t low)
{
    shifted = (uint16_t)((shifted & 0xFF00u) | (uint16_t)low);
    shift_out(shifted);
}

void hw_drive(uint16_t word)
{
    PORTD = (uint8_t)(word << 2);
    PORTB = (uint8_t)((PORTB & ~D6_D7) | (uint8_t)((uint8_t)(word >> 6) & D6_D7));
    DDRD |= D0_D5;
    DDRB |= D6_D7;
}

void hw_release(void)
{
    DDRD &= (uint8_t)~D0_D5;
    DDRB &= (uint8_t)~D6_D7;
    PORTD = 0;
    PORTB &= (uint8_t)~D6_D7;
}

uint16_t hw_sense(void)
{
    uint8_t low = (uint8_t)(PIND >> 2);
    uint8_t high = (uint8_t)(PINB << 6);
    return (uint8_t)((low & 0x3F) | high);
}

void hw_access_wait(void)
{
    _delay_loop_1(access_loops);
}

void hw_steady_before(void)
{
    _delay_us(2);
}

void hw_steady_after(void)
{
    _delay_us(2);
}

void hw_pulse_prepare(uint32_t nanoseconds)
{
    pulse_prepare(nanoseconds);
}

void hw_pulse_start(uint32_t nanoseconds)
{
    pulse_prepare(nanoseconds);
    TCCR1B = 0;
    TCNT1 = 0;
    uint8_t active = (uint8_t)(PORTC ^ pulse_bits);
    uint8_t clock = pulse_clock;
    cli();
    PORTC = active;
    TCCR1B = clock;
    sei();
}

void hw_pulse_again(void)
{
    hw_steady_before();
    hw_pulse_start(part.pulse_ns);
}

uint32_t hw_pulse_left_us(void)
{
    return pulse_left_us();
}

void hw_pulse_idle(void)
{
}

void hw_pulse_cut(void)
{
    PORTC ^= pulse_bits;
    sei();
}

void hw_pulse_finish(void)
{
    uint8_t rest = (uint8_t)(PORTC ^ pulse_bits);
    pulse_wait_end();
    PORTC = rest;
    sei();
}

void hw_strobe(void)
{
    PORTC ^= pulse_bits;
    _delay_us(0.5);
    PORTC ^= pulse_bits;
}

void hw_supply_set(enum supply which, uint16_t millivolts)
{
    if (which == SUPPLY_VCC) {
        vcc_on = millivolts != 0;
    } else if (which == SUPPLY_VPP) {
        vpp_on = millivolts != 0;
    }
    if (millivolts == 0) {
        off_since_ms = hw_now_ms();
    }
    set_port_c();
}

uint16_t hw_supply_mv(enum supply which)
{
    (void)which;
    return NOT_MEASURED;
}

/* Waited for: the bleed resistors have done it by then. */
bool hw_discharged(void)
{
    return hw_now_ms() - off_since_ms >= DISCHARGE_MS;
}

static bool wired_like(const struct pins *pins, const uint8_t *wiring, uint8_t count)
{
    for (uint8_t i = 0; i < pins->count; i++) {
        if (i >= count || part_pin(pins, i) != pgm_read_byte(&wiring[i])) {
            return false;
        }
    }
    return true;
}

static uint8_t bit_of(uint8_t pin)
{
    switch (pin) {
    case 20:
        return CE_BIT;
    case 22:
        return OE_BIT;
    case 27:
        return PIN27_BIT;
    default:
        return 0;
    }
}

/* One control pin of a mode. False if the wiring cannot do it. */
static bool add_level(uint8_t mode, uint8_t pin, uint8_t level)
{
    uint8_t bit = bit_of(pin);
    switch (level) {
    case LEVEL_VPP:
        images[mode].level |= VPP_BIT;
        return pin == VPP_PIN;
    case LEVEL_VCC:
        return pin == VPP_PIN; /* a diode does it while VPP is away */
    case LEVEL_ADDRESS:
        images[mode].a14 = true;
        return bit == PIN27_BIT;
    case LEVEL_LOW_PULSE:
    case LEVEL_HIGH_PULSE:
        pulse_masks[mode] |= bit;
        break;
    case LEVEL_FLOAT:
    case LEVEL_DATA:
    case LEVEL_ID:
        return false;
    default:
        break;
    }
    if (level == LEVEL_HIGH || level == LEVEL_LOW_PULSE) {
        images[mode].level |= bit;
    }
    return bit != 0;
}

static bool wire_mode(uint8_t mode)
{
    images[mode] = (struct image){.a14 = part.address.count > SHIFTED_LINES};
    pulse_masks[mode] = 0;
    for (uint8_t i = 0; part_has_mode(mode) && i < part.control.count; i++) {
        uint8_t pin = part_pin(&part.control, i);
        if (pin == 27 && part_level(mode, i) != LEVEL_ADDRESS) {
            images[mode].a14 = false;
        }
        if (!add_level(mode, pin, part_level(mode, i))) {
            return false;
        }
    }
    return true;
}

uint8_t hw_fit_part(void)
{
    if (part.width_bits != 8) {
        return PART_GEOMETRY;
    }
    if (!wired_like(&part.address, address_wiring, SHIFTED_LINES + 1)) {
        return PART_ADDRESS_PINS;
    }
    if (!wired_like(&part.data, data_wiring, 8)) {
        return PART_DATA_PINS;
    }
    for (uint8_t mode = 0; mode < MODES; mode++) {
        if (!wire_mode(mode)) {
            return PART_CONTROL_PINS;
        }
    }
    access_loops = (uint8_t)(((uint32_t)part.access_ns * 16u / 1000u + 2u) / 3u + 1u);
    return 0;
}
