/* The socket and the supplies of the ATmega2560 board.
 *
 * Data lines are on port A and A0 to A7 on port C, where JEDEC's byte-wide packages have them in a 32-pin socket that
 * takes narrower packages at its bottom end. All other pins are on ports K and L and can be anything. */
#include "hw.h"
#include "part.h"

#define CLOCK_BIT _BV(PB0)
#define DATA_BIT _BV(PB1)
#define LATCH_BIT _BV(PB2)
#define VCC_BIT _BV(PB3)
#define VPP_BIT _BV(PB4)
#define ID_BIT _BV(PB5)
#define DISCHARGE_BITS (_BV(PB6) | _BV(PB7))

enum { WIRED_DATA = 8, WIRED_ADDRESS = 8, HIGH_LINES = 16, NONE = 0xFF };
enum { VCC_MV_A_STEP = 2, VPP_MV_A_STEP = 7, DISCHARGED_MV = 500 };

struct image images[MODES];
const struct image *image_now;
bool quick;
uint16_t high_now;
uint8_t address_k, address_l;
uint8_t access_loops = 2;
volatile uint8_t *pulse_port = &PORTK;
uint8_t pulse_bits;

static volatile uint8_t *pulse_ports[MODES];
static uint8_t pulse_masks[MODES];
static uint8_t high_k[HIGH_LINES], high_l[HIGH_LINES]; /* the bit of A8 and on, in port K or L */
static uint8_t vcc_h, vcc_j;                           /* switches of the part's VCC pins */
static bool vcc_on;

static struct image image_off; /* no pin driven; what is switched on */

static const uint8_t data_wiring[WIRED_DATA] FLASH = {13, 14, 15, 17, 18, 19, 20, 21};
static const uint8_t address_wiring[WIRED_ADDRESS] FLASH = {12, 11, 10, 9, 8, 7, 6, 5};
static const uint8_t k_wiring[8] FLASH = {1, 2, 3, 4, 22, 23, 24, 25};
static const uint8_t l_wiring[7] FLASH = {26, 27, 28, 29, 30, 31, 32};
static const uint8_t h_wiring[8] FLASH = {32, 30, 28, 1, 3, 24, 25, 26}; /* VCC, VCC, VCC, VPP x 4, ID */
static const uint8_t j_wiring[3] FLASH = {1, 3, 25};                     /* VCC */

/* The bit of a socket pin in a port, 0 if it is not there. */
static uint8_t bit_in(const uint8_t *wiring, uint8_t from, uint8_t to, uint8_t pin)
{
    for (uint8_t i = from; i < to; i++) {
        if (pgm_read_byte(&wiring[i]) == pin) {
            return (uint8_t)_BV(i);
        }
    }
    return 0;
}

static uint8_t k_bit(uint8_t pin)
{
    return bit_in(k_wiring, 0, 8, pin);
}

static uint8_t l_bit(uint8_t pin)
{
    return bit_in(l_wiring, 0, 7, pin);
}

void socket_start(void)
{
    PORTB = DISCHARGE_BITS;
    DDRB = 0xFF;
    PORTH = 0;
    DDRH = 0xFF;
    PORTJ = 0;
    DDRJ = 0x07;
    DDRC = 0;
    ADCSRA = _BV(ADEN) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);
    hw_pins_off();
}

void hw_pins_off(void)
{
    DDRA = 0;
    PORTA = 0;
    PORTH = vcc_on ? vcc_h : 0;
    PORTJ = vcc_on ? vcc_j : 0;
    DDRC = 0;
    PORTC = 0;
    DDRK = 0;
    PORTK = 0;
    DDRL = 0;
    PORTL = 0;
    image_now = &image_off;
}

void high_address(uint16_t high)
{
    uint8_t k = 0;
    uint8_t l = 0;
    high_now = high;
    for (uint8_t i = 0; high != 0; i++, high >>= 1) {
        if ((high & 1u) != 0 && i < HIGH_LINES) {
            k |= high_k[i];
            l |= high_l[i];
        }
    }
    address_k = k;
    address_l = l;
    ports_of(image_now);
}

