import io
import json
import logging
from typing import Any

import pytest
import structlog

from api.logging import LogFormat, scrubber, set_up

SECRET = "f00dface" * 8


def lines(stream: io.StringIO) -> list[dict[str, Any]]:
    return [json.loads(line) for line in stream.getvalue().splitlines()]


def test_both_kinds_of_logger_write_json_with_their_context() -> None:
    out = io.StringIO()
    set_up("info", LogFormat.JSON, stream=out)
    with structlog.contextvars.bound_contextvars(job="j_1", programmer="p_1"):
        structlog.get_logger("one").info("blank", bits=3)
        logging.getLogger("two").warning("slow by %d s", 4, extra={"step": "verify"})
    first, second = lines(out)
    assert (first["event"], first["level"], first["logger"], first["bits"]) == ("blank", "info", "one", 3)
    assert (second["event"], second["level"], second["step"]) == ("slow by 4 s", "warning", "verify")
    for line in (first, second):
        assert (line["job"], line["programmer"]) == ("j_1", "p_1")
        assert line["timestamp"].endswith("Z")


def test_what_is_less_serious_is_not_written() -> None:
    out = io.StringIO()
    set_up("warning", LogFormat.JSON, stream=out)
    structlog.get_logger("one").info("quiet")
    logging.getLogger("two").info("quiet")
    assert out.getvalue() == ""


@pytest.mark.parametrize("format", list(LogFormat))
def test_secrets_are_hidden_everywhere(format: LogFormat) -> None:
    out = io.StringIO()
    set_up("debug", format, secrets=[SECRET], stream=out)
    log = structlog.get_logger("one")
    log.info(f"opened http://127.0.0.1/#token={SECRET}")
    log.info("nested", info={"deep": [1, (f"x{SECRET}y",)]}, token="short", headers={"Authorization": "z9z9"})
    logging.getLogger("two").error("with %s", SECRET, extra={"data": SECRET.encode()})
    try:
        raise ValueError(f"bad token {SECRET}")
    except ValueError:
        log.exception("failed")
        logging.getLogger("two").exception("failed too")
    assert SECRET not in out.getvalue()
    assert "z9z9" not in out.getvalue()
    assert "short" not in out.getvalue()
    assert "ValueError" in out.getvalue()
    assert "[hidden]" in out.getvalue()


def test_setting_up_twice_does_not_write_twice() -> None:
    out = io.StringIO()
    set_up("info", LogFormat.JSON, stream=out)
    set_up("info", LogFormat.JSON, stream=out)
    logging.getLogger("one").info("once")
    assert len(lines(out)) == 1


def test_other_values_pass_the_scrubber_unchanged() -> None:
    event = {"event": "x", "count": 3, "share": 0.5, "good": True, "none": None, "list": ["a", 1]}
    assert scrubber([SECRET])(None, "info", dict(event)) == event
