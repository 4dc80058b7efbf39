"""The report of a run: a verdict for each requirement, as one JSON document under a seal."""

import hashlib
import json
from collections.abc import Mapping, Sequence
from typing import Any

from protocol.conformance.check import Level, Verdict
from protocol.conformance.desk import Desk
from protocol.conformance.requirements import DEVICE, NOT_OBSERVABLE
from protocol.conformance.run import Ended, level_of, selected
from protocol.wire import MAJOR, MINOR, Capability

FORMAT = 1
SEAL_WORD = "romwright-seal"
PARTLY = "partly"
NOT_OBSERVABLE_VERDICT = "not-observable"


def verdict_on(requirement: str, ended: Sequence[Ended]) -> tuple[str, list[Ended]]:
    """Return what the checks say of one requirement, and which they were.

    Besides the verdicts of checks: `partly` when some passed and some were not run, `not-observable` for what
    is only seen at the pins, unless a check shows it broken.
    """
    own = [each for each in ended if requirement in each.check.requirements or requirement in each.failed]
    if any(each.verdict is Verdict.FAIL and requirement in each.failed for each in own):
        return Verdict.FAIL, own
    # A check that failed over another requirement says nothing about this one.
    said = {Verdict.NOT_RUN if each.verdict is Verdict.FAIL else each.verdict for each in own}
    if {each.name for each in selected([requirement])} - {each.check.name for each in own}:
        said.add(Verdict.NOT_RUN)
    if requirement in NOT_OBSERVABLE:
        return NOT_OBSERVABLE_VERDICT, own
    if Verdict.PASS in said:
        return (PARTLY if Verdict.NOT_RUN in said else Verdict.PASS), own
    return (Verdict.NOT_RUN if Verdict.NOT_RUN in said else Verdict.NOT_APPLICABLE), own


def document(desk: Desk, ended: Sequence[Ended], *, tool: str, when: str) -> dict[str, Any]:
    """Return the report of a run as JSON values, without its seal.

    `tool` names this program and its version, `when` is the time in ISO 8601 as the caller's clock has it.
    """
    requirements = []
    for number, words in DEVICE.items():
        verdict, own = verdict_on(number, ended)
        requirements.append(
            {
                "requirement": number,
                "words": words,
                "verdict": str(verdict),
                "checks": [each.check.name for each in own],
                "not_observable": NOT_OBSERVABLE.get(number, ""),
            }
        )
    return {
        "format": FORMAT,
        "tool": tool,
        "when": when,
        "protocol": f"{MAJOR}.{MINOR}",
        "device": _device(desk),
        "socket": str(desk.setting.socket),
        "patience": desk.setting.patience,
        "seed": desk.setting.seed,
        "level": str(level_of(ended)),
        "requirements": requirements,
        "checks": [_check(each) for each in ended],
    }


def _device(desk: Desk) -> dict[str, Any] | None:
    if not desk.greeted:
        return None
    told = desk.told
    return {
        "firmware": told.texts.get("FIRMWARE", ""),
        "hardware": told.texts.get("HARDWARE", ""),
        "serial": told.texts.get("SERIAL", ""),
        "protocol": f"{told.major}.{told.minor}",
        "boot_id": told.boot_id,
        "max_payload": told.max_payload,
        "window": told.window,
        "rx_bytes": told.rx_bytes,
        "watchdog_ms": told.watchdog_ms,
        "socket_pins": told.socket_pins,
        "capabilities": [each.name for each in Capability if each & told.capabilities],
    }


def _check(ended: Ended) -> dict[str, Any]:
    which = ended.check
    told: dict[str, Any] = {
        "check": which.name,
        "words": which.words,
        "requirements": list(which.requirements),
        "level": str(which.level),
        "verdict": str(ended.verdict),
    }
    if ended.why:
        told["why"] = ended.why
    if ended.verdict is Verdict.FAIL:
        told |= {
            "broken": list(ended.failed),
            "expected": ended.expected,
            "seen": ended.seen,
            "look_at": ended.look,
            "exchange": [each.to_json(ended.since_s) for each in ended.passed],
        }
    return told


def canonical(report: Mapping[str, Any]) -> bytes:
    """Return a report as the bytes that are digested: keys sorted, no spaces, UTF-8, without the seal."""
    values = {name: value for name, value in report.items() if name != "seal"}
    return json.dumps(values, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()


def seal_of(report: Mapping[str, Any]) -> str:
    """Return the line that sums a report up: wire, level, device, tool, and a SHA-256 of the report.

    It shows that a report was altered after it was made. It is no signature: whoever alters a report can make
    a new seal for it.
    """
    device = report.get("device") or {}
    name = " ".join(filter(None, (device.get("hardware"), device.get("firmware")))) or "unknown device"
    digest = hashlib.sha256(canonical(report)).hexdigest()
    return " ".join(
        (
            f"{SEAL_WORD} {FORMAT}",
            f"wire={report.get('protocol')}",
            f"level={report.get('level')}",
            f"device={json.dumps(name, ensure_ascii=False)}",
            f"serial={json.dumps(device.get('serial', ''), ensure_ascii=False)}",
            f"tool={json.dumps(report.get('tool'), ensure_ascii=False)}",
            f"sha256={digest}",
        )
    )


def sealed(report: Mapping[str, Any]) -> dict[str, Any]:
    """Return the report with its seal."""
    return {**report, "seal": seal_of(report)}


def broken_seal(report: Any) -> str:
    """Return what is wrong with a sealed report, "" when its seal holds."""
    if not isinstance(report, Mapping) or "checks" not in report or "requirements" not in report:
        return "it is no conformance report"
    if report.get("format") != FORMAT:
        return f"its format is {report.get('format')!r}, and this program knows {FORMAT}"
    if not report.get("seal"):
        return "it has no seal"
    if seal_of(report) != report["seal"]:
        return "the report is not the one that was sealed"
    return ""


def is_good(ended: Sequence[Ended]) -> bool:
    """Whether something passed and nothing failed."""
    verdicts = {each.verdict for each in ended}
    return Verdict.PASS in verdicts and Verdict.FAIL not in verdicts and level_of(ended) is not Level.NONE
