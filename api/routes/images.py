"""Images: upload, list, show, download, delete."""

import re
from functools import partial
from typing import Annotated, Any

from anyio import to_thread
from fastapi import APIRouter, Path, Query, Request, Response

from api.schemas.images import ImageDetails, ImageList
from api.wiring import PLAIN, BenchHere
from daemon.images.model import ImageFormat

PATH = "/v1/images"

router = APIRouter(prefix=PATH, tags=["images"])

ImageId = Annotated[
    str, Path(pattern=r"^[0-9a-fA-F]{8,64}$", description="SHA-256, or its first 8 digits or more.")
]
Format = Annotated[ImageFormat, Query(description="The format to write.")]

_FILE_TYPES = {
    ImageFormat.RAW: ("application/octet-stream", ".bin"),
    ImageFormat.INTEL_HEX: ("text/plain; charset=us-ascii", ".hex"),
    ImageFormat.S_RECORD: ("text/plain; charset=us-ascii", ".s19"),
}
_UNSAFE = re.compile(r"[^A-Za-z0-9._-]+")
FILE_RESPONSES: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The file.",
        "content": {
            "application/octet-stream": {"schema": {"type": "string", "format": "binary"}},
            "text/plain": {"schema": {"type": "string"}},
        },
    }
}
_UPLOAD = {
    "requestBody": {
        "required": True,
        "description": "The bytes of the file as they are: raw content, Intel HEX, S-records or ELF.",
        "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
    }
}


async def add_image(
    bench: BenchHere,
    request: Request,
    response: Response,
    name: Annotated[
        str | None, Query(max_length=200, pattern=PLAIN, description="What you call it; only a label.")
    ] = None,
    format: Annotated[
        ImageFormat | None, Query(description="The format of the file; left out: found from its content.")
    ] = None,
) -> ImageDetails:
    """Take in an image: the file's bytes are the body.

    The same content again changes nothing and gives the same SHA-256.
    """
    data = await request.body()
    view = await to_thread.run_sync(partial(bench.add_image, data, name=name, format=format))
    response.headers["Location"] = f"{PATH}/{view.sha256}"
    return ImageDetails.of(view)


def upload_router(limit_bytes: int) -> APIRouter:
    """Return a router with the one route that takes a large body, of up to `limit_bytes`."""
    uploads = APIRouter(tags=["images"])
    uploads.add_api_route(
        PATH,
        add_image,
        methods=["POST"],
        status_code=201,
        openapi_extra=_UPLOAD,
        max_body_size=limit_bytes,
    )
    return uploads


@router.get("")
def list_images(bench: BenchHere) -> ImageList:
    """List the images that the bench keeps, newest first."""
    return ImageList(images=[ImageDetails.of(view) for view in bench.images()])


@router.get("/{sha256}")
def show_image(bench: BenchHere, sha256: ImageId) -> ImageDetails:
    """Show an image: where its content lies, and figures to compare it by."""
    return ImageDetails.of(bench.image(sha256.lower()))


@router.head("/{sha256}")
def has_image(bench: BenchHere, sha256: ImageId) -> Response:
    """Say whether an image is here already, so that it need not be sent again."""
    bench.image(sha256.lower())
    return Response()


@router.delete("/{sha256}", status_code=204)
def delete_image(bench: BenchHere, sha256: ImageId) -> None:
    """Forget an image and its content. Refused while a job that has not ended needs it."""
    bench.delete_image(sha256.lower())


@router.get("/{sha256}/content", response_class=Response, responses=FILE_RESPONSES)
def image_content(bench: BenchHere, sha256: ImageId, format: Format = ImageFormat.RAW) -> Response:
    """Download an image, in any of the formats."""
    view = bench.image(sha256.lower())
    return file_answer(bench.image_content(view.sha256, format), view.name, format)


def file_answer(content: bytes, name: str, format: ImageFormat) -> Response:
    """Return a file for download; what is odd in its name is replaced by underscores."""
    kind, suffix = _FILE_TYPES[format]
    stem = _UNSAFE.sub("_", name.rpartition(".")[0] or name).strip("._") or "image"
    return Response(
        content,
        headers={"Content-Type": kind, "Content-Disposition": f'attachment; filename="{stem[:80]}{suffix}"'},
    )
