"""Content as people read it: addresses, hexadecimal bytes, and the text that they are in ASCII."""

from collections.abc import Iterator

_SHOWN = bytes(each if 0x20 <= each <= 0x7E else ord(".") for each in range(256))


def hex_dump(
    data: bytes,
    *,
    first_address: int = 0,
    start_bytes: int = 0,
    length_bytes: int | None = None,
    width: int = 16,
    fold: bool = True,
) -> Iterator[str]:
    """Yield lines of `width` bytes (1 to 64) from `start_bytes` on, addresses counted from `first_address`.

    Lines stand at multiples of `width`; the first and last may be partial. With `fold`, a run of lines that
    repeat the one before, three or more, becomes one line that says how many. Raises ValueError for another
    width.
    """
    if not 1 <= width <= 64:
        raise ValueError(f"{width} bytes in a line")
    end = len(data) if length_bytes is None else min(len(data), start_bytes + length_bytes)
    digits = 8 if first_address + end <= 1 << 32 else 16
    at, previous = start_bytes, b""
    while at < end:
        stop = min(end, at + width - (first_address + at) % width)
        line = data[at:stop]
        same = _repeats(data, at, end, previous) if fold and len(line) == width else 0
        if same >= 3:
            yield f"{'':{digits}}  {same:,} lines like the one above"
            at += same * width
            continue
        yield _line(line, first_address + at, digits, width)
        previous = line if len(line) == width else b""
        at = stop


def _repeats(data: bytes, at: int, end: int, previous: bytes) -> int:
    """Count the whole lines from `at` that are the same as the one before."""
    width = len(previous)
    if not width or data[at : at + width] != previous:
        return 0
    most, count, more = (end - at) // width, 1, 1
    # Twice as many at a time, then half: each byte is compared a few times however long the run is.
    while more:
        run = previous * more
        if count + more <= most and data[at + count * width : at + (count + more) * width] == run:
            count += more
            more *= 2
        else:
            more //= 2
    return count


def _line(line: bytes, address: int, digits: int, width: int) -> str:
    before = address % width
    cells = [*[""] * before, *(f"{each:02X}" for each in line)]
    half = (width + 1) // 2
    columns = " ".join(f"{cell:2}" for cell in [*cells, *[""] * (width - len(cells))][:half])
    more = " ".join(f"{cell:2}" for cell in [*cells, *[""] * (width - len(cells))][half:])
    text = " " * before + line.translate(_SHOWN).decode("ascii")
    middle = f"{columns}  {more}" if more else columns
    return f"{address - before:0{digits}X}  {middle}  |{text:{width}}|"
