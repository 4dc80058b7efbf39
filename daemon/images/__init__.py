"""Images: content to be programmed, as addressed bytes identified by SHA-256.

Content goes through these rooms in order: `load` finds the format and reads the file (`detect`, `intel_hex`,
`s_record`, `assemble`), `fit` makes the exact content of one part, `facts` gives the figures by which people
compare content, and `dump` writes a file again. What rearranges an image (halves, even and odd bytes, byte
swap) belongs between `load` and `fit`, as functions from `Image` to `Image`.

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
