"""What a person can do at a simulated programmer: change the chip, turn it, fold a pin, light it, set VPP."""

from typing import Any

from cli.practice.deeds import Deed, Done, NotUnderstood, number, whole
from cli.practice.tray_hands import TrayHands
from daemon.catalogue.model import Part
from simulator.chip.chip import Chip
from simulator.lamp import TUBES, Lamp, Position
from simulator.programmer.programmer import VirtualProgrammer
from simulator.socket import ContactFault, Placement
from simulator.stock import Stock, make_socket
from simulator.supplies import SupplyName

_LAMP = Lamp(TUBES["8W-T5"])
_PLACE = Position(height_m=0.033)
"""25 mm from the glass of a T5 tube, whose radius is 8 mm."""
_PLACED = {Stock.REVERSED: Placement(reversed=True), Stock.SHIFTED: Placement(shift=-1)}
_SUPPLIES = {"vcc": SupplyName.VCC, "vpp": SupplyName.VPP}


class Hands:
    """A person's hands on one simulated programmer. Not thread-safe, like the programmer itself.

    `part` is what the chips are taken for; `other` is what a wrong one really is. With a tray, light falls on
    that, and chips are carried between it and the socket.
    """

    def __init__(
        self,
        programmer: VirtualProgrammer,
        part: Part,
        other: Part,
        stock: Stock,
        seed: int,
        tray: TrayHands | None = None,
    ) -> None:
        self._programmer = programmer
        self._part = part
        self._other = other
        self._tray = tray
        self._seed = seed
        self._label = stock.value
        self._placement = _PLACED.get(stock, Placement())
        self._switch_ons = self._count()
        self.deeds: dict[str, Deed] = {
            "chip": Deed("KIND [SEED]", f"another chip: {', '.join(Stock)}", self._chip),
            "remove": Deed("", "take the chip out", self._remove),
            "turn": Deed("", "put the chip in the other way round", self._turn),
            "fold": Deed("PIN", "fold a pin of the chip under its package", self._fold),
            "straighten": Deed("", "straighten all pins", self._straighten),
            "light": Deed("MINUTES", "expose the chip, 25 mm under an 8 W tube", self._light),
            "set": Deed("vpp|vcc VOLTS", "turn a supply that is set by hand", self._set),
            "button": Deed("", "press the programmer's button", self._button),
            "reset": Deed("", "press the programmer's reset button", self._reset),
            "state": Deed("", "tell what is in the socket, and the voltages there", self._state),
            **(tray.deeds if tray else {}),
        }

    def do(self, line: str, now_s: float) -> Done:
        """Do what a line says at the time `now_s` of the programmer. Raises `NotUnderstood`."""
        word, *rest = line.split()
        deed = self.deeds.get(word.lower())
        if deed is None:
            raise NotUnderstood(f"there is no word `{word}`: {', '.join(self.deeds)}")
        if len(rest) > len(deed.argument.split()) and not deed.many:
            raise NotUnderstood(f"`{word}` takes {deed.argument or 'nothing'}")
        return deed.do(rest, now_s)

    def help(self) -> str:
        """Return all words with their meanings."""
        return "\n".join(
            f"  {f'{word} {deed.argument}'.strip():<24} {deed.meaning}" for word, deed in self.deeds.items()
        )

    # The chip

    def _chip(self, rest: list[str], now_s: float) -> Done:
        try:
            stock = Stock(rest[0].lower())
        except (IndexError, ValueError):
            raise NotUnderstood(f"say which chip: {', '.join(Stock)}") from None
        self._seed = whole(rest[1]) if len(rest) > 1 else self._seed + 1
        pins = self._programmer.socket.pin_count
        try:
            made = make_socket(self._part, stock, self._seed, socket_pins=pins, other=self._other)
        except ValueError as error:
            raise NotUnderstood(str(error)) from None
        faults, chip = made.faults, made.chip
        self._note_taken(self._programmer.remove(now_s))
        self._programmer.socket.faults = dict(faults)
        self._label, self._placement = stock.value, _PLACED.get(stock, Placement())
        if chip is not None:
            self._programmer.insert(chip, now_s, self._placement)
        self._switch_ons = self._count()
        return Done(f"in the socket now: {self._words()}", self._facts(now_s))

    def _remove(self, rest: list[str], now_s: float) -> Done:
        self._note_taken(self._take_out(now_s))
        return Done("the socket is empty", self._facts(now_s))

    def _turn(self, rest: list[str], now_s: float) -> Done:
        chip = self._take_out(now_s)
        self._placement = Placement(reversed=not self._placement.reversed)
        self._put_in(chip, now_s)
        way = "the wrong way round" if self._placement.reversed else "the right way round"
        return Done(f"the chip is in {way} now", self._facts(now_s))

    def _fold(self, rest: list[str], now_s: float) -> Done:
        pin = whole(rest[0]) if rest else 0
        place = self._programmer.socket.contacts().get(pin)
        if place is None:
            raise NotUnderstood("say which pin of the chip, such as `fold 25`")
        chip = self._take_out(now_s)
        self._programmer.socket.faults[place] = ContactFault.OPEN
        self._put_in(chip, now_s)
        return Done(f"pin {pin} ({chip.part.signal_of(pin)}) is folded under", self._facts(now_s))

    def _straighten(self, rest: list[str], now_s: float) -> Done:
        chip = self._take_out(now_s)
        self._programmer.socket.faults.clear()
        self._put_in(chip, now_s)
        return Done("all pins are straight", self._facts(now_s))

    def _light(self, rest: list[str], now_s: float) -> Done:
        minutes = number(rest[0]) if rest else 0.0
        if not 0 < minutes <= 10_000:
            raise NotUnderstood("say for how many minutes, such as `light 20`")
        chip = self._take_out(now_s)
        dose = _LAMP.expose(chip, minutes * 60, _PLACE)
        self._put_in(chip, now_s)
        words = f"{dose:.1f} J/cm² reached the die" if dose else "it has no window: no light reached the die"
        return Done(
            f"{minutes:g} minutes under the lamp: {words}", {**self._facts(now_s), "dose_j_per_cm2": dose}
        )

    def _take_out(self, now_s: float) -> Chip:
        chip = self._programmer.remove(now_s)
        if chip is None:
            raise NotUnderstood("there is no chip in the socket; `chip blank` puts one in")
        return chip

    def _note_taken(self, chip: Chip | None) -> None:
        if self._tray is not None:
            self._tray.take_from_socket(chip)

    def _put_in(self, chip: Chip, now_s: float) -> None:
        self._programmer.insert(chip, now_s, self._placement)

    # The board

    def _set(self, rest: list[str], now_s: float) -> Done:
        name = _SUPPLIES.get(rest[0].lower()) if rest else None
        if name is None or len(rest) < 2:
            raise NotUnderstood("say which supply and how many volts, such as `set vpp 12.75`")
        volts = number(rest[1])
        if not 0 <= volts <= 30:
            raise NotUnderstood(f"no supply here goes to {volts:g} V")
        self._programmer.turn_trimmer(name, volts, now_s)
        return Done(f"{rest[0].upper()} is set to {volts:g} V", self._facts(now_s))

    def _button(self, rest: list[str], now_s: float) -> Done:
        self._programmer.press_button(now_s)
        return Done("pressed", {})

    def _reset(self, rest: list[str], now_s: float) -> Done:
        self._programmer.reset(now_s)
        return Done("it starts anew", {})

    def _state(self, rest: list[str], now_s: float) -> Done:
        facts = self._facts(now_s)
        volts = f"VCC {facts['vcc_v']:.2f} V, VPP {facts['vpp_v']:.2f} V"
        times = facts["switched_on"]
        power = f"supplies switched on {times} time{'s' if times != 1 else ''} since the chip came"
        return Done(f"{self._words()}; {volts}; {power}", facts)

    def _count(self) -> int:
        return sum(self._programmer.supplies.named(name).switch_ons for name in SupplyName)

    def _words(self) -> str:
        chip = self._programmer.socket.chip
        if chip is None:
            return "nothing"
        folded = "".join(f", pin {pin['pin']} ({pin['signal']}) folded" for pin in self._folded(chip))
        return f"{chip.part.name} ({self._label}, seed {self._seed}){folded}"

    def _facts(self, now_s: float) -> dict[str, Any]:
        chip, rails = self._programmer.socket.chip, self._programmer.rails(now_s)
        return {
            "chip": None if chip is None else chip.part.name,
            "kind": None if chip is None else self._label,
            "seed": self._seed,
            "reversed": chip is not None and self._placement.reversed,
            "folded": [] if chip is None else self._folded(chip),
            "damage": None if chip is None else chip.damage,
            "vcc_v": round(rails.vcc_v, 3),
            "vpp_v": round(rails.vpp_v, 3),
            "switched_on": self._count() - self._switch_ons,
        }

    def _folded(self, chip: Chip) -> list[dict[str, Any]]:
        """Return the pins without contact; on a chip that is shifted they are no folded ones."""
        if self._placement.shift:
            return []
        touching = self._programmer.socket.contacts()
        return [
            {"pin": pin, "signal": name} for pin, name in enumerate(chip.part.pins, 1) if pin not in touching
        ]
