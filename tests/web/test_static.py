"""The page's files: found by exact name only, packed, with validators."""

from __future__ import annotations

import gzip
from pathlib import Path
from typing import Any

import pytest
from yarl import URL

from bridge.web.static import PAGE, Page


@pytest.fixture
def page(tmp_path: Path) -> Page:
    (tmp_path / "js").mkdir()
    (tmp_path / "index.html").write_text("<!doctype html>" + "<p>tide</p>" * 50, encoding="utf-8")
    (tmp_path / "js" / "main.js").write_text("export const tide = 1;\n" * 50, encoding="utf-8")
    (tmp_path / ".secret").write_text("x", encoding="utf-8")
    (tmp_path.parent / "outside.txt").write_text("x", encoding="utf-8")
    return Page(tmp_path)


def test_only_files_of_the_folder_are_found(page: Page) -> None:
    assert page.find("index.html") is not None
    assert page.find("js/main.js") is not None
    for name in (
        "../outside.txt",
        "js/../index.html",
        "/etc/passwd",
        "js",
        "",
        ".secret",
        "index.html\0",
        "INDEX.HTML",
        "js//main.js",
    ):
        assert page.find(name) is None, name


def test_a_changed_file_is_read_again(page: Page, tmp_path: Path) -> None:
    first = page.find("index.html")
    assert page.find("index.html") is first
    (tmp_path / "index.html").write_text("<!doctype html>new", encoding="utf-8")
    again = page.find("index.html")
    assert again is not None
    assert first is not None
    assert again.plain.endswith(b"new")
    assert again.tag != first.tag


def test_text_is_packed_when_that_makes_it_smaller(page: Page, tmp_path: Path) -> None:
    file = page.find("js/main.js")
    assert file is not None
    assert file.packed
    plain = (tmp_path / "js" / "main.js").read_bytes()
    assert gzip.decompress(file.body) == plain == file.plain
    assert len(file.body) < len(plain)


async def test_the_page_is_served_with_its_type_and_validator(stage: Any) -> None:
    plain = (PAGE / "index.html").read_bytes()
    async with stage.session.get(stage.base + "/") as response:
        assert response.status == 200
        assert response.headers["Content-Type"] == "text/html; charset=utf-8"
        assert await response.read() == plain  # unpacked by the client
        tag = response.headers["ETag"]
    async with stage.session.get(stage.base + "/", headers={"If-None-Match": tag}) as response:
        assert response.status == 304  # RFC 9110, section 13.1.2
        assert await response.read() == b""
        assert response.headers["ETag"] == tag
    async with stage.session.get(
        stage.base + "/index.html", headers={"Accept-Encoding": "identity"}
    ) as response:
        assert "Content-Encoding" not in response.headers
        assert response.headers["ETag"] != tag  # other bytes, another tag
        assert response.headers["Vary"] == "Accept-Encoding"
    async with stage.session.head(stage.base + "/") as response:
        assert response.status == 200


async def test_every_file_the_page_names_is_there_and_local(stage: Any) -> None:
    """No request to anywhere else: everything works with no network at all."""
    for path in PAGE.rglob("*"):
        if path.suffix in (".html", ".css", ".js", ".webmanifest", ".svg"):
            text = path.read_text(encoding="utf-8")
            text = text.replace("http://www.w3.org/", "")  # names of XML spaces, not addresses
            assert "https://" not in text, path
        name = str(path.relative_to(PAGE))
        if path.is_file() and path.suffix != ".ts":
            async with stage.session.get(f"{stage.base}/{name}") as response:
                assert response.status == 200, name


async def test_the_types_of_the_page_are_for_the_compiler_alone(stage: Any) -> None:
    assert (PAGE / "js/types.d.ts").exists()
    async with stage.session.get(f"{stage.base}/js/types.d.ts") as response:
        assert response.status == 404


async def test_paths_out_of_the_folder_are_not_there(stage: Any) -> None:
    for path in (
        "/../bodies.py",
        "/%2e%2e/bodies.py",
        "/js/%2e%2e/%2e%2e/bodies.py",
        "//etc/passwd",
    ):
        url = URL(stage.base + path, encoded=True)
        async with stage.session.get(url) as response:
            assert response.status == 404, path
