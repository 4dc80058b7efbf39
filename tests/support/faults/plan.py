"""What happens in a world of one seed: which chips are put in, what is asked, and what goes wrong when."""

import random
from dataclasses import dataclass
from enum import StrEnum

from daemon.catalogue.model import Part
from daemon.store.model import JobKind
from daemon.transport.memory import Wire
from tests.support.faults.tiny_parts import MODELS, tiny_catalogue

VISITS = 40


class Mishap(StrEnum):
    """What goes wrong, from the host's disk down to the chip."""

    CANCEL = "cancelled"
    HOST_DIES = "host died"
    HOST_STALLS = "host stalled"
    CLOCK_JUMPS = "clock jumped"
    STORE_READ_ONLY = "store read-only"
    STORE_FULL = "disk full"
    STORE_COMMIT = "commit failed"
    UNPLUG = "unplugged"
    LINE_DEAD = "line dead"
    ECHO = "line echoes"
    RESET = "board reset"
    VPP_SAG = "VPP sagged"
    VCC_SAG = "VCC sagged"
    VPP_DRIFT = "VPP drifted"
    CHIP_PULLED = "chip pulled"


#: What meddles with the chip or its supplies: a verdict against the chip is then no wrong one.
AT_THE_CHIP = frozenset({Mishap.VPP_SAG, Mishap.VCC_SAG, Mishap.VPP_DRIFT, Mishap.CHIP_PULLED, Mishap.RESET})


class Stock(StrEnum):
    """What is put into the socket."""

    BLANK = "blank"
    RANDOM = "random"
    IMAGE = "image"
    SAME = "same"
    """The chip of the visit before stays."""


@dataclass(frozen=True, slots=True)
class Trouble:
    """One mishap: when it begins (share of the job's estimate; may be behind its end), and how long it lasts.

    `calls`: instead, after how many calls of the host (exchanges on the line and commits).
    """

    mishap: Mishap
    at: float
    lasts_s: float
    calls: int


@dataclass(frozen=True, slots=True)
class Visit:
    """One chip, one job, and what goes wrong meanwhile."""

    stock: Stock
    kind: JobKind
    image: bytes
    offset_bytes: int
    troubles: tuple[Trouble, ...]
    #: Continued while things may still go wrong.
    continues: int
    chip_seed: int
    old: bytes


@dataclass(frozen=True, slots=True)
class Plan:
    """Everything that a seed decides."""

    seed: int
    part: Part
    wire: Wire
    damage: float
    max_payload: int
    window: int
    senses_socket: bool
    visits: tuple[Visit, ...]


def plan_of(seed: int, *, part_id: str | None = None, visits: int = VISITS) -> Plan:
    """Return the plan of a seed."""
    rng = random.Random(f"plan {seed}")
    part = tiny_catalogue().get(part_id or rng.choice(sorted(MODELS)))
    latency_s = rng.choice([0.0, 0.001, 0.001, 0.004, 0.016])
    return Plan(
        seed=seed,
        part=part,
        wire=Wire(rng.choice([None, 115_200, 500_000, 1_000_000]), latency_s, latency_s),
        damage=rng.choice([0.0, 0.005, 0.01, 0.02, 0.05]),
        max_payload=rng.choice([64, 64, 128, 256, 1024]),
        window=rng.choice([1, 2, 4, 8]),
        senses_socket=rng.random() < 0.7,
        visits=tuple(_visit(rng, part, first=number == 0) for number in range(visits)),
    )


def _visit(rng: random.Random, part: Part, *, first: bool) -> Visit:
    offset_bytes, image = _image(rng, part)
    clears = part.write is not None and part.write.semantics == "clear-only"
    kinds = {
        JobKind.PROGRAM: 42,
        JobKind.WRITE: 14,
        JobKind.VERIFY: 12,
        JobKind.READ: 12,
        JobKind.BLANK_CHECK: 8,
        JobKind.IDENTIFY: 6,
        JobKind.PIN_CHECK: 6,
        JobKind.ERASE: 0 if part.erase.method == "uv" else 7,
    }
    kind = rng.choices(list(kinds), list(kinds.values()))[0]
    stocks = {Stock.BLANK: 80 if clears else 20, Stock.RANDOM: 4 if clears else 60, Stock.IMAGE: 4}
    if kind is JobKind.VERIFY:
        stocks = {Stock.IMAGE: 90, Stock.BLANK: 5, Stock.RANDOM: 5}
    if not first:
        stocks[Stock.SAME] = 6
    return Visit(
        stock=rng.choices(list(stocks), list(stocks.values()))[0],
        kind=kind,
        image=image,
        offset_bytes=offset_bytes,
        troubles=_troubles(rng),
        continues=rng.choice([0, 0, 1, 2]),
        chip_seed=rng.randrange(1 << 30),
        old=rng.randbytes(part.size_bytes),
    )


def _image(rng: random.Random, part: Part) -> tuple[int, bytes]:
    """Return an image and where it goes: dense, with blank stretches, or only a part of the chip."""
    size = part.size_bytes
    content = bytearray(rng.randbytes(size))
    shape = rng.random()
    if shape < 0.3:
        for _ in range(rng.randint(1, 3)):
            begin = rng.randrange(size)
            end = min(size, begin + rng.randint(1, size // 2))
            content[begin:end] = bytes([rng.choice([part.blank_byte, part.blank_byte, 0x00])]) * (end - begin)
    elif shape < 0.45:
        begin = rng.randrange(0, size // 2, part.word_bytes)
        length = rng.randint(1, (size - begin) // part.word_bytes) * part.word_bytes
        return begin, bytes(content[begin : begin + length])
    return 0, bytes(content)


def _troubles(rng: random.Random) -> tuple[Trouble, ...]:
    count = rng.choices([0, 1, 2, 3], [45, 40, 11, 4])[0]
    return tuple(
        Trouble(
            mishap=rng.choice(list(Mishap)),
            at=rng.uniform(-0.02, 1.05),
            lasts_s=rng.choice([0.02, 0.2, 1.0, 3.0, 8.0]) * rng.uniform(0.5, 1.5),
            calls=rng.randint(1, 150),
        )
        for _ in range(count)
    )
