"""Files that are replaced whole."""

import os
import threading
from pathlib import Path

import pytest

from daemon.durable import open_part, write_all, write_atomically


def test_the_new_content_replaces_the_old(tmp_path: Path) -> None:
    for content in (b"one", b"", bytes(range(256)) * 5000):
        write_atomically(tmp_path / "x", content)
        assert (tmp_path / "x").read_bytes() == content
    assert os.listdir(tmp_path) == ["x"]


def test_a_failure_leaves_no_trace(tmp_path: Path) -> None:
    (tmp_path / "x").mkdir()
    (tmp_path / "x" / "inside").write_text("y")
    with pytest.raises(OSError, match="x"):
        write_atomically(tmp_path / "x", b"content")
    assert os.listdir(tmp_path) == ["x"]
    assert os.listdir(tmp_path / "x") == ["inside"]


def test_more_than_is_taken_at_once_arrives_whole() -> None:
    reader, writer = os.pipe()
    received = bytearray()

    def drain() -> None:
        while chunk := os.read(reader, 4096):
            received.extend(chunk)

    thread = threading.Thread(target=drain)
    thread.start()
    content = bytes(range(256)) * 4096
    write_all(writer, content)
    os.close(writer)
    thread.join()
    os.close(reader)
    assert received == content


def test_temporary_names_differ_and_are_beside(tmp_path: Path) -> None:
    parts = [open_part(tmp_path / "x") for _ in range(3)]
    for descriptor, _ in parts:
        os.close(descriptor)
    assert len({part for _, part in parts}) == 3
    assert all(part.parent == tmp_path and part.name.endswith(".part") for _, part in parts)
