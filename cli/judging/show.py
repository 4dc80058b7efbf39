"""A conformance report on the terminal."""

from collections.abc import Mapping
from typing import Any

from cli.out import Out
from protocol.conformance.check import Verdict
from protocol.conformance.run import Ended

_STYLES = {
    "pass": "green",
    "partly": "yellow",
    "fail": "bold red",
    "not-run": "yellow",
    "not-applicable": "dim",
    "not-observable": "dim",
}
_NEXT = {
    "none": "Mend what failed; the first failure often explains others.",
    "wire": "Next: take the chip out and run it with --socket empty.",
    "reads": "Next: VPP and pulses; the checks that were not run say what they want.",
    "programs": "Next: --socket sacrificial with a chip that may be spoilt, and --by-hand for resets.",
    "complete": "",
}


def show_progress(out: Out, ended: Ended) -> None:
    """Print the line of one check as it ends."""
    numbers = " ".join(ended.check.requirements)
    line = f"{ended.verdict.value:<15} {numbers:<16} {ended.check.words}"
    out.say(line, _STYLES[ended.verdict.value])
    if ended.verdict in (Verdict.NOT_RUN, Verdict.NOT_APPLICABLE):
        out.say(f"{'':<15} {'':<16} {ended.why}", "dim")


def show_report(out: Out, report: Mapping[str, Any]) -> None:
    """Print the verdict on each requirement, what failed and how, and the seal."""
    out.say()
    rows = [
        (each["requirement"], each["verdict"], each["words"] + _because(each))
        for each in report["requirements"]
    ]
    out.table(("Requirement", "Verdict", "What it asks"), rows)
    for each in report["checks"]:
        if each["verdict"] == "fail":
            _show_failure(out, each)
    device = report["device"]
    out.say()
    out.say(f"Device: {device['hardware']}, {device['firmware']}, serial {device['serial'] or 'none'}")
    out.say(f"Level reached: {report['level']}. {_NEXT[report['level']]}".strip(), "bold")
    out.say(str(report["seal"]))


def _because(requirement: Mapping[str, Any]) -> str:
    return f"; {requirement['not_observable']}" if requirement["verdict"] == "not-observable" else ""


def _show_failure(out: Out, failed: Mapping[str, Any]) -> None:
    out.say()
    out.say(f"{' '.join(failed['broken'])} broken: {failed['words']}", "bold red")
    out.say(f"  check     {failed['check']}")
    out.say(f"  expected  {failed['expected']}")
    out.say(f"  seen      {failed['seen']}")
    if failed["look_at"]:
        out.say(f"  look at   {failed['look_at']}")
    for each in failed["exchange"]:
        out.say(f"  {each['at_ms']:>8.1f} ms  {each['from']:<6}  {each['words']}")
        out.say(f"  {'':>11}  {'':<6}  {each['hex']}", "dim")
