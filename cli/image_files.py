"""Image files on the user's disk: up to the daemon, and back without overwriting anything."""

import os
import re
from pathlib import Path
from typing import Any

from cli.client import BenchClient
from cli.exit_codes import Exit
from cli.failure import Failure
from cli.options import FileFormat
from cli.out import Out, bytes_words

_DIGEST = re.compile(r"[0-9a-fA-F]{8,64}")
_SUFFIXES = {
    ".hex": FileFormat.INTEL_HEX,
    ".ihex": FileFormat.INTEL_HEX,
    ".mot": FileFormat.S_RECORD,
    ".s19": FileFormat.S_RECORD,
    ".s28": FileFormat.S_RECORD,
    ".s37": FileFormat.S_RECORD,
    ".srec": FileFormat.S_RECORD,
}


def image_for(client: BenchClient, out: Out, name: str, format: FileFormat | None) -> str:
    """Return the digest of the image that `name` means: a file, which is uploaded, or a digest itself."""
    path = Path(name).expanduser()
    if not path.exists() and _DIGEST.fullmatch(name):
        return str(client.get(f"/v1/images/{name.lower()}")["sha256"])
    return str(upload(client, out, path, format)["sha256"])


def upload(client: BenchClient, out: Out, path: Path, format: FileFormat | None) -> dict[str, Any]:
    """Hand a file to the daemon and say what it was taken for."""
    try:
        content = path.read_bytes()
    except OSError as error:
        raise Failure(
            Exit.USAGE,
            f"{path}: {error.strerror or error}",
            "Name an image file, or the first 8 or more digits of an uploaded image's SHA-256.",
        ) from error
    if not content:
        raise Failure(Exit.USAGE, f"{path}: the file is empty", "Name a file with content.")
    image: dict[str, Any] = client.upload(
        "/v1/images", content, name=_label(path), format=format.value if format else None
    )
    size, crc = bytes_words(image["size_bytes"]), image["facts"]["crc32"]
    out.note(f"{path.name}: {size}, {image['format']}, CRC-32 {crc}")
    for warning in image.get("warnings", []):
        out.note(f"{path.name}: {warning}", "yellow")
    return image


def format_for(path: Path, format: FileFormat | None) -> FileFormat:
    """Return the format to write: the one asked for, else the one its name suggests, else plain bytes."""
    return format or _SUFFIXES.get(path.suffix.lower(), FileFormat.RAW)


def refuse_existing(path: Path, *, replace: bool) -> None:
    """Refuse to overwrite a file, before the chip is read for nothing."""
    if path.exists() and not replace:
        raise Failure(
            Exit.USAGE,
            f"{path} exists already",
            "It may be the only copy of something: choose another name, or add --replace.",
        )
    if not path.parent.is_dir():
        raise Failure(Exit.USAGE, f"{path.parent}: there is no such folder", "Make it first.")


def save(path: Path, content: bytes, *, replace: bool) -> None:
    """Write a file whole or not at all."""
    refuse_existing(path, replace=replace)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise Failure(Exit.USAGE, f"{path}: cannot be written ({error.strerror})") from error


def _label(path: Path) -> str:
    """Return the file's name as a label; characters that cannot be printed are replaced."""
    return "".join(char if char.isprintable() else "_" for char in path.name)[:200]
