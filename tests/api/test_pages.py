"""The static pages keep the policy that the guard sends with them, and need nothing from elsewhere."""

import re
from importlib.resources import files
from typing import Any

import pytest

from api.pages import PAGES

KINDS = {"css": "text/css", "html": "text/html", "js": "text/javascript", "svg": "image/svg+xml"}
STATIC = files("api").joinpath("static")


def text(name: str) -> str:
    return STATIC.joinpath(name).read_text(encoding="utf-8")


@pytest.mark.parametrize("path", PAGES)
def test_each_page_is_served_without_a_token(memory_client: Any, app: Any, path: str) -> None:
    answer = memory_client(app).get(path)
    assert answer.status_code == 200
    assert answer.headers["cache-control"] == "no-cache"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["content-type"].split(";")[0] == KINDS[PAGES[path].rpartition(".")[2]]
    assert answer.content == STATIC.joinpath(PAGES[path]).read_bytes()


def test_every_file_is_served_and_every_served_file_is_there() -> None:
    assert {each.name for each in STATIC.iterdir()} == set(PAGES.values())


@pytest.mark.parametrize(
    "path", ["/assets/", "/assets/../app.py", "/assets/%2e%2e/app.py", "/assets/nothing.js"]
)
def test_nothing_else_is_served(client: Any, path: str) -> None:
    assert client.get(path).status_code == 404


@pytest.mark.parametrize("name", [name for name in PAGES.values() if name.endswith(".html")])
def test_pages_have_no_inline_script_or_style_and_load_only_our_files(name: str) -> None:
    page = text(name)
    for script in re.findall(r"<script\b[^>]*>(.*?)</script>", page, re.S):
        assert script.strip() == ""
    assert "<style" not in page
    assert not re.search(r"\sstyle\s*=", page)
    assert not re.search(r"\son[a-z]+\s*=", page)
    loaded = re.findall(r"<(?:script|link|img)\b[^>]*?\b(?:src|href)=\"([^\"]+)\"", page)
    assert loaded
    assert set(loaded) <= set(PAGES)
    assert '<html lang="en">' in page
    assert "<title>" in page


@pytest.mark.parametrize("name", [name for name in PAGES.values() if name.endswith((".js", ".css"))])
def test_scripts_and_styles_reach_for_nothing_elsewhere_and_run_no_text(name: str) -> None:
    source = text(name)
    assert not re.search(r"https?://", source)
    assert "@import" not in source
    for dangerous in ("eval(", "innerHTML", "outerHTML", "insertAdjacentHTML", "document.write", "Function("):
        assert dangerous not in source
    assert "localStorage" not in source


def test_scripts_import_only_what_is_served() -> None:
    for name in PAGES.values():
        if name.endswith(".js"):
            for imported in re.findall(r"from \"\./([^\"]+)\"", text(name)):
                assert imported in PAGES.values()
