"""Set up a local environment and run the project's commands, on Linux, macOS and Windows.

    python3 dev.py demo     install into .venv and run the main job with no hardware
    python3 dev.py test     install with the test tools and run every check
    python3 dev.py bench    run the measurements in bench/ and print their ratios; --full for all of them
    python3 dev.py setup    install only

Only the standard library is used, because this file runs before anything is installed.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import venv
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

ROOT = Path(__file__).resolve().parent
VENV = ROOT / ".venv"
BIN = VENV / ("Scripts" if os.name == "nt" else "bin")
PYTHON = BIN / ("python.exe" if os.name == "nt" else "python")
#: Compiled modules are kept, whatever the environment says: each daemon that a test starts, and each worker,
#: would compile the whole program anew.
ENVIRONMENT = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
QUICK_CHECKS = {
    "lint": [PYTHON, "-m", "ruff", "check", "."],
    "format": [PYTHON, "-m", "ruff", "format", "--check", "."],
    "layers": [BIN / "lint-imports"],
}
TYPES = [PYTHON, "-m", "mypy"]
#: All cores; a worker that has nothing left takes tests from another, and keeps those of one file together.
TESTS = [
    *(PYTHON, "-m", "pytest"),
    *("-n", "auto", "--dist", "worksteal"),
    *("--cov", "--cov-report=term:skip-covered"),
]


def setup(extra: str = "") -> None:
    """Create .venv and install the project into it, unless that was done for these very files."""
    if sys.version_info < (3, 11):
        sys.exit(f"romwright needs Python 3.11 or newer; this is {sys.version.split()[0]}")
    files = (ROOT / "pyproject.toml").read_bytes() + (ROOT / "constraints.txt").read_bytes()
    wanted = hashlib.sha256(files).hexdigest()
    stamp = VENV / f"installed{extra.replace('[', '-').replace(']', '')}"
    if PYTHON.exists() and stamp.exists() and stamp.read_text() == wanted:
        return
    if not PYTHON.exists():
        print("creating .venv ...", flush=True)
        venv.create(VENV, with_pip=True)
    print("installing (the first time takes a minute or two) ...", flush=True)
    run([PYTHON, "-m", "pip", "install", "-q", "--disable-pip-version-check",
         "-c", ROOT / "constraints.txt", "-e", f"{ROOT}{extra}"])  # fmt: skip
    stamp.write_text(wanted)


def run(command: list[str | Path]) -> None:
    """Run a command in the project's folder; leave with its exit status if it fails."""
    try:
        done = subprocess.run([str(part) for part in command], cwd=ROOT, env=ENVIRONMENT, check=False)
    except KeyboardInterrupt:
        sys.exit(130)
    if done.returncode:
        sys.exit(done.returncode)


def test(options: list[str]) -> None:
    """Run every check: the quick ones first, then the types beside the tests; `options` go to pytest."""
    for name, command in QUICK_CHECKS.items():
        print(f"== {name}", flush=True)
        run(command)
    with ThreadPoolExecutor(1) as beside:
        types = beside.submit(told_whole, "types", TYPES)
        print("== tests", flush=True)
        run([*TESTS, *options])
        if types.result():
            sys.exit(types.result())


def told_whole(name: str, command: list[str | Path]) -> int:
    """Run a command, print what it said in one piece once it has ended, and return its exit status."""
    done = subprocess.run(
        [str(part) for part in command],
        cwd=ROOT, env=ENVIRONMENT, check=False, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    print(f"\n== {name}\n{done.stdout}", end="", flush=True)
    return done.returncode


def main(arguments: list[str]) -> None:
    """Dispatch one of the commands in the module's docstring."""
    what, rest = (arguments or ["help"])[0], arguments[1:]
    if what == "demo":
        setup()
        run([PYTHON, "-m", "cli.main", "demo", *rest])
    elif what == "test":
        setup("[test]")
        test(rest)
    elif what == "bench":
        setup("[test]")
        full = "--full" in rest
        # What takes long in full does less otherwise.
        own = {"bench_job": ["--full"] if full else [], "bench_erase": [] if full else ["50"]}
        for script in sorted((ROOT / "bench").glob("bench_*.py")):
            print(f"== {script.stem}", flush=True)
            run([PYTHON, script, *own.get(script.stem, [])])
    elif what == "setup":
        setup("[test]")
    else:
        sys.exit(__doc__)


if __name__ == "__main__":
    main(sys.argv[1:])