bool hw_mode(uint8_t mode)
{
    const struct image *next = &images[mode];
    bool switches = PORTH != next->h || PORTJ != next->j;
    if (switches) { /* what leaves a pin goes first, what comes to it comes last */
        PORTH &= next->h;
        PORTJ &= next->j;
    }
    image_now = next;
    pulse_port = pulse_ports[mode];
    pulse_bits = pulse_masks[mode];
    ports_of(next);
    DDRK = next->k_drive;
    DDRL = next->l_drive;
    DDRC = 0xFF;
    if (switches) {
        _delay_us(2);
        PORTH = next->h;
        PORTJ = next->j;
    }
    return switches;
}

static void send_to_dac(uint8_t channel, uint16_t code)
{
    uint16_t bits = (uint16_t)((uint16_t)channel << 15 | 0x3000u | code);
    PORTB &= (uint8_t)~LATCH_BIT;
    for (uint8_t i = 0; i < 16; i++, bits = (uint16_t)(bits << 1)) {
        PORTB = (uint8_t)((PORTB & ~DATA_BIT) | ((bits & 0x8000u) != 0 ? DATA_BIT : 0));
        PORTB |= CLOCK_BIT;
        PORTB &= (uint8_t)~CLOCK_BIT;
    }
    PORTB |= LATCH_BIT;
}

static void set_vcc(uint16_t millivolts)
{
    send_to_dac(0, (uint16_t)(millivolts / VCC_MV_A_STEP));
    vcc_on = millivolts != 0;
    if (vcc_on) {
        PORTB = (uint8_t)((PORTB & ~DISCHARGE_BITS) | VCC_BIT);
        PORTH |= vcc_h;
        PORTJ |= vcc_j;
    } else {
        PORTB = (uint8_t)((PORTB & ~VCC_BIT) | DISCHARGE_BITS);
    }
}

static void set_vpp(uint16_t millivolts)
{
    send_to_dac(1, (uint16_t)(millivolts / VPP_MV_A_STEP));
    PORTB = (uint8_t)(millivolts != 0 ? PORTB | VPP_BIT : PORTB & ~VPP_BIT);
}

void hw_supply_set(enum supply which, uint16_t millivolts)
{
    if (which == SUPPLY_VCC) {
        set_vcc(millivolts);
    } else if (which == SUPPLY_VPP) {
        set_vpp(millivolts);
    } else {
        PORTB = (uint8_t)(millivolts != 0 ? PORTB | ID_BIT : PORTB & ~ID_BIT);
    }
}

/* Channel 0: VCC through 1:2, channel 1: VPP through 1:6; reference 5 V, 10 bits. */
uint16_t hw_supply_mv(enum supply which)
{
    if (which == SUPPLY_ID) {
        return NOT_MEASURED;
    }
    ADMUX = (uint8_t)(_BV(REFS0) | which);
    ADCSRA |= _BV(ADSC);
    while ((ADCSRA & _BV(ADSC)) != 0) {
    }
    uint32_t full_scale_mv = which == SUPPLY_VCC ? 10000u : 30000u;
    return (uint16_t)((ADC * full_scale_mv + 512u) / 1024u);
}

bool hw_discharged(void)
{
    bool down = hw_supply_mv(SUPPLY_VPP) < DISCHARGED_MV && hw_supply_mv(SUPPLY_VCC) < DISCHARGED_MV;
    if (down) {
        PORTH = 0;
        PORTJ = 0;
    }
    return down;
}

static bool wired_like(const struct pins *pins, const uint8_t *wiring, uint8_t count)
{
    for (uint8_t i = 0; i < count && i < pins->count; i++) {
        if (part_pin(pins, i) != pgm_read_byte(&wiring[i])) {
            return false;
        }
    }
    return true;
}

static void wire_high_address(void)
{
    for (uint8_t i = 0; i < HIGH_LINES; i++) {
        uint8_t line = (uint8_t)(i + WIRED_ADDRESS);
        uint8_t pin = line < part.address.count ? part_pin(&part.address, line) : 0;
        high_k[i] = k_bit(pin);
        high_l[i] = l_bit(pin);
    }
}

