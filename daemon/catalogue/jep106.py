"""Maker codes: bank 1 of JEDEC's JEP106, as chips of these generations answer them.

Source of the names: a published bank-1 list headed "Based on JEDEC JEP106-BA - January 2022". A code is seven
bits; bit 7 is an odd parity bit. Device codes carry no parity, so only the maker byte can be judged by it.
"""

_ODD_BIT = 0x80

ATMEL_27_SERIES = 0x1E
"""What Atmel's 27-series answers instead of its JEP106 code 0x1F (sheets of AT27C256R, 512R, 010, 400)."""

_BANK_1 = {
    0x01: "AMD",
    0x03: "Fairchild",
    0x04: "Fujitsu",
    0x07: "Hitachi",
    0x09: "Intel",
    0x0D: "Mostek",
    0x0E: "Motorola/Freescale",
    0x0F: "National Semiconductor",
    0x10: "NEC",
    0x13: "Rockwell/Conexant",
    0x14: "Seeq",
    0x15: "Philips/Signetics (NXP)",
    0x17: "Texas Instruments",
    0x18: "Toshiba",
    0x19: "Xicor",
    0x1C: "Mitsubishi",
    0x1E: "Exel",
    0x1F: "Atmel",
    0x20: "SGS-Thomson/ST",
    0x23: "WaferScale (WSI)",
    0x27: "Intl. CMOS Technology (ICT)",
    0x29: "Microchip",
    0x2A: "Ricoh",
    0x2D: "Hyundai/SK Hynix",
    0x2E: "OKI",
    0x30: "Sharp",
    0x31: "Catalyst",
    0x34: "Cypress",
    0x3F: "SST",
    0x42: "Macronix",
    0x4E: "Samsung",
    0x52: "Alliance",
    0x55: "ISSI (Integrated Silicon Solutions)",
    0x5A: "Winbond",
    0x5C: "Bright Microelectronics",
}


def with_parity(code7: int) -> int:
    """Return the byte of a seven-bit code: bit 7 makes the ones odd. Raises ValueError over 0x7F."""
    if not 0 <= code7 <= 0x7F:
        raise ValueError(f"a JEP106 code has seven bits, {code7:#x} has more")
    return code7 if code7.bit_count() % 2 else code7 | _ODD_BIT


def has_odd_parity(code: int) -> bool:
    """Tell whether the low byte of a maker code has an odd number of ones. A warning at most: see 0x1E."""
    return (code & 0xFF).bit_count() % 2 == 1


def maker_name(code: int) -> str | None:
    """Return the maker for the code a chip answered (low byte of a word), None when the bank has none."""
    byte = code & 0xFF
    if byte == ATMEL_27_SERIES:
        return _BANK_1[0x1F]
    return _BANK_1.get(byte & ~_ODD_BIT) if has_odd_parity(byte) else None
