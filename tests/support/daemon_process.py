"""A daemon as a process of its own, to be killed, and a simulated programmer in this one, which stays."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx

from daemon.runtime_file import find_running

ENDED = {"succeeded", "failed", "cancelled", "interrupted"}


class DaemonProcess:
    """`romwright serve` on a state folder of its own; started and killed as often as wanted."""

    def __init__(self, folder: Path, ports: tuple[str, ...]) -> None:
        self._folder = folder
        self._environment = {
            name: value for name, value in os.environ.items() if not name.startswith("ROMWRIGHT_")
        } | {
            "ROMWRIGHT_STATE_DIR": str(folder / "state"),
            "ROMWRIGHT_RUNTIME_DIR": str(folder / "runtime"),
            "ROMWRIGHT_PARTS_DIR": str(folder / "parts"),
            "ROMWRIGHT_PORTS": ",".join(ports),
            "ROMWRIGHT_PORT": "0",
            "ROMWRIGHT_DISCOVER_SERIAL": "false",
            "ROMWRIGHT_DISCOVER_USB": "false",
            "ROMWRIGHT_POLL_INTERVAL_S": "0.2",
        }
        self._process: subprocess.Popen[bytes] | None = None
        self._http: httpx.Client | None = None

    def start(self) -> None:
        """Start it and wait until its programmers answer."""
        with (self._folder / "daemon.log").open("ab") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "cli.main", "serve"],
                env=self._environment,
                stdout=log,
                stderr=log,
                stdin=subprocess.DEVNULL,
            )
        info = None
        for _ in self._waiting("the daemon"):
            info = find_running(self._folder / "runtime")
            if info is not None and info.pid == self._process.pid:
                break
        assert info is not None
        self._http = httpx.Client(
            base_url=info.url, headers={"Authorization": f"Bearer {info.token}"}, timeout=10
        )
        for _ in self._waiting("the programmers"):
            programmers = self.get("/v1/programmers")["programmers"]
            if programmers and all(each["state"] in ("ready", "busy") for each in programmers):
                return

    def end(self, number: signal.Signals) -> None:
        """Send it a signal and wait for its end."""
        assert self._process is not None
        self._process.send_signal(number)
        self._process.wait(15)
        if self._http is not None:
            self._http.close()

    def close(self) -> None:
        """End it if it runs."""
        if self._process is not None and self._process.poll() is None:
            self.end(signal.SIGKILL)

    def get(self, path: str) -> Any:
        """Ask for something."""
        assert self._http is not None
        answer = self._http.get(path)
        assert answer.is_success, answer.text
        return answer.json()

    def post(self, path: str, **options: Any) -> Any:
        """Send something."""
        assert self._http is not None
        answer = self._http.post(path, **options)
        assert answer.is_success, answer.text
        return answer.json()

    def job_until(self, job_id: str, wanted: Callable[[Any], bool]) -> Any:
        """Look at a job until it is as wanted."""
        for _ in self._waiting(f"job {job_id}"):
            job = self.get(f"/v1/jobs/{job_id}")
            if wanted(job):
                return job
        raise AssertionError("not reached")

    def ended(self, job_id: str) -> Any:
        """Wait for the end of a job."""
        return self.job_until(job_id, lambda job: job["state"] in ENDED)

    def _waiting(self, what: str) -> Iterator[None]:
        deadline_s = time.monotonic() + 40
        while time.monotonic() < deadline_s:
            yield
            assert self._process is not None
            assert self._process.poll() is None, (self._folder / "daemon.log").read_text()
            time.sleep(0.03)
        raise AssertionError(f"{what}: nothing came of it\n{(self._folder / 'daemon.log').read_text()}")


@contextmanager
def daemon_process(folder: Path, *ports: str) -> Iterator[DaemonProcess]:
    """Yield a daemon process that is not started yet; it is ended with the test."""
    process = DaemonProcess(folder, ports)
    try:
        yield process
    finally:
        process.close()
