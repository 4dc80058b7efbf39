"""Operation numbers before there is anything to remember (SPEC.md D18)."""

from protocol.device.sequence import Kept, OperationHistory
from protocol.wire import Opcode, Status


def test_an_operation_of_number_0_was_never_and_is_never_carried_out() -> None:
    history = OperationHistory()
    for work_id in (None, 7, 8):
        if work_id is not None:
            history.start_work(work_id)
        assert history.seen(0)
        assert history.result(0, Opcode.PROGRAM).status is Status.ALREADY_DONE
        history.begun(3, Kept(Opcode.PROGRAM, Status.OK, b"x"))
        assert history.result(3, Opcode.PROGRAM).detail == b"x"
        assert history.result(3, Opcode.FILL).status is Status.ALREADY_DONE
        assert history.result(2, Opcode.PROGRAM).status is Status.ALREADY_DONE
