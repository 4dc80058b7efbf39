"""The static pages: the bench page and the documentation, with their scripts, style and icon.

They are our own files, served from the package: nothing comes from another site, so they work on a bench
without internet and under a policy that allows no inline script. They hold no data and need no token.
"""

from importlib.resources import files

from fastapi import APIRouter, Response

_TYPES = {
    ".css": "text/css; charset=utf-8",
    ".html": "text/html; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}

PAGES = {
    "/": "index.html",
    "/docs": "docs.html",
    **{
        f"/assets/{name}": name
        for name in (
            *(
                "batches.js",
                "bench.js",
                "client.js",
                "docs.js",
                "elements.js",
                "exposure_views.js",
                "exposures.js",
            ),
            *("icon.svg", "look.css", "views.js"),
        )
    },
}
"""Each path and its file. Paths are looked up here and never joined, so none can leave the folder."""

router = APIRouter(include_in_schema=False)


def _serve(path: str, name: str) -> None:
    def page() -> Response:
        content = files("api").joinpath("static", name).read_bytes()
        kind = _TYPES[name[name.rindex(".") :]]
        # Asked for anew each time, so that a page never meets a daemon of another version.
        return Response(content, headers={"Content-Type": kind, "Cache-Control": "no-cache"})

    router.add_api_route(path, page, methods=["GET", "HEAD"], name=name, response_model=None)


for _path, _name in PAGES.items():
    _serve(_path, _name)
