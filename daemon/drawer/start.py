"""Where an examination starts: the candidates that this programmer can look at."""

from collections.abc import Iterable

from daemon.catalogue.model import Part
from daemon.drawer.hazards import Severity, worst
from daemon.drawer.sight import Sight, narrow
from daemon.drawer.trials import Trial, trials_for
from daemon.errors import BenchError, Code
from daemon.programmers.fitting import describe, fit_directly
from protocol.identity import Identity


def unmarked_part(parts: Iterable[Part], sight: Sight, identity: Identity) -> Part:
    """Return the largest way to read such a chip that harms none of its candidates, as a read-only part.

    Raises BenchError: `part-unknown` when no part looks like this, what seating and describing raise when
    this programmer can look at none of them.
    """
    found = [each.part for each in narrow(parts, sight)]
    if not found:
        raise BenchError(
            Code.PART_UNKNOWN,
            f"the catalogue has no part that looks like this: {sight.words}",
            hint="Count the pins again. DIP packages of 24 to 42 pins are in the catalogue; a window excludes"
            " everything but UV EPROMs, so leave it out where a label may cover one.",
            field="package_pins",
        )
    trials = sorted(trials_for(found), key=lambda trial: -trial.part.size_bytes)
    safe = [trial for trial in trials if worst(trial, found)[0] is not Severity.FORBIDDEN]
    refusal: BenchError | None = None
    for trial in safe or trials:
        refusal = why_not(trial, identity)
        if refusal is None:
            return trial.part
    assert refusal is not None
    raise refusal


def why_not(trial: Trial, identity: Identity) -> BenchError | None:
    """Return why this programmer cannot read so; None when it can."""
    try:
        describe(fit_directly(trial.part, identity), identity)
    except BenchError as error:
        return error
    return None
