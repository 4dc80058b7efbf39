"""A bad line, made by the host's side: loss, damage, doubles, disorder, garbage (D1, D10 to D12, D15)."""

from protocol.conformance import frames
from protocol.conformance.check import Failed, Level, check
from protocol.conformance.desk import Desk
from protocol.wire import Kind, Opcode

_REQUESTS = 60
_ROUNDS = 40


def _spoil(desk: Desk, frame: bytes) -> list[bytes]:
    """Return what arrives of a frame on a bad line."""
    chance = desk.random.random()
    place = desk.random.randrange(len(frame) - 1)
    if chance < 0.12:
        return []
    if chance < 0.24:
        return [frame[:place] + bytes((frame[place] ^ 1 << desk.random.randrange(8),)) + frame[place + 1 :]]
    if chance < 0.34:
        return [frame, frame]
    if chance < 0.42:
        return [desk.random.randbytes(desk.random.randrange(1, 20)) + b"\0", frame]
    if chance < 0.48:
        return [frame[:place], b"\0"]
    return [frame]


@check("D10", "D11", "D12", "D15", level=Level.WIRE)
def a_bad_line(desk: Desk) -> None:
    """Over a line that loses, damages, doubles and swaps, each request is carried out exactly once."""
    before = desk.stats().executed
    desk.link.listen(desk.quiet_s)
    results: dict[int, bytes] = {}
    base, count = desk.number, 0
    while count < _REQUESTS:
        # Numbers may only be used again when their results are no longer awaited.
        wave = min(desk.told.window, _REQUESTS - count)
        numbers = [(base + place) % 32 for place in range(wave)]
        _wave(desk, numbers, results)
        for number in numbers:
            del results[number]
        base, count = (base + wave) % 32, count + wave
    desk.number = base
    after = desk.stats().executed
    # The STATS that told `before` was itself counted after it told.
    if after - before != _REQUESTS + 1:
        raise Failed(
            f"{_REQUESTS + 1} requests carried out", str(after - before),
            "A repeat was carried out again, or a request counted that was not carried out.",
            requirement="D11",
        )  # fmt: skip


def _wave(desk: Desk, numbers: list[int], results: dict[int, bytes]) -> None:
    """Bring a window of requests through, by sending what has no result again."""
    for _ in range(_ROUNDS):
        missing = [number for number in numbers if number not in results]
        if not missing:
            break
        pieces = [
            piece
            for number in missing
            for piece in _spoil(desk, desk.request_frame(Opcode.STATS, number=number))
        ]
        if len(pieces) > 1 and desk.random.random() < 0.2:
            pieces[-1], pieces[-2] = pieces[-2], pieces[-1]
        for piece in pieces:
            desk.link.send(piece)
        desk.link.send(b"\0")
        _collect(desk, numbers, results)
    else:
        raise Failed(f"results of {numbers}", f"after {_ROUNDS} rounds {sorted(results)}", requirement="D12")
    desk.link.listen(desk.quiet_s / 4)


def _collect(desk: Desk, numbers: list[int], results: dict[int, bytes]) -> None:
    last = numbers[-1]
    until_s = desk.link.now_s() + desk.quiet_s
    while seen := desk.link.take(lambda _each: True, until_s):
        if seen.kind is Kind.RESULT:
            if seen.number not in numbers:
                continue  # a repeat of the wave before that was late
            content = seen.content[4:]
            if results.setdefault(seen.number, content) != content:
                raise Failed(
                    f"result {seen.number} the same each time", frames.hex_words(seen.content),
                    "A repeat was carried out again.", requirement="D11",
                )  # fmt: skip
        elif seen.kind not in (Kind.ACCEPT, Kind.NAK):
            told = frames.words_of(seen.kind, seen.number, seen.session, seen.content)
            raise Failed("ACCEPT, NAK or RESULT", told, requirement="D12")
        if last in results and len(results) == len(numbers):
            return
