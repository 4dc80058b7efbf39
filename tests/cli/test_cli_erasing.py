"""Lamps and exposures on the command line: a daemon and a simulated programmer in processes of their own."""

import json
from typing import Any

import pytest

from cli.commands.lamps import read_tube
from cli.exposures.report import read_chips

READY = ("--contents-stored", "--labels-off", "--solvent-dry")


def told(place: Any, *arguments: str) -> Any:
    done = place.run(*arguments, "--json")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_from_a_lamp_to_a_finished_exposure(place: Any) -> None:
    lamp = told(place, "lamp", "add", "box", "--tube", "8w-t5@-20", "--tube", "8w-t5@20", "--tray", "160x60")
    assert [tube["across_mm"] for tube in lamp["spec"]["tubes"]] == [-20, 20]
    svg = place.folder / "tray.svg"
    drawn = place.run("lamp", "tray", "box", "--svg", str(svg))
    assert drawn.returncode == 0
    assert "mW/cm² when new" in drawn.stdout
    assert svg.read_text(encoding="utf-8").startswith("<svg")
    assert told(place, "erase-time", "--part", "M27C512", "--lamp", "box")["dose_j_per_cm2"] == 15
    assert "No light: 0.1 s" in place.run("erase-time", "--part", "SST39SF040").stdout
    tried = told(place, "exposure", "try", "--lamp", "box", "--chips", "3 M27C512", "--chips", "2 M27C64A")
    assert len(tried["plans"]) == 2
    planned = place.run("exposure", "plan", "--lamp", "box", "--chips", "2 M27C512")
    assert "Before the lamp goes on" in planned.stdout
    assert "UV-C light burns eyes" in planned.stdout
    refused = place.run("exposure", "lamp-on")
    assert refused.returncode == 4
    assert "labels" in refused.stderr
    assert told(place, "exposure", "lamp-on", *READY)["state"] == "lit"
    off = told(place, "exposure", "lamp-off", "--lit-min", "0")
    assert (off["state"], off["spans"][0]["origin"]) == ("dark", "stated")
    assert [chip["inside"] for chip in told(place, "exposure", "take-out", "1")["chips"]] == [False, True]
    assert told(place, "exposure", "finish")["state"] == "done"
    assert place.run("exposure", "finish").returncode == 2, "none is open"
    assert "box" in place.run("exposure", "list").stdout


@pytest.mark.parametrize(
    ("text", "tube"),
    [
        ("8w-t5", {"preset": "8w-t5"}),
        ("8w-t5@-20", {"preset": "8w-t5", "across_mm": -20}),
        ("2.4:235@20", {"uvc_w": 2.4, "arc_length_mm": 235, "across_mm": 20}),
    ],
)
def test_tubes_are_read(text: str, tube: dict[str, Any]) -> None:
    assert read_tube(text) == tube


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("6 M27C512", {"part": "M27C512", "chips": 6}),
        ("M27C512", {"part": "M27C512", "chips": 1}),
        ("20 M27C512 @tern-8 spares", {"part": "M27C512", "chips": 20, "lot": "tern-8 spares"}),
        ("27512", {"part": "27512", "chips": 1}),
        ("M27C512 #17 #18", {"part": "M27C512", "chips": 2, "numbers": ["17", "18"]}),
        ("6 M27C512 @spares #17", {"part": "M27C512", "chips": 6, "lot": "spares", "numbers": ["17"]}),
    ],
)
def test_chips_are_read(text: str, wanted: dict[str, Any]) -> None:
    assert read_chips([text]) == [wanted]
