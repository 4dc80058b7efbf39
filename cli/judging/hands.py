"""The builder's hands: what a check asks of whoever sits at the board."""

import sys

from cli.out import Out


class AskedHands:
    """Asks on the terminal and believes the answer."""

    def __init__(self, out: Out) -> None:
        self._out = out

    def set_supply(self, name: str, value_mv: int) -> bool:
        """Ask for a supply to be set by hand, against a meter."""
        words = f"Set {name} to {value_mv / 1000:g} V, measured ahead of its switch."
        return self._asked(f"{words} Enter when it is set, n to leave this out: ")

    def reset(self) -> bool:
        """Ask for the board to be restarted while the check watches."""
        self._out.note("Press the board's reset button now, and keep the port plugged in.", "bold")
        return True

    def _asked(self, words: str) -> bool:
        print(words, end="", file=sys.stderr, flush=True)
        line = sys.stdin.readline()
        return bool(line) and not line.strip().lower().startswith("n")
