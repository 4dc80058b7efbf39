"""Who says whether the bench kept its promises. Each returns what is wrong, in words.

They share no code with what they judge. They look at cells, switches, bytes at the board's port and rows of
the store, and know the rules only from the part's own figures and from SPEC.md.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from daemon.catalogue.model import Part
from tests.support.faults.evidence import CellLedger, Stretch
from tests.support.faults.records import EventRow, JobRow

FINAL = frozenset({"succeeded", "failed", "cancelled", "interrupted"})
#: SPEC.md section 9: the word in hand may end, and a millisecond; discharge takes half a second at most.
GRACE_S, DISCHARGE_S = 0.001, 0.5
#: Moments that are computed in two ways differ by less than this.
ROUNDING_S = 1e-6
#: The log takes a supply to fall from the highest value that it was set to; one that sags is off sooner.
DISCHARGE_TOLERANCE_S = 0.005
_STATES = {
    None: {"queued"},
    "queued": {"running", "failed", "cancelled"},
    "running": {"waiting", *FINAL},
    "waiting": {"running", "failed", "cancelled", "interrupted"},
}


@dataclass(frozen=True, slots=True)
class Claim:
    """What the end of a job says of a chip, and what is there.

    `held`: the cells at each supply of the checks (V). `image`: what was to be there, `covered` the ranges of
    it that the image itself has (bytes, from and up to). `before`: the cells at the nominal supply when the
    attempt began. `touched`: whether anything but the bench has meddled with the chip in the meantime.
    `kept`: what a read has kept. `blinded`: whether the chip was out for a while, and back in time, on a
    board that does not feel its socket: an empty socket reads blank, and nobody can tell.
    """

    row: JobRow
    part: Part
    held: dict[float, bytes]
    image: bytes
    covered: Sequence[tuple[int, int]]
    before: bytes
    touched: bool
    kept: bytes | None = None
    blinded: bool = False


def chip_judge(claim: Claim) -> list[str]:
    """Say where a job's end and its chip contradict each other.

    A success means that the chip holds it; anything else must say why not; and a verdict against a chip is
    only right when the chip is wrong.
    """
    row, wrong = claim.row, []
    nominal = claim.held[claim.part.supplies.vcc_read_v]
    if row.state == "succeeded":
        wrong += _success(claim, nominal)
    else:
        if not row.code or row.code in ("ok", "blank") or not (row.outcome or {}).get("summary"):
            wrong.append(f"it is {row.state} and does not say why: {row.outcome}")
        if not claim.touched and row.code == "verify-mismatch" and not _differences(claim):
            wrong.append(f"the chip holds the image, and it is said not to: {row.outcome}")
        if not claim.touched and row.code == "not-blank" and _blank(claim.part) == claim.before:
            wrong.append(f"the chip was blank, and it is said not to be: {row.outcome}")
    return wrong


def _success(claim: Claim, nominal: bytes) -> list[str]:
    match claim.row.kind:
        case "program" | "verify":
            return _differences(claim)
        case "write":
            return _differences(claim, only=claim.part.supplies.vcc_read_v)
        case "erase" | "blank-check" | "read" if claim.blinded:
            return []
        case "erase" | "blank-check" if nominal != _blank(claim.part):
            return ["the chip is said to be blank and is not"]
        case "read" if claim.kept != nominal:
            return ["what was read is not what the chip holds"]
        case _:
            return []


def _differences(claim: Claim, only: float | None = None) -> list[str]:
    found = []
    for vcc_v, held in claim.held.items():
        if only is not None and vcc_v != only:
            continue
        for begin, end in claim.covered:
            bad = sum(a != b for a, b in zip(held[begin:end], claim.image[begin:end], strict=True))
            if bad:
                found.append(f"{bad} of bytes {begin} to {end - 1} are not the image's at {vcc_v} V")
    return found


def _blank(part: Part) -> bytes:
    return bytes([part.blank_byte]) * (part.words * part.width_bits // 8)


def pulse_judge(ledger: CellLedger) -> list[str]:
    """Say which words got more in this attempt than the loop of their part allows (SPEC.md D30)."""
    write = ledger.chip.part.write
    if write is None:
        return []
    wrong = []
    if write.pulse_us is None:
        # Self-timed: written as often as the loop tries, which is once unless the part says otherwise.
        for row, count in ledger.writes.items():
            if count > max(1, write.max_pulses or 1):
                wrong.append(f"word {row} was written {count} times")
        return wrong
    allowed = (write.max_pulses or 1) + (write.loop == "first-pass-then-verify")
    pulse_s = write.pulse_us / 1e6
    longs = int(bool(write.overprogram_factor))
    for row, widths in ledger.pulses.items():
        long = [width for width in widths if width > 1.5 * pulse_s]
        if len(widths) > allowed + longs:
            wrong.append(f"word {row} got {len(widths)} pulses, {allowed} are allowed")
        if len(long) > longs:
            wrong.append(f"word {row} got {len(long)} long pulses: {long}")
        if sum(widths) > 1.02 * pulse_s * allowed * (1 + write.overprogram_factor):
            wrong.append(f"word {row} was pulsed for {sum(widths)} s in all")
    return wrong


def longest_word_s(part: Part) -> float:
    """Return how long the word in hand may still take when a board is told to stop, s."""
    write = part.write
    if write is None:
        return 0.0
    pulse_s = (write.pulse_us or 0) / 1e6
    longest = [pulse_s, (write.write_cycle_us_max or 0) / 1e6, (part.erase.pulse_ms or 0) / 1e3]
    longest += [
        (part.erase.chip_ms_max or 0) / 1e3,
        (part.sectors.erase_ms_max or 0) / 1e3 if part.sectors else 0,
    ]
    return max(longest)


def watchdog_judge(
    stretches: Iterable[Stretch], heard_s: Sequence[float], watchdog_s: float, word_s: float, now_s: float
) -> list[str]:
    """Say where a supply stayed on for longer than the board may go without a sound frame from its host.

    `heard_s`: when such frames came, ascending; `word_s`: what the word in hand may still take.
    """
    allowed_s = watchdog_s + word_s + GRACE_S + DISCHARGE_S + ROUNDING_S
    wrong = []
    for stretch in stretches:
        end_s = min(stretch.end_s, now_s)
        last_s = max((at_s for at_s in heard_s if at_s <= stretch.begin_s + ROUNDING_S), default=-math.inf)
        for at_s in [*(at_s for at_s in heard_s if stretch.begin_s < at_s < end_s), end_s]:
            if at_s - last_s > allowed_s:
                wrong.append(
                    f"{stretch.supply} was on from {stretch.begin_s:.6f} to {stretch.end_s:.6f} s though"
                    f" nothing was heard from {last_s:.6f} to {at_s:.6f} s: {allowed_s:.3f} s are allowed"
                )
                break
            last_s = at_s
    return wrong


@dataclass(slots=True)
class Working:
    """From when to when the bench worked on a chip, and how long a supply may stay on after that.

    `grace_s` is 0 after an attempt that says its supplies are off; what a board needs to notice that its host
    has gone (watchdog, one word, discharge) after one that was cut off.
    """

    begin_s: float
    end_s: float = math.inf
    grace_s: float = 0.0


def idle_judge(stretches: Iterable[Stretch], working: Sequence[Working], now_s: float) -> list[str]:
    """Say where a supply was on while nobody worked. `working` is in order of time."""
    wrong = []
    for stretch in stretches:
        at_s = stretch.begin_s
        for work in working:
            ends_s = work.end_s + work.grace_s
            if work.begin_s - ROUNDING_S <= at_s <= ends_s + ROUNDING_S:
                at_s = max(at_s, ends_s)
        if min(stretch.end_s, now_s) > at_s + DISCHARGE_TOLERANCE_S:
            wrong.append(
                f"{stretch.supply} was on from {stretch.begin_s:.6f} to {stretch.end_s:.6f} s, which nobody"
                f" needed after {at_s:.6f} s"
            )
    return wrong


def final_judge(rows: Iterable[JobRow]) -> list[str]:
    """Say which jobs have no end, or one that is not complete."""
    wrong = []
    for row in rows:
        open_steps = [step["name"] for step in row.steps if step["state"] in ("running", "pending")]
        if row.state not in FINAL:
            wrong.append(f"job {row.number} is {row.state} for ever")
        elif row.ended_at is None or not row.outcome:
            wrong.append(f"job {row.number} is {row.state} without an end or an outcome")
        elif open_steps and row.state != "cancelled" and row.code not in _UNBEGUN:
            wrong.append(f"job {row.number} is {row.state} and its steps {open_steps} are not ended")
    return wrong


#: Ends of jobs of which no step was begun, or whose host died: their steps stand as they stood.
_UNBEGUN = frozenset({"interrupted", "internal", "part-unknown", "not-found", "blob-missing"})


def event_judge(events: Sequence[EventRow], seen: Sequence[int], jobs: Iterable[JobRow]) -> list[str]:
    """Say which events are missing or out of order: in the rows, and in what a reader of the stream has got.

    `seen`: the ids that a reader got, in the order in which they came.
    """
    wrong = []
    ids = [event.id for event in events]
    if ids != list(range(1, len(ids) + 1)):
        wrong.append(f"events are not numbered 1, 2, 3...: {ids[:9]}... {len(ids)} up to {max(ids)}")
    if list(seen) != ids[: len(seen)]:
        wrong.append(f"a reader of the stream got other events than there are: {list(seen)[-9:]}")
    at: dict[str, str] = {}
    for event in events:
        if event.type not in ("job-created", "job-state"):
            continue
        job_id, state = str(event.job_id), str(event.data["state"])
        before = at.get(job_id)
        if state not in _STATES.get(before, set()) or event.data.get("from", before) != before:
            wrong.append(f"event {event.id}: job {job_id} goes from {before} to {state}: {event.data}")
        at[job_id] = state
    wrong += [
        f"job {row.number} is {row.state}, and its last event says {at.get(row.id)}"
        for row in jobs
        if at.get(row.id) != row.state
    ]
    return wrong


def memory_judge(known: dict[str, str], rows: Iterable[JobRow]) -> list[str]:
    """Say which jobs the bench has forgotten, or ends that it has changed its mind about.

    `known`: jobs whose handing in was confirmed, with the end that was seen, if one was.
    """
    states = {row.id: row.state for row in rows}
    wrong = [f"job {job_id} was confirmed and is not there" for job_id in known if job_id not in states]
    wrong += [
        f"job {job_id} had ended as {end} and is {states[job_id]} now"
        for job_id, end in known.items()
        if end and states.get(job_id, end) != end
    ]
    return wrong
