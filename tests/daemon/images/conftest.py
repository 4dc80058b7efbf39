"""The outside reference for image work: GNU binutils. It is part of any machine with a compiler."""

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

Objcopy = Callable[..., bytes]


def tool(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        pytest.fail(f"{name} is missing: install binutils")
    return found


@pytest.fixture
def objcopy(tmp_path: Path) -> Objcopy:
    """Run objcopy on some bytes: `objcopy(data, "-I", "binary", ...)` returns what it writes."""

    def run(data: bytes, *options: str) -> bytes:
        source, target = tmp_path / "in", tmp_path / "out"
        source.write_bytes(data)
        target.unlink(missing_ok=True)
        subprocess.run([tool("objcopy"), *options, source, target], check=True, capture_output=True)
        return target.read_bytes()

    return run


@pytest.fixture
def link(tmp_path: Path) -> Callable[[str, bytes], bytes]:
    """Link some bytes as section .data of a program by a linker script; returns the ELF file."""

    def run(script: str, data: bytes) -> bytes:
        for name, content in (
            ("blob", data),
            ("blob.s", b'.data\n.incbin "blob"\n'),
            ("script", script.encode()),
        ):
            (tmp_path / name).write_bytes(content)
        for command in ("as blob.s -o blob.o", "ld -T script blob.o -o program -e 0"):
            name, *options = command.split()
            subprocess.run([tool(name), *options], check=True, capture_output=True, cwd=tmp_path)
        return (tmp_path / "program").read_bytes()

    return run
