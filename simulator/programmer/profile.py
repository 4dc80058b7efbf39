"""What a virtual programmer is built of. The boards are data: `full()` and `modest()`.

Packages sit at the bottom end of the socket (package pin p of n in socket pin p + (S - n) / 2 of S), so the
ground pin of every byte-wide DIP meets socket pin S / 2.
"""

from dataclasses import dataclass

from protocol.device import LinkLimits
from protocol.identity import Identity, Pins, SupplyRange, Timing
from protocol.wire import Capability, SupplyKind
from simulator.supplies import SupplyDesign


@dataclass(frozen=True, slots=True)
class Profile:
    """One board. `dataclasses.replace` makes variants.

    `boot_s`: how long it is deaf after power-on. `tx_bytes`: how much DATA may wait to be sent before a READ
    pauses; a small figure, since ABORT's answer goes out behind it.
    """

    identity: Identity
    vcc: SupplyDesign
    vpp: SupplyDesign
    id: SupplyDesign
    limits: LinkLimits
    boot_s: float = 0.0
    tx_bytes: int = 2048

    def __post_init__(self) -> None:
        shown = (self.identity.vcc, self.identity.vpp, self.identity.id)
        if shown != (self.vcc.range, self.vpp.range, self.id.range):
            raise ValueError("the identity tells of other supplies than the board has")
        for design, flag in (
            (self.vcc, Capability.MEASURE_VCC),
            (self.vpp, Capability.MEASURE_VPP),
        ):
            if design.measurable is not (flag in self.identity.capabilities):
                raise ValueError(f"{flag.name} is said to be what it is not")


def _pins(first: int, last: int) -> Pins:
    return frozenset(range(first, last + 1))


def full(serial: str = "") -> Profile:
    """Return a board with an adjustable supply of each kind and a 48-pin socket.

    Every socket pin has a pin driver of its own that can do all: logic, sensing, each supply, ground. So any
    part up to 48 pins fits, whichever pins it has its supplies on.
    """
    every = _pins(1, 48)
    vcc = SupplyDesign(SupplyRange(SupplyKind.ADJUSTABLE, 2500, 7000, 50, 50, 250))
    vpp = SupplyDesign(SupplyRange(SupplyKind.ADJUSTABLE, 5000, 26000, 50, 100, 120))
    id_ = SupplyDesign(SupplyRange(SupplyKind.ADJUSTABLE, 10500, 14500, 50, 100, 10))
    return Profile(
        identity=Identity(
            firmware="romwright simulator 1.0",
            hardware="virtual bench board, 48 pins",
            serial=serial,
            capabilities=~Capability.NONE,
            socket_pins=48,
            descriptor_max_bytes=1024,
            drive_pins=every,
            sense_pins=every,
            vcc_pins=every,
            vpp_pins=every,
            id_pins=every,
            ground_pins=every,
            vcc=vcc.range,
            vpp=vpp.range,
            id=id_.range,
            timing=Timing(
                pulse_min_ns=1_000,
                pulse_max_ns=500_000_000,
                read_ns_per_word=1_000,
                program_ns_per_word=2_000,
                settle_ms=10,
                strobe_ns=25,
            ),
        ),
        vcc=vcc,
        vpp=vpp,
        id=id_,
        limits=LinkLimits(max_payload=1024, window=4, rx_bytes=4400, watchdog_ms=1000),
    )


def modest(serial: str = "") -> Profile:
    """Return a small board as a hobbyist builds it around an 8-bit controller.

    VCC is a fixed 5 V that it cannot measure; VPP is turned to its value by hand and measured; no ID voltage,
    no pin check, no socket sensor. The 32-pin socket is wired for byte-wide parts: VCC on pins 28, 30, 32
    (pin 24, 28, 32 of the package), ground on 16, VPP on 1 (27C010 and larger), 3 (2764 to 27256), 24 (2732,
    27512, 27C080) and 25 (2716).
    """
    logic = _pins(1, 32) - {16, 32}
    vcc = SupplyDesign(SupplyRange(SupplyKind.FIXED, 5000, 5000, 0, 250, 200), fall_s=0.008, adc_step_mv=0)
    vpp = SupplyDesign(
        SupplyRange(SupplyKind.HAND_SET, 11500, 25500, 0, 100, 60), rise_s=0.001, fall_s=0.010, adc_step_mv=25
    )
    id_ = SupplyDesign(SupplyRange(), adc_step_mv=0)
    return Profile(
        identity=Identity(
            firmware="romwright simulator 1.0",
            hardware="virtual hobby board, 32 pins",
            serial=serial,
            capabilities=Capability.MEASURE_VPP
            | Capability.LOOP_VERIFY_EACH
            | Capability.LOOP_FIRST_PASS
            | Capability.OVERPROGRAM
            | Capability.BYTE_WRITE
            | Capability.DIGEST
            | Capability.BUTTON,
            socket_pins=32,
            descriptor_max_bytes=320,
            drive_pins=logic,
            sense_pins=logic,
            vcc_pins=frozenset({28, 30, 32}),
            vpp_pins=frozenset({1, 3, 24, 25}),
            ground_pins=frozenset({16}),
            vcc=vcc.range,
            vpp=vpp.range,
            timing=Timing(
                pulse_min_ns=10_000,
                pulse_max_ns=100_000_000,
                read_ns_per_word=7_000,
                program_ns_per_word=8_000,
                settle_ms=25,
                strobe_ns=250,
            ),
        ),
        vcc=vcc,
        vpp=vpp,
        id=id_,
        limits=LinkLimits(max_payload=128, window=2, rx_bytes=320, watchdog_ms=1000),
        tx_bytes=256,
    )
