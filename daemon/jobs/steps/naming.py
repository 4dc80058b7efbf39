"""Asking a chip that nobody knows for its maker's and device's code: only with a person's consent."""

from collections.abc import Sequence

from daemon.catalogue.jep106 import maker_name
from daemon.catalogue.model import Part
from daemon.catalogue.terms import SignatureMethod
from daemon.drawer.asking import (
    Way,
    able,
    altered_by_write_cycles,
    hurt_by_id_voltage,
    only_asking,
    ways_to_ask,
)
from daemon.drawer.examination import Answered, Examination, parts_of
from daemon.errors import BenchError
from daemon.jobs.context import Done, JobContext, Question
from daemon.jobs.steps.examining import examination_of, is_over_current, use
from daemon.jobs.steps.power import look_power

_SIGNATURE, _TITLE = "signature", "Signature"
_NAMES_TOLD = 4
#: Both codes like this: nothing answers.
_NOTHING = (0x00, 0xFF, 0x0000, 0xFFFF)


def ask_for_names(ctx: JobContext) -> Done:
    """Ask by write cycles first, which harm less, and by the ID voltage where that brought no name."""
    exam = examination_of(ctx)
    if exam.over_current or exam.unstable or not exam.observations:
        return _left(ctx, "left out: the chip does not read well")
    # Only in ways in which it was read: another way may put the voltage, or a cycle, on the wrong pin.
    parts = tuple(part for part in parts_of(exam.standings()) if exam.was_read(part))
    by_command = ways_to_ask(parts, SignatureMethod.COMMAND)
    by_voltage = ways_to_ask(parts, SignatureMethod.ID_VOLTAGE)
    if not by_command and not by_voltage:
        return _left(ctx, "none of the parts that it can be has one")
    told: list[str] = []
    if by_command and _may_write(ctx, exam, by_command, told):
        _ask(ctx, exam, by_command, "command", told)
    if by_voltage and exam.answered is None and _may_lift(ctx, exam, by_voltage, told):
        _ask(ctx, exam, by_voltage, "id-voltage", told)
    answer = exam.answered
    if answer is None:
        return _left(ctx, "; ".join(told))
    names = ", ".join(f"{part.maker} {part.name}" for part in answer.parts)
    words = f"maker {answer.maker:02X}, device {answer.device:02X}: {names}"
    ctx.passed(_SIGNATURE, _TITLE, words)
    return Done(words, {"maker": answer.maker, "device": answer.device})


def _left(ctx: JobContext, words: str) -> Done:
    ctx.not_checked(_SIGNATURE, _TITLE, words)
    return Done(words, skipped=True)


# Consent


def _may_write(ctx: JobContext, exam: Examination, ways: Sequence[Way], told: list[str]) -> bool:
    names = _listed([member for way in ways for member in way.members])
    if not able(ctx.socketed.identity, SignatureMethod.COMMAND):
        told.append("this programmer cannot give write cycles, by which flash chips are asked")
        return False
    altered = altered_by_write_cycles(exam.live, ways)
    risk = (
        f" It can also be {_listed(altered)}, in which they would overwrite a few bytes; what it holds now"
        " has been kept."
        if altered
        else " Nothing else that it can be takes them."
    )
    words = (
        f"It can be {names}. A flash chip tells its name after a few write cycles at its own supply, a"
        f" command that changes nothing in it.{risk} Send them?"
    )
    question = Question("write-cycles", words, {"at_risk": [part.id for part in altered]})
    if _agreed(ctx, ctx.request.allow_write_cycles, question):
        return True
    told.append("not asked by write cycles, as told")
    return False


def _may_lift(ctx: JobContext, exam: Examination, ways: Sequence[Way], told: list[str]) -> bool:
    names = _listed([member for way in ways for member in way.members])
    if not able(ctx.socketed.identity, SignatureMethod.ID_VOLTAGE):
        told.append("this programmer cannot make the ID voltage")
        return False
    hurt = hurt_by_id_voltage(exam.live, ways)
    risk = f" Among what it can be, {_listed(hurt)} would be at risk." if hurt else ""
    words = (
        f"Go on with the ID voltage (about {ways[0].part.supplies.id_v or 12.0:g} V on A9)? It asks {names}"
        " for maker and device. It can kill mask ROMs, windowed microcontrollers and parts with three"
        f" supplies.{risk} What the chip holds has been kept."
    )
    question = Question("id-voltage", words, {"at_risk": [part.id for part in hurt]})
    if _agreed(ctx, ctx.request.allow_id_voltage, question):
        return True
    told.append("not asked by the ID voltage, as told")
    return False


def _agreed(ctx: JobContext, beforehand: bool | None, question: Question) -> bool:
    return ctx.ask(question) if beforehand is None else beforehand


def _listed(parts: Sequence[Part]) -> str:
    """Name parts, a few of them, so that a question stays readable."""
    names = list(dict.fromkeys(f"{part.maker} {part.name}" for part in parts))
    more = len(names) - _NAMES_TOLD
    if more > 0:
        return f"{', '.join(names[:_NAMES_TOLD])} and {more} more"
    return " or ".join(names)


# Asking


def _ask(ctx: JobContext, exam: Examination, ways: Sequence[Way], method: str, told: list[str]) -> None:
    for way in ways:
        codes = _codes(ctx, exam, way)
        if codes is None:
            return
        maker, device = codes
        if maker in _NOTHING and device in _NOTHING:
            told.append(f"nothing answers to the {method}")
        elif _is_content(exam, way.part, maker, device):
            told.append(f"to the {method} it gives its content, no name")
        elif found := _parts_that_answer(ctx, exam, maker, device):
            exam.answered = Answered(method, maker, device, found)
            return
        else:
            who = maker_name(maker & 0xFF) or "no known maker"
            told.append(f"it answers maker {maker:02X} ({who}), device {device:02X}: no part known here")


def _codes(ctx: JobContext, exam: Examination, way: Way) -> tuple[int, int] | None:
    """Ask one way; None after an over-current, which ends the asking."""
    socketed = use(ctx, way.part, only_asking)
    try:
        look_power(ctx)
        codes = socketed.identify()
        socketed.power_off()
    except BenchError as error:
        if not is_over_current(error):
            raise
        exam.over_current = (
            "it drew more current than the programmer gives when it was asked for its name: it did not stand"
            " that. What it held had been read before"
        )
        return None
    return codes


def _parts_that_answer(ctx: JobContext, exam: Examination, maker: int, device: int) -> tuple[Part, ...]:
    """Return the parts with these codes in this package; those that explain the reads if any does."""
    package = f"DIP{exam.sight.package_pins}"
    found = [
        part for part in ctx.catalogue.by_signature(maker, device) if package in (part.package, *part.also_in)
    ]
    explained = [part for part in found if any(each.part.id == part.id for each in exam.live)]
    return tuple(explained or found)


def _is_content(exam: Examination, part: Part, maker: int, device: int) -> bool:
    """Tell whether these are just the first two words that the chip holds."""
    size = part.word_bytes
    for seen in exam.observations:
        if any(member is part for member in seen.trial.members):
            words = [int.from_bytes(seen.data[at * size : (at + 1) * size], "little") for at in (0, 1)]
            return words == [maker, device]
    return False
