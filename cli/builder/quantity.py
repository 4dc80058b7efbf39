"""Values as people write them: 4.7k, 100n, 22u."""

_PREFIXES = {"p": 1e-12, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6}
_SHOWN = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p"))


def parse_quantity(text: str) -> float:
    """Return the value of a number with an optional prefix from p to M. Raises ValueError."""
    text = text.strip()
    prefix = text[-1:] if text[-1:] in _PREFIXES and text[-1:] else ""
    number = float(text[: len(text) - len(prefix)])
    if not 0 <= number < 1e12:
        raise ValueError(f"{text} is not a value of 0 or more")
    return number * _PREFIXES[prefix]


def show_quantity(value: float, unit: str) -> str:
    """Return a value to four figures, with the prefix that suits it."""
    if value == 0:
        return f"0 {unit}"
    size, prefix = next((each for each in _SHOWN if abs(value) >= each[0] * 0.9999), _SHOWN[-1])
    return f"{value / size:.4g} {prefix}{unit}"
