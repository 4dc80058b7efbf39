"""The whole story of erasing with no hardware: simulator, daemon and commands in processes of their own."""

import json
import re
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

PART = "M27C64A"


class Simulation:
    """`romwright simulate` with a tray, and the hands at it."""

    def __init__(self, process: "subprocess.Popen[str]") -> None:
        self._process = process
        assert process.stdout is not None
        self.port = json.loads(process.stdout.readline())["port"]

    def do(self, words: str) -> dict[str, Any]:
        """Do something, and return what came of it in the end."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(f"{words}\n")
        self._process.stdin.flush()
        found: dict[str, Any] = json.loads(self._process.stdout.readline())
        if "on its way" in found["words"]:
            found = json.loads(self._process.stdout.readline())
        return found


@contextmanager
def simulation(place: Any, chips: int) -> Iterator[Simulation]:
    command = [sys.executable, "-m", "cli.main", "simulate", "--part", PART, "--tray", str(chips), "--json"]
    with subprocess.Popen(
        command, env=place.environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        try:
            yield Simulation(process)
        finally:
            process.terminate()


def told(place: Any, *arguments: str) -> Any:
    done = place.run(*arguments, "--json")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def check_by_hand(place: Any, simulated: Simulation, *arguments: str) -> tuple[int, str]:
    """Run a check as a person does: read what it says, and put in the chip that it asks for."""
    command = [sys.executable, "-m", "cli.main", "exposure", "check", *arguments]
    with subprocess.Popen(
        command, env=place.environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as process:
        timer = threading.Timer(90, process.kill)
        timer.start()
        said, served = [], set()
        assert process.stdout is not None
        for line in process.stdout:
            said.append(line)
            asked = re.search(r"the M27C64A of place (\d+)", line)
            if asked and asked.group(1) not in served:
                served.add(asked.group(1))
                simulated.do(f"put {asked.group(1)}")
        timer.cancel()
    return process.returncode, "".join(said)


@pytest.mark.slow
def test_from_full_chips_to_erased_ones(place: Any) -> None:
    with simulation(place, 2) as simulated:
        with place.config.open("a") as file:
            file.write(f'ports = ["{simulated.port}"]\npractice_lamps = true\n')
        told(place, "lamp", "add", "box", "--tube", "8w-t5")
        told(place, "lot", "number", "17", "--part", PART)
        planned = told(place, "exposure", "plan", "--lamp", "box", "--chips", f"2 {PART}")
        for chip in planned["chips"]:
            simulated.do(f"lay {chip['place']} {chip['along_mm']} {chip['across_mm']}")
        status, said = check_by_hand(place, simulated)
        assert status == 0, said
        assert said.count("bits to erase") == 2
        simulated.do("back")
        told(place, "exposure", "lamp-on", "--contents-stored", "--labels-off", "--solvent-dry")
        # 30 J/cm² (its sheet) at 4.88 mW/cm² behind a window of 0.92: 111 min (UV notes, sections 1, 2).
        minutes = told(place, "exposure", "show")["end_lit_s"] / 60
        assert minutes == pytest.approx(111, rel=0.2)
        simulated.do(f"light {minutes + 1:.0f}")
        told(place, "exposure", "lamp-off", "--lit-min", f"{minutes + 1:.0f}")
        status, said = check_by_hand(place, simulated)
        assert status == 0, said
        assert "Erased with margin: places" in said
        shown = told(place, "exposure", "show")
        assert [chip["inside"] for chip in shown["chips"]] == [False, False]
        assert told(place, "exposure", "finish")["state"] == "done"
        assert told(place, "lot", "history", "17", "--chip")["entries"] == []
