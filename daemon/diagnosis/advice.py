"""What a cause is called, and what to do about it, in plain words."""

from collections.abc import Callable, Mapping

from daemon.catalogue.model import Part
from daemon.catalogue.terms import EraseMethod
from daemon.diagnosis.causes import Cause, Fault

_PINS = "Take the chip out, straighten and clean the pin, look into the socket, and try again."
_RESEAT = "Take the chip out and put it in again a few times, clean its pins and the socket, and try again."
_FILE = "Take the right file, or prepare it the right way; then erase the chip and program it."


def headline(fault: Fault, part: Part) -> str:
    """Return the cause in words, without a full stop."""
    return _WORDS[fault.cause](fault, part)


def advice(fault: Fault, part: Part) -> str:
    """Return what to do, as sentences."""
    if fault.cause in (Cause.NOT_FULLY_ERASED, Cause.NOT_ERASED, Cause.CHIP_PROGRAMMED):
        return _erase(fault, part)
    return _ADVICE[fault.cause]


def pin_words(pins: tuple[int, ...], part: Part) -> str:
    """Return pins as one points at them: `pin 12 (D1)`."""
    named = [f"{pin} ({part.signal_of(pin)})" for pin in pins]
    if not named:
        return "a pin"
    if len(named) == 1:
        return f"pin {named[0]}"
    return f"pins {', '.join(named[:-1])} and {named[-1]}"


def _erase(fault: Fault, part: Part) -> str:
    match part.erase.method:
        case EraseMethod.UV if fault.cause is Cause.NOT_FULLY_ERASED:
            return "Expose it longer: blank at the nominal supply is not erased yet at a lower one."
        case EraseMethod.UV:
            return "If nobody needs what it holds, expose it; else read it first and keep the file."
        case EraseMethod.ELECTRICAL:
            return "If nobody needs what it holds, erase it by an erase job; else read it first."
        case _:
            return "This part cannot be erased: use a fresh one."


def _of(words: str) -> Callable[[Fault, Part], str]:
    return lambda _fault, _part: words


def _image(fault: Fault, _part: Part) -> str:
    return f"the chip holds another image of this bench: {fault.detail('words') or fault.detail('name')}"


def _older(fault: Fault, _part: Part) -> str:
    words = fault.detail("words") or fault.detail("name")
    return f"the chip holds another version of the image, one that this bench has: {words}"


def _shift(fault: Fault, _part: Part) -> str:
    shift = int(fault.detail("shift_bytes") or 0)
    where = "too high" if shift > 0 else "too low"
    return f"the image stands {abs(shift)} bytes {where} in the chip"


def _header(fault: Fault, part: Part) -> str:
    shift = int(fault.detail("shift_bytes") or 0)
    which = "the chip's file had" if shift > 0 else "the image has"
    return f"{_shift(fault, part)}: {which} a header of {abs(shift)} bytes that was not skipped"


def _half(fault: Fault, _part: Part) -> str:
    if fault.detail("exchanged"):
        return "the chip holds the image with its halves exchanged"
    return f"the chip holds another stretch of the image: {fault.detail('words')}"


def _other(fault: Fault, _part: Part) -> str:
    if stretches := fault.detail("stretches"):
        some = f"{fault.detail('differing_words'):,} words in {stretches:,} stretches differ"
        return f"the chip holds another version of the image, which this bench has not: {some}"
    return "the chip holds something else, which no image of this bench is"


def _programmed(fault: Fault, _part: Part) -> str:
    words = fault.detail("words")
    return f"the chip is programmed: {words}" if words else "the chip is programmed with something"


def _wrong_part(fault: Fault, part: Part) -> str:
    if fault.detail("unsigned"):
        return f"the chip has no signature, so it is no {part.name} of this maker's present make"
    names = fault.detail("names")
    return f"the chip is another part than {part.name}" + (f": {names}" if names else "")


def _silent(_fault: Fault, part: Part) -> str:
    return f"the {part.name} does not answer: not selected, not powered, or not there"


