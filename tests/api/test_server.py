"""The daemon as a process: where it listens, what it tells, and how it ends."""

import gc
import json
import os
import signal
import socket
import stat
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from pydantic import BaseModel

from api.app import create_app
from api.notify import notify
from api.server import bind, serve, url_of
from api.start import _hidden, _no_collection, _validators_on_demand
from daemon.bench import Bench
from daemon.errors import BenchError, Code
from daemon.runtime_file import RUNTIME_FILE, RuntimeInfo, find_running
from daemon.settings import Settings
from daemon.settings.fields import DEFAULT_PORT

PROGRAM = """
import json, sys
from api.start import start
from daemon.settings import Settings
start(Settings(**json.loads(sys.argv[1])), announce=lambda info: print(info.url, flush=True))
"""


def options(settings: Settings, **more: Any) -> dict[str, Any]:
    return {
        "state_dir": str(settings.state_dir),
        "runtime_dir": str(settings.runtime_dir),
        "parts_dir": str(settings.parts_dir),
        "discover_serial": False,
        "discover_usb": False,
        "port": 0,
        **more,
    }


@pytest.fixture
def process(settings: Settings) -> Iterator[subprocess.Popen[str]]:
    """A daemon in a process of its own, ready."""
    wanted = json.dumps(options(settings, log_json=True))
    with subprocess.Popen(
        [sys.executable, "-c", PROGRAM, wanted], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as started:
        try:
            yield started
        finally:
            started.kill()


def first_line(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline().strip()


def logged(process: subprocess.Popen[str]) -> list[dict[str, Any]]:
    assert process.stderr is not None
    return [json.loads(line) for line in process.stderr.read().splitlines()]


@pytest.mark.skipif(sys.platform == "win32", reason="signals end a process in another way there")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_stops_it_cleanly_with_a_stream_open(
    process: subprocess.Popen[str], settings: Settings, number: signal.Signals
) -> None:
    url = first_line(process)
    info = find_running(settings.runtime_dir)
    assert info is not None
    assert (info.url, info.pid) == (url, process.pid)
    headers = {"Authorization": f"Bearer {info.token}"}
    with (
        httpx.Client(headers=headers) as http,
        http.stream("GET", f"{url}/v1/events") as stream,
    ):
        lines = stream.iter_lines()
        assert next(lines) == "event: start"
        began_s = time.monotonic()
        process.send_signal(number)
        assert "event: gap" not in list(lines)
        assert process.wait(5) == 0
        assert time.monotonic() - began_s < 4  # half a second of grace; room for a busy machine
    assert find_running(settings.runtime_dir) is None
    lines_logged = logged(process)
    assert [line["event"] for line in lines_logged] == [f"listening on {url}", "stopping", "stopped"]
    assert info.token not in json.dumps(lines_logged)


@pytest.mark.skipif(sys.platform == "win32", reason="modes mean nothing there")
def test_the_runtime_file_is_for_its_user_alone(process: subprocess.Popen[str], settings: Settings) -> None:
    first_line(process)
    mode = stat.S_IMODE((settings.runtime_dir / RUNTIME_FILE).stat().st_mode)
    assert mode == 0o600


def test_what_was_put_off_at_the_start_works_when_it_is_wanted(
    process: subprocess.Popen[str], tmp_path: Path
) -> None:
    """The process was started with the savings of `api.start`, this one was not."""
    described = httpx.get(f"{first_line(process)}/openapi.json", timeout=30).json()
    own = Settings(state_dir=tmp_path / "own", runtime_dir=tmp_path / "own-runtime")
    bench = Bench.open(own)
    try:
        assert described == json.loads(json.dumps(create_app(bench, "", own).openapi()))
    finally:
        bench.stop()


def test_saving_time_at_the_start_leaves_no_trace() -> None:
    before = dict(BaseModel.model_config)
    with _validators_on_demand(), _hidden("a_module_that_nobody_has"), _no_collection():
        assert BaseModel.model_config["defer_build"]
        assert not gc.isenabled()
        with pytest.raises(ImportError):
            __import__("a_module_that_nobody_has")
    assert dict(BaseModel.model_config) == before
    assert gc.isenabled()
    assert "a_module_that_nobody_has" not in sys.modules
    with _hidden("json"):
        assert sys.modules["json"] is json


def test_a_second_daemon_on_the_same_state_is_refused(
    process: subprocess.Popen[str], settings: Settings
) -> None:
    first_line(process)
    with pytest.raises(BenchError) as caught:
        serve(Settings(**options(settings)))
    assert caught.value.code is Code.STATE_DIR_BUSY
    assert caught.value.details["pid"] == process.pid


def test_a_port_that_is_taken_is_refused(settings: Settings) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(BenchError) as caught:
            bind(Settings(**options(settings, port=port)))
    assert caught.value.code is Code.ADDRESS_BUSY
    assert str(port) in caught.value.message


def test_when_the_default_port_is_taken_any_free_one_serves(settings: Settings) -> None:
    wanted = Settings(**options(settings, port=DEFAULT_PORT))
    with bind(wanted) as one, bind(wanted) as two:
        assert one.getsockname()[1] != two.getsockname()[1]


def test_an_address_that_is_not_ours_is_refused(settings: Settings) -> None:
    # 192.0.2.0/24 is for documentation and belongs to nobody (RFC 5737).
    elsewhere = Settings(**options(settings, host="192.0.2.1", allow_lan=True))
    with pytest.raises(BenchError) as caught:
        bind(elsewhere)
    assert caught.value.code is Code.ADDRESS_UNUSABLE


def test_the_url_names_an_address_that_can_be_called() -> None:
    with socket.create_server(("0.0.0.0", 0)) as everywhere:
        assert url_of(everywhere) == f"http://127.0.0.1:{everywhere.getsockname()[1]}"


@pytest.mark.skipif(not socket.has_ipv6, reason="no IPv6 here")
def test_the_url_of_an_ipv6_address_has_brackets() -> None:
    with socket.create_server(("::1", 0), family=socket.AF_INET6) as loopback:
        assert url_of(loopback) == f"http://[::1]:{loopback.getsockname()[1]}"


def test_nothing_is_left_behind_when_it_cannot_start(settings: Settings) -> None:
    settings.state_dir.mkdir()
    (settings.state_dir / "bench.db").write_bytes(b"this is no database at all, whatever its name says")
    with pytest.raises(BenchError):
        serve(Settings(**options(settings)))
    assert not (settings.runtime_dir / RUNTIME_FILE).exists()


def test_it_runs_in_a_thread_and_is_announced(settings: Settings) -> None:
    """As a client command does that starts a bench inside itself: no signals there, but the same end."""
    found: list[RuntimeInfo] = []
    ready = threading.Event()

    def announce(info: RuntimeInfo) -> None:
        found.append(info)
        ready.set()
        raise KeyboardInterrupt  # the quickest way to end what no signal reaches

    def run() -> None:
        with pytest.raises(KeyboardInterrupt):
            serve(Settings(**options(settings)), announce=announce)

    thread = threading.Thread(target=run)
    thread.start()
    thread.join(10)
    assert ready.is_set()
    assert len(found[0].token) == 64
    assert found[0].token not in repr(found[0])


@pytest.mark.skipif(not hasattr(socket, "AF_UNIX"), reason="no service manager of that kind here")
def test_the_service_manager_is_told(tmp_path: Path) -> None:
    path = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(path)
        assert notify("READY=1", {"NOTIFY_SOCKET": path})
        assert manager.recv(100) == b"READY=1"


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux has names without a file")
def test_the_service_manager_may_listen_at_an_abstract_name() -> None:
    name = f"romwright-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(f"\0{name}")
        assert notify("STOPPING=1", {"NOTIFY_SOCKET": f"@{name}"})
        assert manager.recv(100) == b"STOPPING=1"


@pytest.mark.parametrize("address", ["", "relative/path", "/nowhere/at/all"])
def test_without_a_service_manager_nothing_happens(address: str) -> None:
    assert not notify("READY=1", {"NOTIFY_SOCKET": address})
