"""What an examination came to: the pile, the candidates and the evidence, in sentences and as numbers."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from daemon.catalogue.model import Part
from daemon.catalogue.terms import Kind
from daemon.drawer.examination import Examination, Standing, parts_of
from daemon.drawer.labels import amount, label_of, listed, sentence
from daemon.drawer.lookup import Match
from daemon.drawer.piles import TITLES, Facts, Pile, Sorted, sort_chip
from daemon.drawer.sight import Candidate, fits_marking
from daemon.drawer.trials import a_name, family_names

_TOLD = 4


@dataclass(frozen=True, slots=True)
class Report:
    """The result of an examination. `numbers` say the same as the sentences, for programs."""

    summary: str
    hint: str
    sorted: Sorted
    numbers: dict[str, Any]


def content_of(exam: Examination) -> bytes | None:
    """Return what the chip holds as the likeliest candidate has it, else what the largest read brought."""
    best = None if exam.says_nothing else exam.best
    if best is not None and best.explanation.content is not None:
        return best.explanation.content
    return max((seen.data for seen in exam.observations), key=len, default=None)


def finals_of(exam: Examination) -> tuple[Candidate, ...]:
    """Return what the chip is after all: what it names itself, else what explains it without coincidences."""
    if exam.answered is None:
        return tuple(each for standing in exam.likely() for each in standing.candidates)
    named = {part.id for part in exam.answered.parts}
    live = tuple(each for each in exam.live if each.part.id in named)
    plastic = exam.sight.window is False
    return live or tuple(
        Candidate(part, plastic and part.kind is Kind.UV_EPROM, fits_marking(part, exam.sight.marking))
        for part in exam.answered.parts
    )


def report_on(exam: Examination) -> Report:
    """Return the report on a finished examination."""
    finals, matches = finals_of(exam), exam.matches
    sorted_ = _sorted(exam, finals, matches)
    label = label_of(exam)
    told = [
        *([sentence(exam.over_current)] if exam.over_current else ()),
        *_signature(exam),
        *label.sentences,
        *_size(exam),
        *_blank(exam),
        *(f"Content: {match.words}." for match in matches[:_TOLD]),
        *_others(exam),
    ]
    untried = [f"Not read as {a_name(each.trial.name)}: {each.reason}." for each in exam.untried]
    numbers = {
        "package_pins": exam.sight.package_pins,
        "window": exam.sight.window,
        "marking": exam.sight.marking,
        "pile": sorted_.pile.value,
        "pile_reason": sorted_.reason,
        "pile_certain": sorted_.certain,
        "candidates": _candidate_rows(exam, finals),
        "ruled_out": [{"part": each.part.id, "reason": each.reason} for each in exam.out],
        "reads": _read_rows(exam),
        "true_size_bytes": exam.true_size_bytes,
        "blank": exam.blank,
        "stable": not exam.unstable if exam.observations else None,
        "remarked": label.remarked,
        "half_size": label.half_size,
        "signature": _signature_row(exam),
        "matches": [match.to_json() for match in matches],
        "content_sha256": exam.content_sha256,
        "evidence": [*told, *untried, *_ruled_out(exam)],
    }
    summary = f"{_what(exam, finals)}; pile: {TITLES[sorted_.pile]} ({sorted_.reason})"
    hint = " ".join(told if sorted_.certain else [*told, *untried, _unsure(exam)])
    return Report(summary, hint, sorted_, numbers)


# What it is


def _sorted(exam: Examination, finals: tuple[Candidate, ...], matches: Sequence[Match]) -> Sorted:
    if exam.over_current:
        return Sorted(Pile.REJECT, "it draws too much current")
    if not exam.observations:
        return Sorted(Pile.REJECT, "it could not be read safely as long as so little is known", certain=False)
    if exam.unstable:
        return Sorted(Pile.REJECT, "it does not read the same twice")
    if not finals:
        return Sorted(Pile.REJECT, "no part of the catalogue explains what was read", certain=False)
    known = matches[0].name if matches else ""
    facts = Facts(exam.blank, exam.low_bits, exam.low_v, known)
    return sort_chip(finals, facts, windowed=exam.sight.window)


def _what(exam: Examination, finals: tuple[Candidate, ...]) -> str:
    pins = f"{exam.sight.package_pins}-pin chip"
    if exam.answered is not None:
        return f"{listed(each.name for each in finals)}, as it says itself"
    best = exam.best
    if best is None or not exam.observations or exam.over_current:
        return f"{pins}, not known"
    count = f"{len(finals)} part{'s are' if len(finals) > 1 else ' is'}"
    if exam.says_nothing:
        what = "blank or silent" if exam.blank else "every byte the same"
        return f"{pins}, {what}: {count} possible"
    names = listed(family_names(parts_of([best])))
    size = amount(exam.true_size_bytes or best.size_bytes)
    return f"most likely {a_name(names)} ({size}); {count} wired so"


def _unsure(exam: Examination) -> str:
    if exam.answered is None and any(exam.was_read(each.part) for each in exam.live):
        return "A signature would decide, where the chip has one: examine it again and agree to be asked."
    return "Look for a marking, and examine it again."


# Evidence, as sentences


def _ruled_out(exam: Examination) -> list[str]:
    """Say what pins and reads ruled out, parts with the same reason together."""
    reasons: dict[str, list[Part]] = {}
    for each in exam.out:
        reasons.setdefault(each.reason, []).append(each.part)
    ranked = sorted(reasons.items(), key=lambda item: -len(item[1]))[:_TOLD]
    found = [f"Not {a_name(listed(family_names(parts)))}: {reason}." for reason, parts in ranked]
    if any("touches nothing" in reason for reason, _ in ranked):
        found.append("Should a pin that touches nothing be folded or dirty, straighten it and examine again.")
    return found


def _size(exam: Examination) -> list[str]:
    best, found = exam.best, []
    if best is None or exam.says_nothing:
        return []
    if dead := best.explanation.dead_lines:
        lines = ", ".join(f"A{line.bit} (pin {line.pin})" for line in dead)
        found.append(
            f"{lines} changes nothing: {amount(exam.true_size_bytes or 0)} are there. That is a smaller"
            " die in this package, or content that was stored more than once."
        )
    for standing in exam.standings()[1:]:
        if standing.explanation.dead_lines and standing.size_bytes > best.size_bytes:
            name = a_name(family_names(parts_of([standing]))[0])
            times = 1 << len(standing.explanation.dead_lines)
            found.append(
                f"Read as {name}, the same content stands there {times} times: the chip holds"
                f" {amount(standing.size_bytes // times)}. It may also be {name} that was written so."
            )
    return found[:_TOLD]


def _blank(exam: Examination) -> list[str]:
    if not exam.blank:
        return []
    low = ""
    if exam.low_bits is not None:
        bits = f"{exam.low_bits:,} bits read 0" if exam.low_bits else "it is blank too"
        low = f" At {exam.low_v:.2f} V {bits}."
    return [f"Every byte reads FF: it is blank, or nothing in it answers; its size does not show.{low}"]


def _signature(exam: Examination) -> list[str]:
    answer = exam.answered
    if answer is None:
        return []
    how = "the ID voltage" if answer.method == "id-voltage" else "write cycles"
    names = listed(f"{part.maker} {part.name}" for part in answer.parts)
    said = f"Asked by {how} it answers maker {answer.maker:02X}, device {answer.device:02X}: {names}."
    named = {part.id for part in answer.parts}
    against = [each.reason for each in exam.out if each.part.id in named]
    if against and not any(each.part.id in named for each in exam.live):
        said += f" What was seen before speaks against that: {against[0]}."
    return [said]


def _others(exam: Examination) -> list[str]:
    """Say what else the chip can be, and what that would take for granted."""
    if exam.answered is not None or exam.says_nothing:
        return []
    found = []
    for standing in exam.standings()[1 : _TOLD + 1]:
        if standing.explanation.dead_lines:
            continue  # told with the size
        name = a_name(listed(family_names(parts_of([standing]))))
        but = "; ".join(doubt.words for doubt in standing.doubts)
        found.append(
            f"It can also be {name}, but then: {but}."
            if but
            else f"It can also be {name} ({amount(standing.size_bytes)})."
        )
    return found


# Numbers


def _candidate_rows(exam: Examination, finals: tuple[Candidate, ...]) -> list[dict[str, Any]]:
    """Tell of all that the chip can be; `likely` is what needs no more coincidences than the best."""
    standing_of: dict[str, Standing] = {
        each.part.id: standing for standing in exam.standings() for each in standing.candidates
    }
    likely = {each.part.id for each in finals}
    others = tuple(each for s in exam.standings() for each in s.candidates if each.part.id not in likely)
    rows = finals if exam.answered is not None else finals + others
    return [
        {
            "part": each.part.id,
            "name": each.part.name,
            "maker": each.part.maker,
            "kind": each.part.kind.value,
            "size_bytes": each.part.size_bytes,
            "one_time": each.one_time,
            "marked": each.marked,
            "likely": each.part.id in likely,
            "named_itself": exam.answered is not None,
            "doubts": [doubt.words for doubt in standing_of[each.part.id].doubts]
            if each.part.id in standing_of
            else [],
        }
        for each in rows
    ]


def _read_rows(exam: Examination) -> list[dict[str, Any]]:
    read = [
        {"pinout": seen.trial.key, "bytes": len(seen.data), "stable": seen.stable, "reason": ""}
        for seen in exam.observations
    ]
    return read + [
        {"pinout": each.trial.key, "bytes": 0, "stable": None, "reason": each.reason} for each in exam.untried
    ]


def _signature_row(exam: Examination) -> dict[str, Any] | None:
    answer = exam.answered
    if answer is None:
        return None
    parts: Iterable[str] = (part.id for part in answer.parts)
    return {"method": answer.method, "maker": answer.maker, "device": answer.device, "parts": [*parts]}
