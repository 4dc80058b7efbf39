"""The scenes, and what each of them promises: a promise that does not hold ends the demonstration."""

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from cli import image_files, jobs
from cli.demo.pair import two_chips
from cli.demo.promises import promise
from cli.demo.stage import PART, Stage
from cli.out import Out, time_words
from cli.reach import Reach, choose_programmer
from cli.report import show_preview

_LAMP, _DISTANCE_MM = "8w-t5", 25.0


@dataclass(frozen=True, slots=True)
class Scene:
    """One scene; `play` raises `Failure` when what happens is not what was promised."""

    title: str
    play: Callable[[Stage, Out], None]


def main_job(stage: Stage, out: Out) -> None:
    """Program the Tern-8's firmware into a blank chip, and read it back."""
    programmer = choose_programmer(stage.client, Reach())
    out.say(
        f"A simulated programmer answers at {programmer['path']}, and the bench daemon works with it as it"
        " would with hardware. In its socket is a blank M27C512."
    )
    image = image_files.upload(stage.client, out, stage.image_file, None)
    request = {"kind": "program", "part": PART, "image": image["sha256"]}
    out.say("This is what the job will put on the pins, to compare with the marking on the chip:")
    out.say()
    show_preview(out, stage.client.post("/v1/jobs/preview", request), programmer)
    out.say()
    time.sleep(stage.pause_s)
    job = jobs.see_through(stage.client, out, jobs.start(stage.client, "/v1/jobs", request))
    numbers = job["outcome"]["numbers"]
    promise(job["state"] == "succeeded", "the chip holds the image", job["outcome"]["summary"])
    promise(numbers["crc32"] == image["facts"]["crc32"], "the checksums agree", numbers["crc32"])
    verified = {
        (check["vcc_v"], check["verdict"]) for check in job["outcome"]["checks"] if check["name"] == "verify"
    }
    promise(verified == {(6.0, "passed"), (4.2, "passed")}, "it verifies at 6.0 and 4.2 V", verified)
    _read_back(stage, out)


def _read_back(stage: Stage, out: Out) -> None:
    out.say()
    out.say("As a last look, the chip is read over the wire and compared with the file, byte by byte.")
    job = _quietly(stage, {"kind": "read", "part": PART})
    content = stage.client.download(f"/v1/jobs/{job['id']}/content", format="raw")
    promise(content == stage.image, "what is read is the file", f"{len(content)} bytes that differ")
    out.say(f"All {len(content):,} bytes are the same.", "green")


def backwards(stage: Stage, out: Out) -> None:
    """Meet a chip that is in the wrong way round."""
    stage.simulator.tell("chip reversed")
    out.say("The chip was put in the wrong way round. VCC would meet its ground pin.")
    job = _see_refusal(stage, out, "chip-reversed")
    steps = {step["name"]: step["state"] for step in job["steps"]}
    promise(steps["pin-check"] == "failed", "the pin check finds it", steps)
    untouched = {state for name, state in steps.items() if name not in ("connect", "pin-check")}
    promise(untouched == {"skipped"}, "nothing is tried after that", steps)
    power = stage.simulator.tell("state")
    promise(power["switched_on"] == 0, "the chip was never powered", power)
    out.say("The simulator confirms it: its supplies were not switched on once.", "green")


def folded_pin(stage: Stage, out: Out) -> None:
    """Meet a pin that is folded under the package."""
    folded = stage.simulator.tell("chip folded")
    out.say("The chip is turned, but one of its legs folded under the package as it went in.")
    job = _see_refusal(stage, out, "pin-fault")
    pins = [(pin["pin"], pin["signal"]) for pin in job["outcome"]["numbers"]["pins"]]
    truth = [(pin["pin"], pin["signal"]) for pin in folded["folded"]]
    promise(pins == truth, f"the folded pin is named: {truth}", pins)
    number, signal = pins[0]
    out.say(f"So there is one leg to straighten: pin {number}, {signal}.", "green")


def half_erased(stage: Stage, out: Out) -> None:
    """Meet a chip that reads blank at the nominal supply and is not."""
    stage.simulator.tell("chip half-erased")
    out.say("Another chip, from the eraser. At 5.0 V every bit of it reads as erased.")
    job = _see_refusal(stage, out, "not-blank-low")
    numbers = job["outcome"]["numbers"]
    promise(numbers["bits"] > 0, "bits show at the lower supply", numbers)
    promise(numbers["vcc_v"] < 5.0, "it was looked at below 5.0 V", numbers)
    estimate = stage.client.post(
        "/v1/erase-estimates", {"part": PART, "lamp": _LAMP, "distance_mm": _DISTANCE_MM}
    )
    time_s = estimate["time_s"]
    promise(0 < time_s["low"] < time_s["nominal"] < time_s["high"], "an exposure time is told", time_s)
    out.say(
        f"{numbers['bits']:,} bits still hold charge. Under an 8 W tube at {_DISTANCE_MM:g} mm it wants about"
        f" {time_words(time_s['nominal'])} ({time_words(time_s['low'])} to {time_words(time_s['high'])}, with"
        " every unknown at its best and at its worst).",
        "green",
    )


def _see_refusal(stage: Stage, out: Out, code: str) -> dict[str, Any]:
    image = stage.client.get("/v1/images")["images"][0]["sha256"]
    request = {"kind": "program", "part": PART, "image": image}
    out.say()
    job = jobs.see_through(stage.client, out, jobs.start(stage.client, "/v1/jobs", request))
    promise(job["state"] == "failed", "the job is refused", job["state"])
    promise(job["outcome"]["code"] == code, f"the result is {code}", job["outcome"]["code"])
    promise(bool(job["outcome"]["hint"]), "it says what to do", job["outcome"])
    out.say()
    return job


def _quietly(stage: Stage, request: Mapping[str, Any]) -> dict[str, Any]:
    job = jobs.start(stage.client, "/v1/jobs", request)
    deadline_s = time.monotonic() + 60
    while job["state"] not in ("succeeded", "failed", "cancelled", "interrupted"):
        promise(time.monotonic() < deadline_s, "the job ends within a minute", job["state"])
        time.sleep(0.1)
        job = stage.client.get(f"/v1/jobs/{job['id']}")
    promise(job["state"] == "succeeded", f"the {request['kind']} job succeeds", job["outcome"])
    return job


SCENES = (
    Scene("The main job", main_job),
    Scene("A chip in backwards", backwards),
    Scene("A folded pin", folded_pin),
    Scene("A chip that only seems blank", half_erased),
    Scene("A board of two chips", two_chips),
)
