"""Runs the model of the link (`protocol/model/link.pml`) through the checker spin, a Debian package."""

import re
import shutil
import subprocess
from pathlib import Path

MODEL = Path(__file__).parents[2] / "protocol" / "model" / "link.pml"
#: Of one run on a busy machine; the longest takes about ten on a free one.
LIMIT_S = 300


def missing() -> str | None:
    """Return what this machine lacks for a run, None if nothing."""
    lacking = [tool for tool in ("spin", "gcc") if not shutil.which(tool)]
    return f"needs {' and '.join(lacking)}" if lacking else None


def explored(
    folder: Path, defines: dict[str, int | None], *, live: bool = False, ends: bool = True
) -> str | None:
    """Walk through the model with these defines; return what was found wrong, None if nothing was.

    `live` looks for a way to go on for ever without an end to every request, else for broken assertions and
    (with `ends`) for places where all wait. Raises RuntimeError when the search did not come to its end.
    """
    flags = [f"-D{name}" if value is None else f"-D{name}={value}" for name, value in defines.items()]
    _run(folder, ["spin", "-a", *flags, str(MODEL)])
    build = ["gcc", "-O0", "-w", "-DCOLLAPSE", "-DVECTORSZ=2048", "-o", "pan", "pan.c"]
    _run(folder, [*build, *([] if live else ["-DSAFETY", "-DNOCLAIM"])])
    said = _run(folder, ["./pan", "-m1000000", "-w22", *(["-a"] if live else [] if ends else ["-E"])])
    if wrong := re.search(r"^pan:1: (.*?) \(at depth", said, re.MULTILINE):
        return wrong[1]
    if "errors: 0" not in said or "Search not completed" in said or "max search depth too small" in said:
        raise RuntimeError(f"the search did not come to its end:\n{said}")
    return None


def _run(folder: Path, command: list[str]) -> str:
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=LIMIT_S, check=False)
    if done.returncode:
        raise RuntimeError(f"{' '.join(command)} ended with {done.returncode}:\n{done.stdout}{done.stderr}")
    return done.stdout
