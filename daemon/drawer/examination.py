"""The examination of one chip: what it can still be, what was seen of it, and which look comes next."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from daemon.catalogue.model import Part
from daemon.catalogue.terms import Mode
from daemon.drawer.contact import Ruled
from daemon.drawer.explain import Doubt, Explanation, Observation, explain, uniform
from daemon.drawer.hazards import Severity, worst
from daemon.drawer.lookup import Match
from daemon.drawer.sight import Candidate, Sight
from daemon.drawer.trials import Trial, a_name, trials_for


@dataclass(frozen=True, slots=True)
class Untried:
    """A way to read that was not used, and why."""

    trial: Trial
    reason: str


@dataclass(frozen=True, slots=True)
class Standing:
    """Candidates that are wired alike, with what their pins have to say to all that was read.

    `doubts` are coincidences that this explanation would need, those of the pin check included.
    """

    candidates: tuple[Candidate, ...]
    explanation: Explanation
    doubts: tuple[Doubt, ...]

    @property
    def weight(self) -> int:
        """How much speaks against it; 0 for nothing."""
        return sum(doubt.weight for doubt in self.doubts)

    @property
    def size_bytes(self) -> int:
        """What such a part holds."""
        return self.candidates[0].part.size_bytes


@dataclass(frozen=True, slots=True)
class Answered:
    """What the chip said when it was asked for its name, and how it was asked."""

    method: str
    maker: int
    device: int
    parts: tuple[Part, ...]


@dataclass(slots=True)
class Examination:
    """One chip under examination."""

    sight: Sight
    live: list[Candidate]
    trials: tuple[Trial, ...] = ()
    pin_doubts: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    out: list[Ruled] = field(default_factory=list)
    observations: list[Observation] = field(default_factory=list)
    untried: list[Untried] = field(default_factory=list)
    #: What made the programmer switch off, in words.
    over_current: str = ""
    answered: Answered | None = None
    #: Bits that read 0 at the lowest supply of a chip that is blank at the nominal one, and that supply.
    low_bits: int | None = None
    low_v: float = 0.0
    #: Where what it holds has been kept.
    content_sha256: str | None = None
    #: Images of the bench that were in it before it was kept.
    matches: tuple[Match, ...] = ()
    _worked_out: tuple[object, list["Standing"]] | None = None

    def __post_init__(self) -> None:
        self.trials = self.trials or trials_for(each.part for each in self.live)

    # Which look comes next

    def next_trial(self) -> Trial | None:
        """Return the way to read that risks least, None when no more should be tried.

        A way that could harm a part which the chip can still be is not tried; one that sets outputs against
        each other, under the programmer's current limit, only where the marking speaks for it.
        """
        waiting = [trial for trial in self.trials if not self._done(trial)]
        waiting = [trial for trial in waiting if any(self._alive(part) for part in trial.members)]
        alive = [each.part for each in self.live]
        ranked = sorted(((worst(trial, alive), trial) for trial in waiting), key=self._order)
        for (severity, part, found), trial in ranked:
            if severity is None or severity < Severity.CONFLICT:
                return trial
            assert part is not None
            would = f"in {a_name(part.name)}, which it can still be, this is {found[0].words}"
            if severity is Severity.CONFLICT and any(each.marked for each in self._members(trial)):
                return trial
            if severity is Severity.CONFLICT:
                would += "; only a marking can say which way to try"
            self.untried.append(Untried(trial, would))
        return None

    def skip(self, trial: Trial, reason: str) -> None:
        """Note that a way to read cannot be used here."""
        self.untried.append(Untried(trial, reason))

    def _done(self, trial: Trial) -> bool:
        return any(seen.trial == trial for seen in self.observations) or any(
            each.trial == trial for each in self.untried
        )

    def was_read(self, part: Part) -> bool:
        """Tell whether the chip was read in the very way in which this part is."""
        return any(member is part for seen in self.observations for member in seen.trial.members)

    def _members(self, trial: Trial) -> list[Candidate]:
        return [each for each in self.live if any(each.part is member for member in trial.members)]

    def _alive(self, part: Part) -> bool:
        return any(each.part is part for each in self.live)

    def _order(
        self, ranked: tuple[tuple[Severity | None, Part | None, Sequence[object]], Trial]
    ) -> tuple[int, int, bool, int, str]:
        (severity, _, found), trial = ranked
        marked = any(each.marked and each.part in trial.members for each in self.live)
        return severity or 0, len(found) if severity else 0, not marked, trial.part.size_bytes, trial.key

    # What was seen

    def take(self, seen: Observation) -> None:
        """Take in what a read brought; parts that it contradicts are ruled out."""
        self.observations.append(seen)
        if uniform(self.observations):
            return
        for standing in self._standings():
            if not standing.explanation.holds:
                for each in standing.candidates:
                    self.live.remove(each)
                    self.out.append(Ruled(each.part, standing.explanation.contradiction))

    @property
    def blank(self) -> bool:
        """Whether nothing but ones was read."""
        return bool(self.observations) and all(set(seen.data) == {0xFF} for seen in self.observations)

    @property
    def says_nothing(self) -> bool:
        """Whether every byte of every read was the same, so that the pins cannot be told from it."""
        return uniform(self.observations)

    @property
    def unstable(self) -> bool:
        """Whether the best explanation's own read was not the same twice."""
        own = self.own_read
        return not all(seen.stable for seen in ([own] if own else self.observations))

    @property
    def own_read(self) -> Observation | None:
        """The read in the way of the likeliest explanation; None where that way was not used."""
        best = self.best
        if best is None:
            return None
        part = best.candidates[0].part
        return next((seen for seen in self.observations if part in seen.trial.members), None)

    @property
    def true_size_bytes(self) -> int | None:
        """How much the chip really holds, by its address lines; None where they do not tell."""
        best = self.best
        if best is None or self.says_nothing or best.explanation.content is None:
            return None
        return best.size_bytes >> len(best.explanation.dead_lines)

    @property
    def explained(self) -> bool:
        """Whether some part explains what was read, and more was read than one value."""
        return bool(self.observations and self.live) and not self.says_nothing

    def standings(self) -> tuple[Standing, ...]:
        """Return what the chip can be, the likeliest first: what needs the fewest coincidences, then size.

        Among explanations as good the smaller part wins: a larger one would have to hold the same again.
        """
        held = [standing for standing in self._standings() if standing.explanation.holds]
        return tuple(sorted(held, key=self._likelihood))

    def likely(self) -> tuple[Standing, ...]:
        """Return the explanations that need no more coincidences than the best one."""
        held = self.standings()
        return tuple(standing for standing in held if standing.weight == held[0].weight)

    @property
    def best(self) -> Standing | None:
        """The likeliest explanation."""
        found = self.standings()
        return found[0] if found else None

    def _likelihood(self, standing: Standing) -> tuple[int, int, int]:
        marked = any(each.marked for each in standing.candidates)
        if self.says_nothing:
            return not marked, standing.weight, standing.size_bytes
        return standing.weight, standing.size_bytes, not marked

    def _standings(self) -> list[Standing]:
        now = len(self.observations), len(self.live)
        if self._worked_out is None or self._worked_out[0] != now:
            self._worked_out = now, self._work_out()
        return self._worked_out[1]

    def _work_out(self) -> list[Standing]:
        groups: dict[object, list[Candidate]] = {}
        for each in self.live:
            groups.setdefault(_wiring(each.part), []).append(each)
        found = []
        for members in groups.values():
            explanation = explain(members[0].part, self.observations)
            pins = self.pin_doubts.get(members[0].part.id, ())
            doubts = (*explanation.doubts, *(Doubt(words, 1) for words in pins))
            found.append(Standing(tuple(members), explanation, doubts))
        return found


def _wiring(part: Part) -> object:
    return part.pins, tuple(sorted(part.levels(Mode.READ).items())), part.words


def parts_of(standings: Iterable[Standing]) -> tuple[Part, ...]:
    """Return the parts of several standings in order."""
    return tuple(each.part for standing in standings for each in standing.candidates)
