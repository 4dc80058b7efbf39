"""One line of advice on UV erasing, for a chip that is not blank."""

from daemon.catalogue.model import Part
from daemon.erasure import TUBES, LampPlace, estimate_erase

#: A usual small eraser: a bare 8 W tube an inch away. Front ends ask for the user's own lamp.
_LAMP, _DISTANCE_MM = "8w-t5", 25.0


def erase_advice(part: Part) -> str:
    """Return how long the part wants to be exposed, under a lamp that is named, and what to mind."""
    dose = part.erase.dose_j_per_cm2
    if dose is None:
        return "Expose it under UV as its data sheet says, and check again at the lower supply."
    tube = TUBES[_LAMP]
    time_s = estimate_erase(dose, LampPlace(tube, _DISTANCE_MM)).time_s
    return (
        f"Expose it to {dose:g} J/cm²: about {time_s.nominal / 60:.0f} min ({time_s.low / 60:.0f} to "
        f"{time_s.high / 60:.0f}) at {_DISTANCE_MM:g} mm from a bare {tube.name}; ask for an estimate"
        " with your own lamp. Keep the lamp's box shut: UV-C burns eyes and skin."
    )