def _shifted(fault: Fault, _part: Part) -> str:
    rows = fault.detail("rows")
    if not rows:
        return "the chip sits askew or a row too far"
    return f"the chip sits {rows} row{'s' if rows > 1 else ''} too far towards the socket's pin 1"


def _volts(name: str, how: str) -> Callable[[Fault, Part], str]:
    def words(fault: Fault, _part: Part) -> str:
        measured = fault.detail("measured_v")
        return f"{name} {how}" + (f", measured {measured:.2f} V" if measured else "")

    return words


def _stuck(fault: Fault, part: Part) -> str:
    level = fault.detail("level")
    return f"the line of {pin_words(fault.pins, part)} is always {level}, though its pin may touch well"


def _partly(fault: Fault, _part: Part) -> str:
    return f"the chip holds the image up to {fault.detail('upto_bytes'):#x} and is blank from there on"


def _loose(fault: Fault, part: Part) -> str:
    where = pin_words(fault.pins, part) if fault.pins else "a pin that did not show this time"
    return f"{where} touches only now and then"


_WORDS: Mapping[Cause, Callable[[Fault, Part], str]] = {
    Cause.NO_CHIP: _of("no chip is in the socket"),
    Cause.CHIP_REVERSED: _of("the chip is in backwards"),
    Cause.CHIP_SHIFTED: _shifted,
    Cause.PIN_OPEN: lambda f, p: f"{pin_words(f.pins, p)} makes no contact: folded, dirty, or a tired socket",
    Cause.PIN_SHORTED: lambda f, p: f"{pin_words(f.pins, p)} is shorted to {f.detail('to') or 'something'}",
    Cause.PINS_BRIDGED: lambda f, p: (
        f"{pin_words(f.pins, p)} {'touch' if len(f.pins) > 1 else 'touches a'}"
        f" {'each other' if len(f.pins) > 1 else 'neighbour'}"
    ),
    Cause.LINES_EXCHANGED: lambda f, p: f"the lines of {pin_words(f.pins, p)} are exchanged",
    Cause.LINE_STUCK: _stuck,
    Cause.CONTACT_INTERMITTENT: _loose,
    Cause.CHIP_SILENT: _silent,
    Cause.WRONG_PART: _wrong_part,
    Cause.HALF_SIZE: lambda f, p: f"the chip answers as one of half the size of a {p.name}",
    Cause.CHIP_BLANK: _of("the chip is blank"),
    Cause.ALL_PROGRAMMED: _of("every bit of the chip is programmed"),
    Cause.CHIP_PROGRAMMED: _programmed,
    Cause.OTHER_CONTENT: _other,
    Cause.OLDER_IMAGE: _older,
    Cause.OTHER_IMAGE: _image,
    Cause.EVEN_ODD_EXCHANGED: lambda f, p: f"even and odd are exchanged: {f.detail('words')}",
    Cause.BYTES_EXCHANGED: _of("the chip holds the image with its bytes exchanged in pairs"),
    Cause.WORDS_EXCHANGED: _of("the chip holds the image with even and odd words exchanged"),
    Cause.WRONG_HALF: _half,
    Cause.HEADER: _header,
    Cause.OFFSET: _shift,
    Cause.INVERTED: _of("the chip holds the image with every bit inverted"),
    Cause.BITS_REVERSED: _of("the chip holds the image with the data lines of each byte in reverse order"),
    Cause.PARTLY_PROGRAMMED: _partly,
    Cause.NOT_FULLY_ERASED: _of("the chip is not fully erased: bits come and go with the supply"),
    Cause.NOT_ERASED: _of("the chip was not erased before it was programmed: old bits shine through"),
    Cause.WEAK_CELLS: _of("a few cells are weak: programmed bits read 1 at a higher supply"),
    Cause.UNDER_PROGRAMMED: _of("the chip is programmed too weakly as a whole"),
    Cause.CELLS_STUCK: _of("a few cells are stuck"),
    Cause.VPP_WRONG: _volts("VPP", "is not what the part wants"),
    Cause.VPP_SAGS: _volts("VPP", "gives way under load"),
    Cause.VCC_WRONG: _volts("VCC", "is not what was asked for"),
    Cause.OVER_CURRENT: _of("the chip draws too much current: it is destroyed or shorted inside"),
    Cause.WRITE_PROTECTED: _of("the chip is write-protected: it took nothing"),
    Cause.WORN: _of("the chip is worn or damaged: it takes no more programming"),
    Cause.UNKNOWN: _of("none of the known causes explains what was seen"),
}

