"""The daemon's folders: private, and one daemon in each."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.errors import BenchError, Code
from daemon.state_dir import StateDirLock, bench_id, claim, prepare_private_dir

posix_only = pytest.mark.skipif(sys.platform == "win32", reason="POSIX modes and owners")

HOLDER = """
import sys
from pathlib import Path
from daemon.state_dir import claim
with claim(Path(sys.argv[1]), Path(sys.argv[1]) / "run"):
    print("held", flush=True)
    sys.stdin.readline()
"""


def mode_of(path: Path) -> int:
    return path.stat().st_mode & 0o777


def hold(state: Path) -> subprocess.Popen[str]:
    """Start another process that holds the folder until it gets a line or is killed."""
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(state)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    return process


def test_a_second_daemon_is_told_who_has_the_folder(tmp_path: Path) -> None:
    state = tmp_path / "state"
    with hold(state) as process:
        with pytest.raises(BenchError) as failure, claim(state, tmp_path / "run2"):
            pass
        assert failure.value.code is Code.STATE_DIR_BUSY
        assert f"process {process.pid}" in failure.value.message
        assert failure.value.details["pid"] == process.pid
        process.communicate("\n")
    with claim(state, state / "run"):
        pass  # it has let go


def test_a_runtime_folder_is_not_shared_either(tmp_path: Path) -> None:
    state = tmp_path / "state"
    with hold(state) as process:
        with pytest.raises(BenchError) as failure, claim(tmp_path / "other", state / "run"):
            pass
        assert failure.value.code is Code.STATE_DIR_BUSY
        assert "runtime_dir" in failure.value.hint
        process.communicate("\n")
    with claim(tmp_path / "other", state / "run"):
        pass  # the refused try left nothing held


def test_a_killed_daemon_holds_nothing(tmp_path: Path) -> None:
    state = tmp_path / "state"
    with hold(state) as process:
        process.kill()
        process.wait()
    with claim(state, state / "run") as claimed:
        assert (claimed.state_dir / "daemon.pid").read_text() == f"{os.getpid()}\n"
    assert not (state / "daemon.pid").exists()


def test_one_process_does_not_hold_a_folder_twice(tmp_path: Path) -> None:
    with StateDirLock(tmp_path), pytest.raises(BenchError) as failure:
        StateDirLock(tmp_path).acquire()
    assert failure.value.code is Code.STATE_DIR_BUSY
    assert failure.value.details["pid"] == os.getpid()


def test_letting_go_twice_is_no_harm(tmp_path: Path) -> None:
    lock = StateDirLock(tmp_path)
    lock.release()
    lock.acquire()
    lock.release()
    lock.release()
    with StateDirLock(tmp_path):
        pass


def test_one_folder_may_serve_as_both(tmp_path: Path) -> None:
    with claim(tmp_path / "x", tmp_path / "x") as claimed:
        assert claimed.state_dir == claimed.runtime_dir


def test_a_bench_keeps_its_id(tmp_path: Path) -> None:
    with claim(tmp_path / "x", tmp_path / "x" / "run") as claimed:
        first = claimed.bench_id
    assert re.fullmatch(r"b_[a-z2-7]{16}", first)
    with claim(tmp_path / "x", tmp_path / "x" / "run") as claimed:
        assert claimed.bench_id == first
    (tmp_path / "y").mkdir()
    assert bench_id(tmp_path / "y") != first


@posix_only
def test_new_folders_are_private(tmp_path: Path) -> None:
    old = os.umask(0o022)
    try:
        made = prepare_private_dir(tmp_path / "a" / "b")
    finally:
        os.umask(old)
    assert mode_of(made) == 0o700


@posix_only
def test_an_empty_folder_that_others_can_read_is_closed(tmp_path: Path) -> None:
    """As systemd makes them: StateDirectoryMode= is 0755 by default (systemd.exec(5))."""
    folder = tmp_path / "x"
    folder.mkdir(mode=0o755)
    prepare_private_dir(folder)
    assert mode_of(folder) == 0o700


@posix_only
def test_a_folder_of_ours_that_was_opened_is_closed_again(tmp_path: Path) -> None:
    with claim(tmp_path / "x", tmp_path / "x" / "run"):
        pass
    (tmp_path / "x").chmod(0o755)
    prepare_private_dir(tmp_path / "x")
    assert mode_of(tmp_path / "x") == 0o700
    (tmp_path / "x").chmod(0o770)  # others may have put anything in it
    with pytest.raises(BenchError) as failure:
        prepare_private_dir(tmp_path / "x")
    assert failure.value.code is Code.STATE_DIR_UNSAFE


@posix_only
def test_a_folder_with_other_things_in_it_is_left_as_it_is(tmp_path: Path) -> None:
    folder = tmp_path / "home"
    folder.mkdir(mode=0o755)
    (folder / "letter.txt").write_text("dear club")
    with pytest.raises(BenchError) as failure:
        prepare_private_dir(folder)
    assert failure.value.code is Code.STATE_DIR_UNSAFE
    assert "0755" in failure.value.message
    assert "chmod 700" in failure.value.hint
    assert mode_of(folder) == 0o755
    folder.chmod(0o700)  # what the hint says
    assert prepare_private_dir(folder) == folder.resolve()


@posix_only
def test_a_folder_of_someone_else_is_refused(tmp_path: Path) -> None:
    if os.geteuid() == 0:
        folder = tmp_path / "theirs"
        folder.mkdir()
        os.chown(folder, 12345, 12345)
    else:
        folder = Path("/")
    with pytest.raises(BenchError) as failure:
        prepare_private_dir(folder)
    assert failure.value.code in {Code.STATE_DIR_UNSAFE, Code.STATE_DIR_UNUSABLE}


def test_a_file_in_the_way_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    for path in (tmp_path / "file", tmp_path / "file" / "below"):
        with pytest.raises(BenchError) as failure:
            prepare_private_dir(path)
        assert failure.value.code is Code.STATE_DIR_UNUSABLE
        assert "file" in failure.value.message


@posix_only
def test_a_link_to_a_private_folder_is_followed(tmp_path: Path) -> None:
    real = tmp_path / "real"
    real.mkdir(mode=0o700)
    (tmp_path / "link").symlink_to(real)
    assert prepare_private_dir(tmp_path / "link") == real.resolve()
    with hold(real) as process:
        with pytest.raises(BenchError) as failure, claim(tmp_path / "link", tmp_path / "run"):
            pass
        assert failure.value.code is Code.STATE_DIR_BUSY, "the same folder by another name"
        process.communicate("\n")
