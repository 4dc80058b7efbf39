"""What a bench does with a chip: seen through the API of a daemon that knows nothing of the firmware."""

from typing import Any

from tests.support.daemon_process import DaemonProcess


def job(daemon: DaemonProcess, kind: str, part: str, **wish: Any) -> dict[str, Any]:
    """Carry out a job and return its record; it must succeed."""
    ended: dict[str, Any] = daemon.ended(
        daemon.post("/v1/jobs", json={"kind": kind, "part": part, **wish})["id"]
    )
    assert ended["state"] == "succeeded", (ended["outcome"], ended["steps"])
    return ended


def blank_program_and_read(daemon: DaemonProcess, part: str, content: bytes) -> dict[str, Any]:
    """Blank-check, program (with verify), verify again and read back; return the programming."""
    image = daemon.post("/v1/images", content=content)["sha256"]
    job(daemon, "blank-check", part)
    programmed = job(daemon, "program", part, image=image)
    job(daemon, "verify", part, image=image)
    read = job(daemon, "read", part)
    assert image in str(read), read
    return programmed