_ADVICE: Mapping[Cause, str] = {
    Cause.NO_CHIP: "Insert the chip with pin 1 at the socket's mark and close the lever.",
    Cause.CHIP_REVERSED: "Turn the chip by half a turn: its notch marks pin 1's end.",
    Cause.CHIP_SHIFTED: "Move it: a package goes to the bottom end of the socket, and lies flat.",
    Cause.PIN_OPEN: _PINS,
    Cause.PIN_SHORTED: "Take the chip out and look for solder, dirt or a bent pin; try the socket empty.",
    Cause.PINS_BRIDGED: "Take the chip out and look for solder, dirt or bent pins between the two.",
    Cause.LINES_EXCHANGED: "Compare the adapter's wiring with the pinout, or reorder the image's lines.",
    Cause.LINE_STUCK: "Try another chip: if that is well, this one is dead inside; if not, the programmer's"
    " driver or the adapter is.",
    Cause.CONTACT_INTERMITTENT: _RESEAT,
    Cause.CHIP_SILENT: "Look at the select, output and supply pins, and whether it is the right way round.",
    Cause.WRONG_PART: "Look at the marking and choose the part that it names; chips with another VPP can be"
    " destroyed by the wrong one.",
    Cause.HALF_SIZE: "Look at the marking and its print: it may be remarked, or a smaller part. Use another.",
    Cause.CHIP_BLANK: "Program it.",
    Cause.ALL_PROGRAMMED: "Erase it; if it then still reads 00, its outputs are shorted.",
    Cause.OTHER_CONTENT: "Is it the right chip and image? Read it and keep the file before erasing.",
    Cause.OLDER_IMAGE: "If the newer image is meant, erase and program; if the older, verify against that.",
    Cause.OTHER_IMAGE: "Take the right chip or the right image.",
    Cause.EVEN_ODD_EXCHANGED: "Exchange the two chips of the pair: it goes in the other position.",
    Cause.BYTES_EXCHANGED: _FILE,
    Cause.WORDS_EXCHANGED: _FILE,
    Cause.WRONG_HALF: "Take the right half of the image, or put the chip into the other position.",
    Cause.HEADER: "Skip the header (offset or a step of the recipe), then erase and program.",
    Cause.OFFSET: "Set the offset right, then erase and program.",
    Cause.INVERTED: _FILE,
    Cause.BITS_REVERSED: _FILE,
    Cause.PARTLY_PROGRAMMED: "Program it again with the whole image: what is blank needs no erasing.",
    Cause.WEAK_CELLS: "Program it once more over what it holds, or erase it and program afresh; verify it"
    " at all supplies.",
    Cause.UNDER_PROGRAMMED: "Check VPP at the socket under load, and the pulse; then program once more.",
    Cause.CELLS_STUCK: "Erase it and try once more; if the same bits stay, mark the chip and use another.",
    Cause.VPP_WRONG: "Measure VPP at the socket with the socket empty, and set or mend the supply.",
    Cause.VPP_SAGS: "Measure VPP under load; a weak converter or a long cable gives way.",
    Cause.VCC_WRONG: "Measure VCC at the socket, and set or mend the supply.",
    Cause.OVER_CURRENT: "Take the chip out at once, and feel whether it is hot: use another.",
    Cause.WRITE_PROTECTED: "Take the protection off (its unlock sequence), then program again.",
    Cause.WORN: "Mark the chip and use another.",
    Cause.UNKNOWN: "Clean the pins and try again; try another chip of the same kind to see whether chip or"
    " programmer is at fault.",
}
