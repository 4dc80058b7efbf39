"""Programming below a part's VCC: asked for when the job is handed in, not after the pins were checked."""

import pytest
from pydantic import ValidationError

from daemon.errors import BenchError, Code
from daemon.jobs.request import JobRequest
from daemon.operations.refusals import status_error
from daemon.store.model import JobKind
from protocol.wire import Status
from simulator.programmer.profile import modest
from tests.support.one_bench import PART, one_bench


def test_consent_is_asked_for_before_anything_is_recorded(tmp_path):
    with one_bench(tmp_path, profile=modest("SIM-1")) as one:
        asked = JobRequest(kind=JobKind.PROGRAM, part=PART, image=one.image(b"tern" * 100))
        with pytest.raises(BenchError) as caught:
            one.bench.submit(asked)
        assert caught.value.code is Code.CONSENT_NEEDED
        # M27C64A: programmed at 6.00 V (ST data sheet); this board has 5 V.
        assert "6.00 V" in caught.value.message
        assert "--allow-low-vcc" in caught.value.hint
        assert one.bench.jobs() == ()
        agreed = one.bench.submit(asked.model_copy(update={"allow_low_vcc": True}))
        assert one.bench.job(agreed.id).params["allow_low_vcc"] is True
        one.bench.cancel(agreed.id)
        one.ended(agreed)


def test_a_programmer_that_is_at_fault_itself_is_told_from_the_chip():
    error = status_error(Status.HARDWARE, "set VCC 5.00 V")
    assert "something in it does not work" in error.message
    assert "not the chip" in error.hint


def test_a_bank_without_an_adapter_is_no_request():
    with pytest.raises(ValidationError, match="only an adapter with switches has banks"):
        JobRequest(kind=JobKind.READ, part=PART, bank=1)