static void wire_vcc(void)
{
    vcc_h = 0;
    vcc_j = 0;
    for (uint8_t i = 0; i < part.vcc.count; i++) {
        vcc_h |= bit_in(h_wiring, 0, 3, part_pin(&part.vcc, i));
        vcc_j |= bit_in(j_wiring, 0, 3, part_pin(&part.vcc, i));
    }
}

/* One control pin of one mode, added to the image of that mode. */
static void add_level(struct image *image, uint8_t mode, uint8_t pin, uint8_t level)
{
    uint8_t k = k_bit(pin);
    uint8_t l = l_bit(pin);
    if (level == LEVEL_ADDRESS || level == LEVEL_DATA) {
        return;
    }
    image->k_keep &= (uint8_t)~k;
    image->l_keep &= (uint8_t)~l;
    image->k_drive &= (uint8_t)~k;
    image->l_drive &= (uint8_t)~l;
    switch (level) {
    case LEVEL_VPP:
        image->h |= bit_in(h_wiring, 3, 7, pin);
        return;
    case LEVEL_ID:
        image->h |= bit_in(h_wiring, 7, 8, pin);
        return;
    case LEVEL_VCC:
        image->h |= bit_in(h_wiring, 0, 3, pin);
        image->j |= bit_in(j_wiring, 0, 3, pin);
        return;
    case LEVEL_FLOAT:
        return;
    default:
        break;
    }
    image->k_drive |= k;
    image->l_drive |= l;
    if (level == LEVEL_HIGH || level == LEVEL_LOW_PULSE) {
        image->k_level |= k;
        image->l_level |= l;
    }
    if (level == LEVEL_LOW_PULSE || level == LEVEL_HIGH_PULSE) {
        pulse_ports[mode] = k != 0 ? &PORTK : &PORTL;
        pulse_masks[mode] |= (uint8_t)(k | l);
    }
}

static void wire_mode(uint8_t mode)
{
    struct image image = {.h = vcc_h, .j = vcc_j};
    pulse_ports[mode] = &PORTK;
    pulse_masks[mode] = 0;
    for (uint8_t i = 0; i < HIGH_LINES; i++) {
        image.k_keep |= high_k[i];
        image.l_keep |= high_l[i];
    }
    image.k_drive = image.k_keep;
    image.l_drive = image.l_keep;
    for (uint8_t i = 0; part_has_mode(mode) && i < part.control.count; i++) {
        add_level(&image, mode, part_pin(&part.control, i), part_level(mode, i));
    }
    images[mode] = image;
}

/* A pulse goes to one pin of ports K and L; control pins on ports A and C keep their role there. */
static bool control_wired(void)
{
    for (uint8_t mode = 0; mode < MODES; mode++) {
        uint8_t pulses = 0;
        for (uint8_t i = 0; part_has_mode(mode) && i < part.control.count; i++) {
            uint8_t level = part_level(mode, i);
            uint8_t pin = part_pin(&part.control, i);
            bool keeps = level == LEVEL_ADDRESS || level == LEVEL_DATA || level == LEVEL_FLOAT;
            pulses = (uint8_t)(pulses + (level == LEVEL_LOW_PULSE || level == LEVEL_HIGH_PULSE));
            if (!keeps && k_bit(pin) == 0 && l_bit(pin) == 0) {
                return false;
            }
        }
        if (pulses > 1) {
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
    if (!wired_like(&part.address, address_wiring, WIRED_ADDRESS)) {
        return PART_ADDRESS_PINS;
    }
    if (!wired_like(&part.data, data_wiring, WIRED_DATA)) {
        return PART_DATA_PINS;
    }
    if (!control_wired()) {
        return PART_CONTROL_PINS;
    }
    wire_high_address();
    wire_vcc();
    for (uint8_t mode = 0; mode < MODES; mode++) {
        wire_mode(mode);
    }
    const struct image *program = &images[MODE_PROGRAM];
    const struct image *verify = &images[MODE_VERIFY];
    quick = program->h == verify->h && program->j == verify->j && program->k_drive == verify->k_drive &&
            program->l_drive == verify->l_drive &&
            program->l_level == verify->l_level && program->l_keep == verify->l_keep;
    image_now = &image_off;
    high_address(0);
    access_loops = (uint8_t)(((uint32_t)part.access_ns * 16u / 1000u + 2u) / 3u + 1u);
    return 0;
}
