"""The demonstration from beginning to end: the scenes in order, with words between them."""

import time

from cli.demo.scenes import SCENES
from cli.demo.stage import stage
from cli.out import Out, time_words

_RULE = "-" * 72


def show(out: Out, *, speed: float, pause_s: float) -> None:
    """Play all scenes. Raises `Failure` when one does not keep its promise."""
    began_s = time.monotonic()
    out.say("romwright: the right image in the right chip, and proof of it.", "bold")
    out.say("This is a demonstration with no hardware: programmer, socket and chips are simulated.")
    out.note("Starting a simulated programmer and a bench daemon ...")
    with stage(speed, pause_s) as set_up:
        for number, scene in enumerate(SCENES, 1):
            if number > 1:
                time.sleep(pause_s)
            out.say()
            out.say(f"{number}. {scene.title}", "bold")
            out.say(_RULE, "dim")
            scene.play(set_up, out)
        time.sleep(pause_s)
    out.say()
    out.say(_RULE, "dim")
    out.say(f"All of it went as promised, in {time_words(time.monotonic() - began_s)}.", "bold")
    out.say("Next: `romwright simulate` in one terminal, `romwright program FILE --part M27C512` in another.")
