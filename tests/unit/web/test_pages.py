"""Pages: from memory, with strict headers, nothing from another host, nothing beside the folder."""

import re
from pathlib import Path

import pytest

from crumbmeter.web.static import HERE, Shelf
from tests.unit.web.making import Bench, Browser

FILES = sorted(path.name for path in (HERE / "apidoc").iterdir())


@pytest.mark.parametrize("path", ["/health", "/api/docs", "/api/docs/viewer.js", "/nothing", "/api/v1/view"])
async def test_every_answer_keeps_the_browser_strict(bench: Bench, path: str) -> None:
    browser = Browser(bench.app)
    await browser.ask("GET", path)
    assert browser.headers["content-security-policy"].startswith("default-src 'self'; ")
    assert "unsafe" not in browser.headers["content-security-policy"]
    assert browser.headers["x-content-type-options"] == "nosniff"
    assert browser.headers["referrer-policy"] == "no-referrer"
    assert browser.headers["cache-control"] in ("no-store", "no-cache")


async def test_a_file_is_sent_once_and_then_known_to_be_the_same(bench: Bench) -> None:
    browser = Browser(bench.app)
    status, _ = await browser.ask("GET", "/api/docs/viewer.js")
    assert (status, browser.headers["content-type"]) == (200, "text/javascript; charset=utf-8")
    tag = {"if-none-match": browser.headers["etag"]}
    assert await browser.ask("GET", "/api/docs/viewer.js", headers=tag) == (304, None)


@pytest.mark.parametrize(
    "path",
    ["/assets/../desk.py", "/assets/%2e%2e/desk.py", "/assets//etc/passwd", "/api/docs/..%2fdesk.py", "/assets/", "/x"],
)
async def test_nothing_beside_the_folder_is_served(bench: Bench, path: str) -> None:
    status, answer = await Browser(bench.app).ask("GET", path)
    assert status == 404
    assert set(answer["error"]) == {"place", "found", "expected", "remedy"}


def test_a_shelf_has_what_lies_in_its_folder_and_no_other_kind(tmp_path: Path) -> None:
    (tmp_path / "deep").mkdir()
    (tmp_path / "deep" / "a.js").write_text("1")
    (tmp_path / "b.py").write_text("2")
    assert set(Shelf(tmp_path)._files) == {"deep/a.js"}
    assert Shelf(tmp_path / "nowhere")._files == {}


@pytest.mark.parametrize("name", FILES)
def test_the_viewer_of_the_document_needs_no_other_host_and_no_inline_script(name: str) -> None:
    text = (HERE / "apidoc" / name).read_text("utf-8")
    assert "//" not in re.sub(r"^// .*$", "", text, flags=re.MULTILINE)
    assert not re.search(r"<script(?![^>]*src=)|<style|\son\w+=|style=|innerHTML|eval\(", text)


async def test_the_document_describes_every_answer(bench: Bench) -> None:
    _, document = await Browser(bench.app).ask("GET", "/api/openapi.json")
    for path, methods in document["paths"].items():
        for method, says in methods.items():
            assert says["description"], (method, path)
            assert "200" in says["responses"] or {"201", "204"} & set(says["responses"]), (method, path)
            for code, answer in says["responses"].items():
                assert code == "204" or answer.get("content"), (method, path, code)


async def test_every_quantity_of_the_document_says_its_unit(bench: Bench) -> None:
    """A number's key ends with its unit, or its description begins with it in square brackets, or it is a count."""
    _, document = await Browser(bench.app).ask("GET", "/api/openapi.json")
    units = re.compile(r"_(s|kg|kg_s|kg_rev|rev_s|pa|g|fraction|count|ms)$")
    told_beside = {"value", "low", "high", "high_by_subject", "coverage_factor", "seq"}
    wrong = [
        f"{name}.{key}"
        for name, model in document["components"]["schemas"].items()
        for key, schema in model.get("properties", {}).items()
        if re.search(r"'type': '(number|integer)'", str(schema))
        and not units.search(key)
        and key not in told_beside
        and not schema.get("description", "").startswith("[")
        and key not in ("requested_words", "read_back_words")
    ]
    assert wrong == []
