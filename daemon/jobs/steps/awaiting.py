"""The step that waits for a person to put the next chip in, and notices it by itself."""

from daemon.jobs.context import Done, JobContext, OpenQuestion, Question
from daemon.jobs.outcome import JobStopped, OutcomeCode
from daemon.jobs.request import AwaitChip
from daemon.jobs.steps.pins import rows_too_high, verdict_on
from daemon.seating.driver import await_arrival
from daemon.seating.watch import Arrived, BadlySeated, Evidence, Gone, NothingTouches, SeatEvent, SeatWatch
from protocol.wire import Capability

CODE = "next-chip"


def next_chip(ctx: JobContext) -> Done:
    """Wait until the chip sits in the socket: by pin checks with the supplies off, the button, or an answer.

    A chip that sits badly is no failure here: the person is told what is wrong, and the step waits on.
    Raises JobStopped `cancelled` for the answer no.
    """
    wish = ctx.request.await_chip or AwaitChip.model_validate({})
    sees = Capability.CONTACT in ctx.socketed.identity.capabilities
    watch = SeatWatch(occupied=wish.occupied, sees_pins=sees)
    with ctx.ask_and_look(_question(ctx, wish, watch, _first_words(ctx, wish, sees))) as question:
        helper = _Helper(ctx, wish, watch, question)
        arrived = await_arrival(ctx.socketed, watch, helper, helper.heed)
    return Done(_came_words(arrived), {"noticed_by": arrived.by.value, "looks": arrived.looks})


class _Helper:
    """Tells the person what is to be done now, and hears what they say."""

    def __init__(self, ctx: JobContext, wish: AwaitChip, watch: SeatWatch, question: OpenQuestion) -> None:
        self._ctx = ctx
        self._wish = wish
        self._watch = watch
        self._question = question

    def says_it_is_in(self) -> bool:
        answer = self._question.poll()
        if answer is False:
            raise JobStopped(OutcomeCode.CANCELLED, "given up before a chip was put in; no chip was touched")
        return answer is True

    def heed(self, event: SeatEvent) -> None:
        match event:
            case Gone():
                self._say(_put_in_words(self._ctx, self._wish, self._watch.sees_pins))
            case BadlySeated(seating=seating):
                stopped = verdict_on(self._ctx, seating)
                self._say(f"{stopped.summary[:1].upper()}{stopped.summary[1:]}. {_waiting(stopped.hint)}")
            case NothingTouches():
                self._say(self._nothing_words())
            case _:
                pass

    def _say(self, words: str) -> None:
        self._question.reword(_question(self._ctx, self._wish, self._watch, words))

    def _nothing_words(self) -> str:
        rows = rows_too_high(self._ctx)
        self._ctx.socketed.set_up()
        if rows:
            return (
                f"The chip sits {rows} row{'s' if rows > 1 else ''} too far towards the socket's pin 1: it"
                " goes to the bottom end. Move it."
            )
        pins = self._ctx.part.ground_pins
        ground = f"pin{'s' if len(pins) > 1 else ''} {', '.join(map(str, pins))}"
        return (
            f"No pin shows a chip. Is the lever closed? If it is, the chip's ground ({ground}) makes no"
            " contact: straighten or clean it, and put the chip in again."
        )


def _question(ctx: JobContext, wish: AwaitChip, watch: SeatWatch, words: str) -> Question:
    facts = {
        "part": ctx.part.id,
        "seat": watch.state.value,
        "wants": wish.words or ctx.part.name,
        "noticed_by": _noticed_by(ctx, watch),
    }
    return Question(CODE, words, facts)


def _noticed_by(ctx: JobContext, watch: SeatWatch) -> str:
    """Return by what an arrival will be noticed; `answer`: only when somebody says so."""
    if watch.sees_pins:
        return "pins"
    return "button" if Capability.BUTTON in ctx.socketed.identity.capabilities else "answer"


def _first_words(ctx: JobContext, wish: AwaitChip, sees_pins: bool) -> str:
    if wish.occupied and sees_pins:
        return f"Take this chip out, then put in {wish.words or f'the next {ctx.part.name}'}."
    return _put_in_words(ctx, wish, sees_pins)


def _put_in_words(ctx: JobContext, wish: AwaitChip, sees_pins: bool) -> str:
    words = f"Put in {wish.words or f'the next {ctx.part.name}'}"
    if sees_pins:
        return f"{words}; it is noticed by itself."
    button = Capability.BUTTON in ctx.socketed.identity.capabilities
    say = "press the button" if button else "say so"
    return f"{words}, then {say}: this programmer cannot check pins, so look at the orientation yourself."


def _waiting(hint: str) -> str:
    """Return a hint without what is not needed here: nothing has to be started again."""
    return hint.replace(", and start again", "")


def _came_words(arrived: Arrived) -> str:
    if arrived.by is not Evidence.PINS:
        return "somebody says that the chip is in"
    return f"a chip is in: all its pins right in {arrived.looks} looks, one after another"
