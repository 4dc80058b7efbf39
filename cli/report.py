"""What is shown before a job and after it."""

from collections.abc import Mapping, Sequence
from typing import Any

from cli.exit_codes import Exit
from cli.out import Out, bytes_words, time_words

_BROKEN_OFF_STATES = frozenset({"cancelled", "interrupted"})
_REFUSALS = frozenset({"consent-needed"})
_OPTION_HINTS = {
    "consent-needed": "To agree: the same command with --allow-low-vcc.",
    "signature-mismatch": "To go on all the same: --accept-signature.",
}
_VERDICTS = {
    "passed": ("passed", "green"),
    "failed": ("failed", "bold red"),
    "not-checked": ("not checked", "yellow"),
}
#: Outcome codes that judge the chip; every other failure says that the job came to no result.
VERDICT_CODES = frozenset(
    {
        "already-programmed",
        "chip-missing",
        "chip-reversed",
        "chip-shifted",
        "not-blank",
        "not-blank-low",
        "not-erased",
        "erase-marginal",
        "will-not-erase",
        "pin-fault",
        "program-failed",
        "signature-mismatch",
        "supply-out-of-tolerance",
        "unstable-read",
        "verify-mismatch",
    }
)


def status_of_job(job: Mapping[str, Any]) -> Exit:
    """Return the exit status that tells how a job ended."""
    if job["state"] == "succeeded":
        return Exit.DONE
    code = (job.get("outcome") or {}).get("code", "")
    if job["state"] in _BROKEN_OFF_STATES:
        return Exit.BROKEN_OFF
    if code in _REFUSALS:
        return Exit.REFUSED
    return Exit.NEGATIVE if code in VERDICT_CODES else Exit.BROKEN_OFF


def show_outcome(out: Out, job: Mapping[str, Any]) -> None:
    """Print how a job ended: the result, what was checked and at which supplies, and what to do next."""
    outcome = job.get("outcome") or {}
    good = job["state"] == "succeeded"
    out.say()
    out.say(str(outcome.get("summary", job["state"])), "bold green" if good else "bold red")
    checks = outcome.get("checks") or []
    if checks:
        summary = str(outcome.get("summary"))
        rows = [_check_row(check, summary) for check in checks]
        out.table(("Check", "VCC", "Result", "Found"), rows)
    if hint := outcome.get("hint"):
        out.say(str(hint))
    _show_causes(out, outcome.get("causes") or ())
    if option := _OPTION_HINTS.get(str(outcome.get("code"))):
        out.say(option)
    numbers = outcome.get("numbers") or {}
    if "took_s" in numbers:
        told = good and "estimated_s" in numbers
        estimate = f"; estimated {time_words(numbers['estimated_s'])}" if told else ""
        out.say(f"Took {time_words(numbers['took_s'])}{estimate}.", "dim")
    supplies = numbers.get("supplies_after", "off")
    if supplies != "off":
        out.say(f"Supplies {supplies}. Measure them before you touch the chip.", "bold yellow")


def _show_causes(out: Out, causes: Sequence[Mapping[str, Any]]) -> None:
    """Print why a job failed: the sure cause, or what it can be, each with what speaks for it."""
    if not causes:
        return
    sure = causes[0]["confidence"] == "sure"
    told = [cause for cause in causes if cause["confidence"] != "cannot-tell"]
    out.say("The cause:" if sure else "The cause cannot be told for certain. It may be:", "bold")
    for at, cause in enumerate(told, 1):
        words = str(cause["words"])
        out.say(f"  {at}. {words[:1].upper()}{words[1:]} ({cause['probability']:.0%}).")
        for evidence in cause.get("evidence") or ():
            out.say(f"     {str(evidence)[:1].upper()}{str(evidence)[1:]}.", "dim")
        if advice := cause.get("advice"):
            out.say(f"     {advice}")
    if not told:
        out.say(f"  {causes[0]['words'][:1].upper()}{causes[0]['words'][1:]}. {causes[0]['advice']}")


def _check_row(check: Mapping[str, Any], summary: str) -> tuple[object, ...]:
    from rich.text import Text

    words, style = _VERDICTS.get(check["verdict"], (check["verdict"], ""))
    vcc = f"{check['vcc_v']:.2f} V" if check.get("vcc_v") is not None else ""
    found = "as told above" if summary.startswith(check["words"]) else check["words"]
    return check["title"], vcc, Text(words, style), found


def show_preview(out: Out, preview: Mapping[str, Any], programmer: Mapping[str, Any]) -> None:
    """Print what a job would put on which pins, for comparing with the marking on the chip.

    Where a JSON document is wanted, a person reads it beside that, on standard error.
    """
    say = out.note if out.json else out.say
    say(f"{preview['part_name']}, {preview['maker']}, {preview['package']}", "bold")
    rows = [("VCC", _vcc_words(preview))]
    if preview["vpp_program_v"]:
        rows.append(("VPP", f"{preview['vpp_program_v']:.2f} V on {_pins_with(preview, 'vpp')}"))
    if preview["id_v"]:
        rows.append(
            ("ID voltage", f"{preview['id_v']:.2f} V on {_pins_with(preview, 'id')} for the signature")
        )
    if preview["pulse_us"]:
        rows.append(("Pulse", f"{preview['pulse_us']:g} µs, at most {preview['max_pulses']} on one word"))
    if preview["image_bytes"]:
        rows.append(("Image", bytes_words(preview["image_bytes"])))
    if preview["supply_checks_v"]:
        rows.append(("Verified at", " and ".join(f"{volts:.2f} V" for volts in preview["supply_checks_v"])))
    rows.append(
        ("In", f"{programmer['hardware'] or 'programmer'} {programmer.get('name') or programmer['id']}")
    )
    if preview["adapter"] not in ("", "direct"):
        rows.append(("Adapter", f"{preview['adapter_name']} ({preview['adapter']})"))
    rows.append(("Estimate", time_words(preview["estimate"]["total_s"])))
    rows.append(("Values from", _source_words(preview)))
    for name, words in rows:
        say(f"  {name:<12} {words}", "")
    for words in preview.get("adapter_words", ()):
        say(f"  {'':<12} {words}", "bold")
    for note in (*preview["notes"], *preview["fit_notes"], *preview.get("limits", ())):
        say(f"  Note: {note}", "yellow")


def _vcc_words(preview: Mapping[str, Any]) -> str:
    words = f"{preview['vcc_read_v']:.2f} V to read"
    if preview["vcc_program_v"]:
        words += f", {preview['vcc_program_v']:.2f} V to program"
    return words


def _pins_with(preview: Mapping[str, Any], voltage: str) -> str:
    found = [
        f"pin {pin['pin']} ({pin['signal']})"
        for pin in preview["pins"]
        if any(use.endswith(f": {voltage}") for use in pin["high_voltages"])
    ]
    return " and ".join(found) or "no pin"


def _source_words(preview: Mapping[str, Any]) -> str:
    if preview["confidence"] == "seen":
        return f"the data sheet: {preview['datasheet']}"
    return f"memory, in part: compare with the data sheet ({preview['datasheet']}) first"
