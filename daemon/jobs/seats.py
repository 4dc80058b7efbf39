"""How the chip of a job sits: directly in the socket, or on an adapter that the request names."""

from dataclasses import dataclass

from daemon.adapters.files import Adapters
from daemon.catalogue.model import Part
from daemon.errors import BenchError, Code
from daemon.images.fit import FittedContent
from daemon.jobs.request import JobRequest
from daemon.programmers.fitting import Fit, fit_directly, fit_through
from daemon.store.model import JobKind
from protocol.identity import Identity

_ALTERING = frozenset({JobKind.WRITE, JobKind.PROGRAM, JobKind.ERASE})


@dataclass(frozen=True, slots=True)
class Seat:
    """A fit, and where the part that it shows begins within the whole chip: a bank that switches select."""

    fit: Fit
    first_bytes: int = 0

    def own_share(self, content: FittedContent | None) -> FittedContent | None:
        """Return what of the whole chip's content goes into the part that the fit shows."""
        if content is None or len(content.data) == self.fit.part.size_bytes:
            return content
        return content.cut(self.first_bytes, self.fit.part.size_bytes)


def seat_for(request: JobRequest, part: Part, adapters: Adapters, identity: Identity) -> Seat:
    """Seat the part as the request says.

    Raises BenchError: `part-does-not-fit`, what the adapters raise, and `adapter-does-not-fit` for a job that
    writes through an adapter which lets the part only be read.
    """
    if request.adapter is None:
        return Seat(fit_directly(part, identity))
    adapter = adapters.get(request.adapter)
    from daemon.adapters.seating import seat

    seated = seat(part, adapter, request.bank)
    fit = fit_through(seated, identity)
    if fit.read_only_because is not None and request.kind in _ALTERING:
        raise BenchError(
            Code.ADAPTER_DOES_NOT_FIT,
            f"on the adapter {adapter.name} the {part.name} can only be read: {fit.read_only_because}",
            hint="Use an adapter made for programming this part.",
            field="adapter",
        )
    return Seat(fit, seated.first_word * part.word_bytes)
