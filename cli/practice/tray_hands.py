"""What a person can do with a simulated tray: light it, carry chips between it and the socket, clean them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from cli.practice.deeds import Deed, Done, NotUnderstood, number, whole
from daemon.catalogue.model import Part
from simulator.chip.chip import Chip
from simulator.chip.erase_laws import EraseLaw
from simulator.chip.process import Process
from simulator.lamp import TUBES
from simulator.programmer.programmer import VirtualProgrammer
from simulator.stock import demo_content
from simulator.tray import HungTube, OnTray, TrayLamp, VirtualTray

SPREAD = 0.07
"""Spread of ln(dose) of the chips' cells: what a hobbyist's measurement suggests is 0.03 to 0.07."""
_ROW_MM = 160.0
"""Chips lie in a row along the tube unless they are laid elsewhere; it is so long at most."""
_PITCH_MM = 40.0
_SWAP_S = 0.8
"""Between taking a chip out and putting the next one in: quicker than any hand."""
CHIPS_MAX = 40


class Where(StrEnum):
    """Where a chip of the tray is."""

    TRAY = "tray"
    ASIDE = "aside"
    SOCKET = "socket"


@dataclass(slots=True)
class Carried:
    """One chip with its place on the tray."""

    lying: OnTray
    where: Where = Where.TRAY


def row_mm(chips: int) -> list[float]:
    """Return where the chips of a row lie along the tube, mm from its middle."""
    pitch = min(_PITCH_MM, _ROW_MM / max(chips - 1, 1))
    return [(index - (chips - 1) / 2) * pitch for index in range(chips)]


def used_chip(part: Part, seed: int, law: EraseLaw) -> Chip:
    """Return a chip full of demo content whose cells erase by this law."""
    chip = Chip(part, seed, process=Process.of_part(part, seed).with_erase_law(law, SPREAD))
    chip.program_at_maker(demo_content(part, seed))
    return chip


class TrayHands:
    """Hands that carry chips between one tray and one programmer's socket. Not thread-safe.

    Places count from 1, as the daemon counts them. Light falls only on what lies on the tray.
    """

    def __init__(
        self,
        programmer: VirtualProgrammer,
        part: Part,
        chips: int,
        *,
        tubes_mm: Sequence[tuple[str, float]] = (("8W-T5", 0.0),),
        law: EraseLaw = EraseLaw.LOG_NORMAL,
        dirt: float = 1.0,
        seed: int = 1,
    ) -> None:
        self._programmer = programmer
        hung = tuple(HungTube(TUBES[name], sideways_m=across / 1000) for name, across in tubes_mm)
        self.lamp = TrayLamp(hung, dirt=dirt, noise=0.02, seed=seed)
        self.chips = [
            Carried(OnTray(used_chip(part, 100 * seed + place, law), along / 1000))
            for place, along in enumerate(row_mm(chips), 1)
        ]
        self.lit_s = 0.0
        self.deeds: dict[str, Deed] = {
            "light": Deed("MINUTES", "light the lamp over what lies on the tray, from cold", self._light),
            "put": Deed("PLACE", "put a chip of the tray into the socket, in place of what is in", self._put),
            "aside": Deed(
                "PLACES", "lay chips beside the tray: no light falls on them", self._aside, many=True
            ),
            "back": Deed(
                "[PLACES]", "lay chips back on the tray; all, if none is named", self._back, many=True
            ),
            "lay": Deed(
                "PLACE ALONG ACROSS", "lay a chip elsewhere on the tray, mm from its middle", self._lay
            ),
            "window": Deed("PLACE SHARE", "let a dirty window pass so much: 0.5 is half", self._window),
            "clean": Deed("", "clean the lamp and all windows", self._clean),
            "tray": Deed("", "tell where each chip is", self._tell),
        }

    # Light

    def _light(self, rest: list[str], now_s: float) -> Done:
        minutes = number(rest[0]) if rest else 0.0
        if not 0 < minutes <= 10_000:
            raise NotUnderstood("say for how many minutes, such as `light 20`")
        under = [each.lying for each in self.chips if each.where is Where.TRAY]
        doses = VirtualTray(self.lamp, under).expose(minutes * 60)
        self.lit_s += minutes * 60
        if not under:
            return Done(f"{minutes:g} minutes of light on an empty tray", self._facts())
        reached = f"{min(doses):.1f} to {max(doses):.1f} J/cm² reached {len(under)} dies"
        return Done(f"{minutes:g} minutes of light: {reached}", {**self._facts(), "doses_j_per_cm2": doses})

    # Carrying

    def _put(self, rest: list[str], now_s: float) -> Done:
        carried = self._at(rest)
        if self._programmer.socket.chip is not None:
            self._take_from_socket(now_s)
            words = f"the socket is empty; chip {rest[0]} is on its way"
            return Done(words, self._facts(), then=f"put {rest[0]}", after_s=_SWAP_S)
        self._programmer.insert(carried.lying.chip, now_s)
        carried.where = Where.SOCKET
        return Done(f"chip {rest[0]} is in the socket", self._facts())

    def _aside(self, rest: list[str], now_s: float) -> Done:
        return self._carry(rest or self._names(), Where.ASIDE, now_s)

    def _back(self, rest: list[str], now_s: float) -> Done:
        return self._carry(rest or self._names(), Where.TRAY, now_s)

    def _carry(self, names: list[str], where: Where, now_s: float) -> Done:
        for name in names:
            carried = self._at([name])
            if carried.where is Where.SOCKET:
                self._take_from_socket(now_s)
            carried.where = where
        told = "on the tray" if where is Where.TRAY else "beside the tray"
        return Done(f"{told} now: {', '.join(names)}", self._facts())

    def take_from_socket(self, chip: Chip | None) -> None:
        """Note that a chip was taken out of the socket by other hands: it lies beside the tray then."""
        for each in self.chips:
            if chip is not None and each.lying.chip is chip:
                each.where = Where.ASIDE

    def _take_from_socket(self, now_s: float) -> None:
        self.take_from_socket(self._programmer.remove(now_s))

    def _lay(self, rest: list[str], now_s: float) -> Done:
        carried = self._at(rest)
        along, across = (number(text) for text in (*rest[1:], "0", "0")[:2])
        if len(rest) < 2 or abs(along) > 1000 or abs(across) > 1000:
            raise NotUnderstood("say where, in mm from the middle, such as `lay 3 -75 0`")
        carried.lying.along_m, carried.lying.sideways_m = along / 1000, across / 1000
        return Done(f"chip {rest[0]} lies {along:g} mm along, {across:g} mm across", self._facts())

    # Dirt

    def _window(self, rest: list[str], now_s: float) -> Done:
        carried = self._at(rest)
        share = number(rest[1]) if len(rest) > 1 else -1.0
        if not 0 <= share <= 1:
            raise NotUnderstood("say what its window lets pass, such as `window 3 0.5`")
        carried.lying.window = share
        return Done(f"the window of chip {rest[0]} passes {share:.0%}", self._facts())

    def _clean(self, rest: list[str], now_s: float) -> Done:
        self.lamp.dirt = 1.0
        for each in self.chips:
            each.lying.window = 1.0
        return Done("the lamp and all windows are clean", self._facts())

    # Telling

    def _tell(self, rest: list[str], now_s: float) -> Done:
        words = []
        for place, each in enumerate(self.chips, 1):
            along, across = each.lying.along_m * 1000, each.lying.sideways_m * 1000
            dirt = "" if each.lying.window == 1 else f"  window {each.lying.window:.0%}"
            words.append(f"  {place:>2}  {each.where:<6}  {along:>5.0f} {across:>5.0f} mm{dirt}")
        return Done("\n".join([f"lit for {self.lit_s / 60:g} min in all", *words]), self._facts())

    def _at(self, rest: list[str]) -> Carried:
        place = whole(rest[0]) if rest else 0
        if not 1 <= place <= len(self.chips):
            raise NotUnderstood(f"say which chip: 1 to {len(self.chips)}")
        return self.chips[place - 1]

    def _names(self) -> list[str]:
        return [str(place) for place in range(1, len(self.chips) + 1)]

    def _facts(self) -> Mapping[str, Any]:
        return {
            "lit_s": self.lit_s,
            "tray": {str(place): each.where.value for place, each in enumerate(self.chips, 1)},
        }
