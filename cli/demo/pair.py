"""The scene of a board with two chips: made, exchanged by mistake and caught, and labelled."""

import zlib
from typing import Any

from cli import jobs
from cli.demo.promises import promise
from cli.demo.stage import PART, Stage
from cli.out import Out
from daemon.boards.demo_images import tern16_bin

BOARD = "tern-16"
_PAIR = 2


def two_chips(stage: Stage, out: Out) -> None:
    """Make the two chips of the Tern-16, meet the first in the second's place, print their labels."""
    out.say("The Tern-16 reads sixteen bits at once: even bytes in one chip, odd bytes in the other.")
    on_hand = [{"part": PART, "count": _PAIR, "state": "blank", "access_ns": 100}]
    wish = {"on_hand": on_hand, "copies": 1}
    plan = stage.client.post(f"/v1/boards/{BOARD}/plan?keep=true", wish)
    even, odd = plan["positions"]
    file = tern16_bin()
    _made(stage, out, even, file[0::2])
    out.say()
    out.say(f"It is taken for the chip of {odd['label']}, the odd bytes, and checked as that one.")
    request = odd["chips"][0]["job"] | {"kind": "verify"}
    job = jobs.see_through(stage.client, out, jobs.start(stage.client, "/v1/jobs", request))
    promise(job["state"] == "failed", "a chip that holds the other half does not pass", job["outcome"])
    causes = job["outcome"]["causes"]
    promise(bool(causes) and causes[0]["code"] == "even-odd-exchanged", "it says why", job["outcome"])
    out.say()
    _made(stage, out, odd, file[1::2])
    _labels(stage, out, wish, plan)


def _made(stage: Stage, out: Out, position: dict[str, Any], wanted: bytes) -> None:
    stage.simulator.tell("chip blank")
    out.say(f"A blank chip for {position['label']}, {position['title']}:")
    job = _job(stage, out, position)
    promise(job["state"] == "succeeded", f"the chip of {position['label']} is made", job["outcome"])
    crc32 = f"{zlib.crc32(wanted):08X}"
    promise(job["outcome"]["numbers"]["crc32"] == crc32, "it holds its half of the file", job["outcome"])


def _job(stage: Stage, out: Out, position: dict[str, Any]) -> dict[str, Any]:
    request = position["chips"][0]["job"]
    return jobs.see_through(stage.client, out, jobs.start(stage.client, "/v1/jobs", request))


def _labels(stage: Stage, out: Out, wish: dict[str, Any], plan: dict[str, Any]) -> None:
    body = {"board": BOARD, "plan": wish, "version": "1.0"}
    pdf, sheets = stage.client.sheets("/v1/labels", body)
    promise(pdf.startswith(b"%PDF") and sheets == 1, "their labels are one sheet of PDF", sheets)
    svg, _ = stage.client.sheets("/v1/labels", body, format="svg")
    for position in plan["positions"]:
        crc32 = position["chips"][0]["content"]["crc32"]
        promise(crc32 in svg.decode(), f"the label of {position['label']} has its checksum", crc32)
        out.say(f"  {position['label']:5} {plan['board_name']}  CRC {crc32}")
    out.say(
        f"Their labels are a sheet of {len(pdf):,} bytes of PDF, the notch drawn where pin 1 is.", "green"
    )
    out.say(f"(`romwright label board {BOARD} --save labels.pdf` makes the same for you.)")
