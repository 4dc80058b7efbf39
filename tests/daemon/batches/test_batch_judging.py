"""What the end of a job means for its batch."""

import pytest

from daemon.batches.judging import judge
from daemon.batches.model import Means, Remedy, Verdict
from protocol.wire import Fault

OPENED, SILENT = int(Fault.SOCKET_OPENED), int(Fault.WATCHDOG)


@pytest.mark.parametrize(
    ("state", "code", "numbers", "means", "remedy", "by_light", "else_"),
    [
        ("succeeded", "ok", {}, Means.GOOD, Remedy.NONE, None, None),
        ("failed", "already-programmed", {"held_crc32": 7}, Means.HOLDS, Remedy.NONE, None, None),
        ("failed", "link-lost", {}, Means.CUT_OFF, Remedy.NONE, None, None),
        ("interrupted", "interrupted", {}, Means.CUT_OFF, Remedy.NONE, None, None),
        ("cancelled", "cancelled", {}, Means.CANCELLED, Remedy.NONE, None, None),
        ("failed", "chip-reversed", {}, Means.HANDS, Remedy.NONE, None, None),
        ("failed", "signature-mismatch", {}, Means.OTHER_PART, Remedy.NONE, "set-aside", "set-aside"),
        ("failed", "not-blank", {}, Means.CHIP, Remedy.NONE, "re-expose", "reject"),
        ("failed", "not-blank-low", {}, Means.CHIP, Remedy.NONE, "re-expose", "reject"),
        ("failed", "pin-fault", {}, Means.CHIP, Remedy.RESEAT, "reject", "reject"),
        ("failed", "unstable-read", {}, Means.CHIP, Remedy.RESEAT, "reject", "reject"),
        # A bit that reads 0 where 1 is wanted was not erased; one that reads 1 does not take the programming.
        (
            "failed",
            "program-failed",
            {"wanted": 1, "got": 0},
            Means.CHIP,
            Remedy.RETRY,
            "re-expose",
            "reject",
        ),
        ("failed", "program-failed", {"wanted": 0, "got": 1}, Means.CHIP, Remedy.RETRY, "reject", "reject"),
        ("failed", "verify-mismatch", {}, Means.CHIP, Remedy.RETRY, "re-expose", "reject"),
        ("failed", "supply-out-of-tolerance", {}, Means.TROUBLE, Remedy.NONE, None, None),
        ("failed", "internal", {}, Means.TROUBLE, Remedy.NONE, None, None),
        ("failed", "device-fault", {"faults": SILENT}, Means.TROUBLE, Remedy.NONE, None, None),
        (
            "failed",
            "device-fault",
            {"faults": OPENED},
            Means.TAKEN_OUT,
            Remedy.NONE,
            None,
            None,
        ),
        ("failed", "device-fault", {"faults": 1}, Means.CHIP, Remedy.RESEAT, "reject", "reject"),
    ],
)
def test_each_end_means_one_thing(state, code, numbers, means, remedy, by_light, else_):
    for light, pile in ((True, by_light), (False, else_)):
        found = judge(state, {"code": code, "summary": "so it is", "numbers": numbers}, by_light=light)
        assert (found.means, found.remedy, found.words) == (means, remedy, "so it is")
        if pile:
            assert found.pile is Verdict(pile)


def test_the_time_of_hands_is_not_the_time_of_work():
    found = judge("succeeded", {"code": "ok", "numbers": {"took_s": 12.5, "waited_s": 10.0}}, by_light=True)
    assert found.work_s == pytest.approx(2.5)
    assert not judge("failed", {"code": "chip-missing"}, by_light=True).present
