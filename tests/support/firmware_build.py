"""Building the reference firmware for tests, whole or broken on purpose, and starting it."""

import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

FIRMWARE = Path(__file__).parents[2] / "firmware"


def missing_tools(*tools: str) -> str:
    """Return which tools this machine lacks, as a reason to skip; empty if it has them all."""
    lacking = [tool for tool in tools if shutil.which(tool) is None]
    return f"needs {' and '.join(lacking)}" if lacking else ""


def missing_for_rig() -> str:
    """Return what the emulated rig lacks here; empty if it can be built."""
    lacking = missing_tools("make", "cc", "avr-gcc")
    if lacking:
        return lacking
    with tempfile.TemporaryDirectory() as folder:
        trial = subprocess.run(
            ["cc", "-x", "c", "-", "-lsimavr", "-lelf", "-o", f"{folder}/trial"],
            input="#include <simavr/sim_avr.h>\nint main(void) { return avr_make_mcu_by_name(0) != 0; }\n",
            capture_output=True,
            text=True,
            check=False,
        )
    return "" if trial.returncode == 0 else "needs libsimavr and libelf with their headers"


def build(
    target: str,
    folder: Path,
    substitutions: Mapping[str, Sequence[tuple[str, str]]] | None = None,
    **variables: str,
) -> Path:
    """Build targets of firmware/Makefile from a copy in `folder` and return the folder of what it made.

    `substitutions` gives, for a file named from `firmware/`, texts and what stands there instead: a device
    that is broken on purpose. Each text must stand in its file exactly once. Raises ValueError if not, and
    RuntimeError with the compiler's words if it does not build.
    """
    source = folder / "firmware"
    shutil.copytree(FIRMWARE, source, ignore=shutil.ignore_patterns("build"))
    for name, changes in (substitutions or {}).items():
        text = (source / name).read_text()
        for old, new in changes:
            if text.count(old) != 1:
                raise ValueError(f"{name} has {old!r} {text.count(old)} times, not once")
            text = text.replace(old, new)
        (source / name).write_text(text)
    made = subprocess.run(
        [
            "make",
            "-s",
            "-C",
            str(source),
            *target.split(),
            *(f"{name}={value}" for name, value in variables.items()),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    if made.returncode != 0:
        raise RuntimeError(made.stderr[-4000:])
    return source / "build"


def host_device(
    folder: Path,
    substitutions: Mapping[str, Sequence[tuple[str, str]]] | None = None,
    *,
    checked: bool = False,
) -> Path:
    """Build the host build, with sanitizers if `checked`, and return the program."""
    flags = {} if checked else {"HOST_FLAGS": "-O1 -Wno-error"}
    return build("host", folder, substitutions, **flags) / "host" / "device"


@contextmanager
def running(program: Path, *options: str) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """Start the host build or the rig; yield the path of its port, and end it at last."""
    process = subprocess.Popen(
        [str(program), *options], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        for line in process.stdout:
            if line.startswith("port "):
                break
        else:
            raise RuntimeError(f"{program.name} ended with {process.wait(5)} before it had a port")
        yield line.split()[1], process
    finally:
        process.terminate()
        process.communicate(timeout=15)


def figures(line: str) -> dict[str, int]:
    """Return what the host build or the rig counted, from a line of names and numbers."""
    words = line.split()
    return {name: int(number) for name, number in zip(words[::2], words[1::2], strict=True)}


def ask_rig(process: "subprocess.Popen[str]", command: str = "state") -> dict[str, int]:
    """Give the rig a command (`state`, `reset`) and return what it says of the board then."""
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(command + "\n")
    process.stdin.flush()
    return figures(process.stdout.readline())


def ended(process: "subprocess.Popen[str]") -> dict[str, int]:
    """End the host build or the rig and return what it counted at last."""
    process.terminate()
    assert process.stdout is not None
    return figures(process.stdout.read())
