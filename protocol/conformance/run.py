"""Running the checks against a device, one after another, safe on every way out."""

import struct
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import groupby

from protocol.conformance.check import (
    CHECKS,
    ORDER,
    Check,
    Failed,
    Level,
    Needs,
    NotApplicable,
    NotRun,
    Verdict,
)
from protocol.conformance.desk import Desk
from protocol.conformance.link import Passed, RawLink
from protocol.conformance.part import TrialPart, trial_parts
from protocol.conformance.setting import Setting
from protocol.wire import Status

_GREETINGS = 3
#: How much of the exchange a failure shows, and how many frames of one kind in a row.
_SHOWN = 14
_ALIKE = 3
#: A board may restart when its port is opened: HELLO is tried so often before it is called silent (H2).
_FIRST_GREETINGS = 6


@dataclass(frozen=True, slots=True)
class Ended:
    """How one check ended. `failed` are the requirements that it shows broken; `why` is for people."""

    check: Check
    verdict: Verdict
    why: str = ""
    failed: tuple[str, ...] = ()
    expected: str = ""
    seen: str = ""
    look: str = ""
    since_s: float = 0.0
    passed: tuple[Passed, ...] = ()


def selected(only: Iterable[str] = ()) -> list[Check]:
    """Return the checks in their order: all, or those of the requirements and names in `only`."""
    import protocol.conformance.checks  # noqa: F401 - enters them

    wanted = set(only)
    return [each for each in CHECKS if not wanted or wanted & {each.name, *each.requirements}]


class Run:
    """One judging of one device. `parts`: descriptors to try instead of those made from its identity."""

    def __init__(
        self,
        link: RawLink,
        setting: Setting,
        *,
        checks: Sequence[Check] | None = None,
        parts: Callable[[Desk], Iterable[TrialPart]] | None = None,
        on_end: Callable[[Ended], None] = lambda _ended: None,
    ) -> None:
        self.desk = Desk(link, setting)
        self.ended: list[Ended] = []
        self.part_trouble = ""
        self._checks = selected() if checks is None else checks
        self._parts = parts or (lambda desk: trial_parts(desk.told))
        self._on_end = on_end
        self._silent = ""

    def carry_out(self) -> list[Ended]:
        """Run all checks. Whatever happens, the device is told to take its supplies off."""
        try:
            self._begin()
            for each in self._checks:
                self._note(self._one(each))
        finally:
            with suppress(Exception):
                self.desk.make_safe()
        return self.ended

    def _note(self, ended: Ended) -> None:
        self.ended.append(ended)
        self._on_end(ended)

    def _begin(self) -> None:
        """Greet the device and find a part that it takes."""
        try:
            self._greet(_FIRST_GREETINGS)
        except Failed as failed:
            self._silent = f"it does not answer HELLO: {failed.seen}"
            return
        try:
            self._find_part()
        except Failed as failed:
            self.part_trouble = f"SETUP: {failed}"

    def _greet(self, times: int) -> None:
        for left in reversed(range(times)):
            try:
                self.desk.fresh()
            except Failed:
                if not left:
                    raise
            else:
                return

    def _find_part(self) -> None:
        told = ""
        for candidate in self._parts(self.desk):
            answer = self.desk.upload(candidate.packed())
            if answer.status == Status.OK:
                self.desk.part = candidate
                self.desk.pulse_s = candidate.pulse_s
                return
            told = self.desk.answer_words(answer)
        self.part_trouble = f"it takes none of the parts tried ({told or 'none fits its socket'})"

    def _one(self, which: Check) -> Ended:
        if self._silent:
            return Ended(which, Verdict.NOT_RUN, self._silent)
        link = self.desk.link
        try:
            self._greet(_GREETINGS)
        except Failed as failed:
            before = self.ended[-1].check.name if self.ended else "the start"
            self._silent = f"it answered no HELLO after {before}"
            return self._failure(replace(which, requirements=("D5",)), failed, link.now_s())
        since_s = link.now_s()
        link.record.clear()
        try:
            self._require(which.needs)
            which.run(self.desk)
        except Failed as failed:
            return self._failure(which, failed, since_s)
        except (struct.error, ArithmeticError, LookupError, ValueError) as error:
            # No bytes of a device may end the run: what it tells makes no sense, and that is a finding.
            odd = Failed("figures that a request can be made from", f"{type(error).__name__}: {error}")
            return self._failure(which, odd, since_s)
        except NotRun as reason:
            return Ended(which, Verdict.NOT_RUN, str(reason))
        except NotApplicable as reason:
            return Ended(which, Verdict.NOT_APPLICABLE, str(reason))
        finally:
            if which.needs >= Needs.VCC:
                self.desk.make_safe()
        return Ended(which, Verdict.PASS)

    def _require(self, needs: Needs) -> None:
        desk = self.desk
        if needs >= Needs.PART:
            if desk.part is None:
                raise NotRun(f"{self.part_trouble}; name another with --part")
            desk.set_up()
        if needs >= Needs.VCC:
            desk.may_energise()
        if needs >= Needs.VPP:
            desk.may_program()

    @staticmethod
    def _failure_requirements(which: Check, failed: Failed) -> tuple[str, ...]:
        return (failed.requirement,) if failed.requirement else which.requirements

    def _failure(self, which: Check, failed: Failed, since_s: float) -> Ended:
        passed = tuple(_telling(self.desk.link.record))[-_SHOWN:]
        return Ended(
            which, Verdict.FAIL, str(failed), self._failure_requirements(which, failed),
            failed.expected, failed.seen, failed.look, since_s, passed,
        )  # fmt: skip


def _telling(record: Iterable[Passed]) -> Iterator[Passed]:
    """Yield what passed, without the middle of long runs of the same kind of frame."""
    for _, run in groupby(record, key=lambda each: (each.sent, each.words.split()[0])):
        alike = list(run)
        yield from alike if len(alike) <= _ALIKE else (*alike[: _ALIKE - 1], alike[-1])


def level_of(ended: Iterable[Ended]) -> Level:
    """Return the highest level whose checks, and all before, were run and passed or are not applicable."""
    reached = Level.NONE
    results = {each.check.name: each.verdict for each in ended}
    for level in ORDER[1:]:
        own = [results.get(each.name, Verdict.NOT_RUN) for each in selected() if each.level is level]
        if not all(each in (Verdict.PASS, Verdict.NOT_APPLICABLE) for each in own) or Verdict.PASS not in own:
            break
        reached = level
    return reached
