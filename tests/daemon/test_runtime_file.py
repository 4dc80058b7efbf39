"""The file by which clients find a daemon."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.errors import BenchError, Code
from daemon.runtime_file import RuntimeInfo, find_running, new_token, process_is_alive, publish, withdraw

posix_only = pytest.mark.skipif(sys.platform == "win32", reason="POSIX modes and owners")


def mine(**changes: object) -> RuntimeInfo:
    values = {"url": "http://127.0.0.1:8647", "token": new_token(), "pid": os.getpid(), "version": "0.1.0"}
    return RuntimeInfo(**{**values, **changes})  # type: ignore[arg-type]


def dead_pid() -> int:
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait()
    return process.pid


def test_a_client_finds_a_running_daemon(tmp_path: Path) -> None:
    info = mine()
    path = publish(tmp_path, info)
    assert path == tmp_path / "bench.json"
    assert find_running(tmp_path) == info
    assert json.loads(path.read_text()) == {
        "url": info.url,
        "token": info.token,
        "pid": info.pid,
        "version": info.version,
    }
    assert [entry.name for entry in tmp_path.iterdir()] == ["bench.json"]
    withdraw(tmp_path, info)
    assert find_running(tmp_path) is None
    assert list(tmp_path.iterdir()) == []


def test_a_token_has_256_random_bits() -> None:
    tokens = {new_token() for _ in range(100)}
    assert len(tokens) == 100
    assert all(len(bytes.fromhex(token)) * 8 == 256 for token in tokens)


def test_a_token_is_not_shown_by_accident() -> None:
    info = mine()
    assert info.token not in repr(info)
    assert info.token not in str(info)


@posix_only
def test_only_its_owner_may_read_it(tmp_path: Path) -> None:
    old = os.umask(0)
    try:
        path = publish(tmp_path, mine())
    finally:
        os.umask(old)
    assert path.stat().st_mode & 0o777 == 0o600


def test_a_file_of_a_dead_daemon_is_stale_and_gets_replaced(tmp_path: Path) -> None:
    publish(tmp_path, mine(pid=dead_pid()))
    assert find_running(tmp_path) is None
    info = mine()
    publish(tmp_path, info)
    assert find_running(tmp_path) == info


def test_a_daemon_does_not_remove_the_file_of_its_successor(tmp_path: Path) -> None:
    old, new = mine(), mine()
    publish(tmp_path, old)
    publish(tmp_path, new)
    withdraw(tmp_path, old)
    assert find_running(tmp_path) == new


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{",
        b"[]",
        b"\xff\xfe",
        b'{"url": "http://x"}',
        b'{"url": "http://x", "token": "t", "pid": "1", "version": "1"}',
        b'{"url": "http://x", "token": "t", "pid": true, "version": "1"}',
        b'{"url": "http://x", "token": null, "pid": 1, "version": "1"}',
        b'{"url": "http://x", "token": "t", "pid": -1, "version": "1"}',
        b'{"url": "http://x", "token": "t", "pid": 99999999999999999999, "version": "1"}',
    ],
)
def test_a_broken_file_is_no_daemon(tmp_path: Path, content: bytes) -> None:
    publish(tmp_path, mine()).write_bytes(content)
    assert find_running(tmp_path) is None


def test_no_folder_is_no_daemon(tmp_path: Path) -> None:
    assert find_running(tmp_path / "nowhere") is None


@posix_only
@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o666])
def test_a_file_open_to_others_is_not_trusted(tmp_path: Path, mode: int) -> None:
    publish(tmp_path, mine()).chmod(mode)
    with pytest.raises(BenchError) as failure:
        find_running(tmp_path)
    assert failure.value.code is Code.RUNTIME_FILE_UNSAFE


@posix_only
def test_a_link_is_not_trusted(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    publish(tmp_path / "real", mine())
    (tmp_path / "bench.json").symlink_to(tmp_path / "real" / "bench.json")
    with pytest.raises(BenchError) as failure:
        find_running(tmp_path)
    assert failure.value.code is Code.RUNTIME_FILE_UNSAFE


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() != 0, reason="only root gives files away")
def test_a_file_of_someone_else_is_not_trusted(tmp_path: Path) -> None:
    os.chown(publish(tmp_path, mine()), 12345, 12345)
    with pytest.raises(BenchError) as failure:
        find_running(tmp_path)
    assert failure.value.code is Code.RUNTIME_FILE_UNSAFE


def test_a_folder_that_is_gone_is_explained(tmp_path: Path) -> None:
    with pytest.raises(BenchError) as failure:
        publish(tmp_path / "nowhere", mine())
    assert failure.value.code is Code.STATE_DIR_UNUSABLE


def test_a_process_is_alive_until_it_ended() -> None:
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as process:
        assert process_is_alive(process.pid)
        process.communicate(b"\n")
    assert not process_is_alive(process.pid)
    assert process_is_alive(os.getpid())


def test_clients_do_not_pay_for_the_database_library() -> None:
    script = "import sys, daemon.runtime_file, daemon.store.model; print('sqlalchemy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
