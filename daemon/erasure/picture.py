"""The tray as a picture: characters for a terminal, SVG for everything else."""

from collections.abc import Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

from daemon.erasure.tray import Footprint, Place, TrayMap

_SHADES = " .:-=+*#%@"
_MARKS = "123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
_MARGIN_MM = 12


@dataclass(frozen=True, slots=True)
class Lying:
    """A chip on the tray: its place, its size, and its label."""

    place: Place
    footprint: Footprint
    label: str = ""


def mark_of(index: int) -> str:
    """Return the one character that stands for chip `index` (from 0) in a terminal picture."""
    return _MARKS[index] if index < len(_MARKS) else "o"


def text_picture(light: TrayMap, chips: Sequence[Lying] = ()) -> list[str]:
    """Return lines of characters, darker to brighter ` .:-=+*#%@` in tenths of the brightest field.

    Chips stand as 1 to 9, A to Z, a to z in their order, further ones as `o`.
    """
    lines = [
        [_SHADES[min(int(field / light.highest * len(_SHADES)), len(_SHADES) - 1)] for field in row]
        for row in light.rows
    ]
    for index, chip in enumerate(chips):
        line = _field(chip.place.across_mm, light.tray.across_mm, len(lines))
        column = _field(chip.place.along_mm, light.tray.along_mm, len(lines[0]))
        lines[line][column] = mark_of(index)
    edge = f"+{'-' * len(lines[0])}+"
    return [edge, *(f"|{''.join(line)}|" for line in lines), edge]


def _field(at_mm: float, length_mm: float, count: int) -> int:
    return min(max(int((at_mm / length_mm + 0.5) * count), 0), count - 1)


def svg_picture(light: TrayMap, chips: Sequence[Lying] = (), *, title: str = "Tray under the lamp") -> str:
    """Return the tray as an SVG document, 1 mm a unit: fields by brightness, chips with label and irradiance.

    It holds no script, no link and no style from elsewhere; every text is escaped.
    """
    tray = light.tray
    width, height = tray.along_mm + 2 * _MARGIN_MM, tray.across_mm + 3 * _MARGIN_MM
    below = tray.across_mm + 2 * _MARGIN_MM - 3
    words = (
        f"{light.lowest:.2g} to {light.highest:.2g} mW/cm² when new, warm and clean; tray"
        f" {tray.along_mm:g} by {tray.across_mm:g} mm"
    )
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" width="{3 * width:g}"'
        f' height="{3 * height:g}" role="img" aria-label="{_quoted(title)}: {_quoted(words)}"'
        ' font-family="sans-serif">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{width:g}" height="{height:g}" fill="#ffffff"/>',
        *_fields(light),
        *(line for index, chip in enumerate(chips) for line in _chip(light, index, chip)),
        f'<text x="{_MARGIN_MM}" y="{_MARGIN_MM - 4}" font-size="5">{escape(title)}</text>',
        f'<text x="{_MARGIN_MM}" y="{below:g}" font-size="4">{escape(words)}</text>',
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _fields(light: TrayMap) -> list[str]:
    tray, wide, high = light.tray, len(light.rows[0]), len(light.rows)
    size = f'width="{tray.along_mm / wide:.3f}" height="{tray.across_mm / high:.3f}"'
    return [
        f'<rect x="{_MARGIN_MM + tray.along_mm * column / wide:.3f}"'
        f' y="{_MARGIN_MM + tray.across_mm * line / high:.3f}" {size}'
        f' fill="#6a3d9a" fill-opacity="{field / light.highest:.3f}"/>'
        for line, row in enumerate(light.rows)
        for column, field in enumerate(row)
    ]


def _chip(light: TrayMap, index: int, chip: Lying) -> list[str]:
    place, size = chip.place, chip.footprint
    middle_x = _MARGIN_MM + light.tray.along_mm / 2 + place.along_mm
    middle_y = _MARGIN_MM + light.tray.across_mm / 2 + place.across_mm
    light_here = f"{place.new_irradiance_mw_per_cm2:.2g}"
    label = f"{mark_of(index)} {chip.label}".strip()
    text = (
        'text-anchor="middle" font-size="3.5" fill="#000000" stroke="#ffffff" stroke-width="0.6"'
        ' paint-order="stroke"'
    )
    return [
        f'<rect x="{middle_x - size.along_mm / 2:.2f}" y="{middle_y - size.across_mm / 2:.2f}"'
        f' width="{size.along_mm:g}" height="{size.across_mm:g}" fill="none" stroke="#000000"/>',
        f'<text x="{middle_x:.2f}" y="{middle_y - 0.5:.2f}" {text}>{escape(label)}</text>',
        f'<text x="{middle_x:.2f}" y="{middle_y + 4:.2f}" {text}>{light_here}</text>',
    ]


def _quoted(text: str) -> str:
    return escape(text, {'"': "&quot;"})
