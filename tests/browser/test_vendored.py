"""Files of others lie beside their licence, and are bit by bit what they were when they came."""

import hashlib
from pathlib import Path

import pytest

from tests.browser.stage import PAGE

FOLDERS = {"uplot": PAGE / "vendor" / "uplot", "axe": Path(__file__).with_name("assets")}
OWN = {"SHA256SUMS", "README.md"}


@pytest.mark.parametrize("name", FOLDERS)
def test_every_file_is_as_it_came(name: str) -> None:
    lines = (FOLDERS[name] / "SHA256SUMS").read_text().splitlines()
    sums = {file: digest for digest, file in (line.split() for line in lines)}
    found = {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in FOLDERS[name].iterdir()}
    assert {file: digest for file, digest in found.items() if file not in OWN} == sums


@pytest.mark.parametrize(("name", "word"), [("uplot", "MIT License"), ("axe", "Mozilla Public License")])
def test_its_licence_lies_beside_it(name: str, word: str) -> None:
    assert word in (FOLDERS[name] / "LICENSE").read_text()


def test_own_modules_stay_small_enough_to_read() -> None:
    for path in sorted(PAGE.glob("*.js")):
        lines = path.read_text().splitlines()
        assert len(lines) <= 350, path
        assert max(map(len, lines)) <= 120, path


def test_no_file_of_the_page_speaks_of_another_host() -> None:
    """Names of namespaces are no addresses that anybody fetches; uPlot's first comment names its home."""
    for path in sorted(PAGE.rglob("*")):
        if path.suffix in {".html", ".css", ".js"} and "vendor" not in path.parts:
            text = path.read_text().replace("http://www.w3.org/2000/svg", "")
            assert "http://" not in text, path
            assert "https://" not in text, path
            assert "<style" not in text, path
            assert " style=" not in text, path
