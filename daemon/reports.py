"""Jobs and batches as JUnit XML, for whatever a continuous-integration service shows.

The dialect that all readers share: `testsuites` > `testsuite` > `testcase` with `failure`, `error`, `skipped`
and `system-out`; times in seconds. A verdict on a chip is a failure, anything else that went wrong an error.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from xml.etree import ElementTree as Xml

from daemon.batches.model import COUNTS_AS_MADE, FAILED, ChipResult, Item, Plan, State, Status
from daemon.jobs.outcome import OutcomeCode
from daemon.store.model import ENDED_STATES, JobRecord, JobState

#: What XML 1.0 does not take, whatever was read from a chip or typed by a person.
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_RESULTS = frozenset(str(code) for code in OutcomeCode)


@dataclass(frozen=True, slots=True)
class _Case:
    name: str
    classname: str
    time_s: float = 0.0
    failure: tuple[str, str] | None = None
    error: tuple[str, str] | None = None
    skipped: str | None = None
    output: str = ""


def job_junit(job: JobRecord) -> str:
    """Return one job: a test case for each check, and one for the job as a whole."""
    outcome = job.outcome or {}
    about = f"romwright.job.{job.kind}"
    took_s = float((outcome.get("numbers") or {}).get("took_s") or 0.0)
    cases = [_check_case(check, about) for check in outcome.get("checks") or ()]
    code, words = str(outcome.get("code", "")), str(outcome.get("summary", ""))
    told = {"failure": (code, words)} if code in _RESULTS else {"error": (code, words)}
    if job.state not in ENDED_STATES:
        told = {"skipped": f"the job is {job.state}"}  # type: ignore[dict-item]
    elif job.state is JobState.SUCCEEDED:
        told = {}
    name = f"{job.kind} {job.part_id or 'examined chip'}"
    hint = str(outcome.get("hint", ""))
    cases.append(_Case(name, about, took_s, output=f"{words}\n{hint}".strip(), **told))  # type: ignore[arg-type]
    properties = {"job": job.id, "part": job.part_id, "image": job.image_sha256, "code": code}
    return _document(f"job {job.number}: {name}", [(f"job {job.number}", cases, job.started_at)], properties)


def _check_case(check: dict[str, object], about: str) -> _Case:
    volts = f" at {check['vcc_v']:.2f} V" if check.get("vcc_v") is not None else ""
    name, words = f"{check['title']}{volts}", str(check["words"])
    match check["verdict"]:
        case "failed":
            return _Case(name, about, failure=(str(check["name"]), words))
        case "not-checked":
            return _Case(name, about, skipped=words)
        case _:
            return _Case(name, about, output=words)


def batch_junit(number: int, plan: Plan, state: State, began: datetime) -> str:
    """Return a batch: a suite for each position, a test case for each chip that was put in.

    What is still to be made is skipped while the batch goes on or is paused, and failed once it was ended.
    """
    suites = []
    for position in dict.fromkeys(item.position for item in plan.items):
        items = [item for item in plan.items if item.position == position]
        about = f"romwright.{plan.board_id}.{position}"
        own = {item.index: item for item in items}
        cases = [_chip_case(chip, own[chip.item], about) for chip in state.chips if chip.item in own]
        cases += [_missing_case(item, about, state) for item in items if item.index not in state.made]
        suites.append((f"{plan.board_name} {position}", cases, began))
    name = f"batch {number}: {plan.sets} x {plan.board_name}"
    return _document(name, suites, {"board": plan.board_id, "state": str(state.status)})


def _chip_case(chip: ChipResult, item: Item, about: str) -> _Case:
    name = f"set {item.set_number}, chip {chip.number}"
    if chip.verdict in COUNTS_AS_MADE:
        words = f"{chip.verdict}: {chip.words}; CRC-32 {item.crc32:08X}"
        return _Case(name, about, chip.work_s, output=words)
    if chip.verdict in FAILED:
        return _Case(name, about, chip.work_s, failure=(chip.cause, f"{chip.verdict}: {chip.words}"))
    return _Case(name, about, chip.work_s, skipped=f"{chip.verdict}: {chip.words}")


def _missing_case(item: Item, about: str, state: State) -> _Case:
    name = f"set {item.set_number}"
    if state.status is Status.ENDED:
        return _Case(name, about, failure=("not-made", "the batch was ended before this chip was made"))
    return _Case(name, about, skipped="not made yet")


def _document(
    name: str,
    suites: Iterable[tuple[str, Sequence[_Case], datetime | None]],
    properties: dict[str, str | None],
) -> str:
    root = Xml.Element("testsuites", name=_clean(name))
    totals = {"tests": 0, "failures": 0, "errors": 0, "skipped": 0}
    total_s = 0.0
    for title, cases, began in suites:
        suite = Xml.SubElement(root, "testsuite", name=_clean(title))
        if began is not None:
            # ISO 8601 without a zone is what the common schema has.
            suite.set("timestamp", began.replace(tzinfo=None).isoformat(timespec="seconds"))
        own = {
            "tests": len(cases),
            "failures": sum(case.failure is not None for case in cases),
            "errors": sum(case.error is not None for case in cases),
            "skipped": sum(case.skipped is not None for case in cases),
        }
        spent_s = sum(case.time_s for case in cases)
        total_s += spent_s
        for key, count in own.items():
            totals[key] += count
            suite.set(key, str(count))
        suite.set("time", f"{spent_s:.3f}")
        _add_properties(suite, properties)
        for case in cases:
            _add_case(suite, case)
    for key, count in totals.items():
        root.set(key, str(count))
    root.set("time", f"{total_s:.3f}")
    Xml.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + Xml.tostring(root, encoding="unicode") + "\n"


def _add_properties(suite: Xml.Element, properties: dict[str, str | None]) -> None:
    kept = Xml.SubElement(suite, "properties")
    for name, value in properties.items():
        if value:
            Xml.SubElement(kept, "property", name=name, value=_clean(value))


def _add_case(suite: Xml.Element, case: _Case) -> None:
    element = Xml.SubElement(
        suite, "testcase", name=_clean(case.name), classname=_clean(case.classname), time=f"{case.time_s:.3f}"
    )
    for tag, told in (("failure", case.failure), ("error", case.error)):
        if told is not None:
            Xml.SubElement(element, tag, type=told[0], message=_clean(told[1])).text = _clean(told[1])
    if case.skipped is not None:
        Xml.SubElement(element, "skipped", message=_clean(case.skipped))
    if case.output:
        Xml.SubElement(element, "system-out").text = _clean(case.output)


def _clean(text: str) -> str:
    return _NOT_XML.sub("\ufffd", text)
