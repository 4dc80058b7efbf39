"""Images: content to be programmed, as addressed bytes identified by SHA-256.

Content goes through these rooms in order: `load` finds the format and reads the file (`detect`, `intel_hex`,
`s_record`, `elf`, `assemble`), `fit` makes the exact content of one part, `facts` gives the figures by which
people compare content, and `dump` writes a file again.

What rearranges an image is a recipe, a list of `steps`: `recipe` reads one, runs it and turns its result back
into the file; `moves` and `fixes` do what the steps say, `transform` puts them in a row, `address_map` tells
where bytes came from. `line_order` finds out how a board connects lines, `patterns` makes contents to test
boards with, `repeats` and `hexdump` show what content is like.

Importing this package is cheap: numpy and bincopy are imported by the functions that need them.
"""

from daemon.images.detect import MAX_SPAN_BYTES, LoadedImage, detect, load
from daemon.images.facts import ContentFacts, content_facts
from daemon.images.fit import FittedContent, fit
from daemon.images.model import Image, ImageFormat, Range, Segment
from daemon.images.save import dump

__all__ = [
    "MAX_SPAN_BYTES",
    "ContentFacts",
    "FittedContent",
    "Image",
    "ImageFormat",
    "LoadedImage",
    "Range",
    "Segment",
    "content_facts",
    "detect",
    "dump",
    "fit",
    "load",
]
