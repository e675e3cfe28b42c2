"""Chromium for a whole module, or a skip that says how to get it."""

import contextlib
import itertools
import os
import socket
from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Browser, sync_playwright

from tests.browser.bench import chromium, launch


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Return a Chromium that runs."""
    if chromium() is None:
        pytest.skip("needs Chromium: deploy/test unpacks Debian's chromium-headless-shell in .tools")
    with sync_playwright() as playwright:
        found = launch(playwright)
        yield found
        found.close()


@pytest.fixture(scope="module")
def module_port() -> Callable[[], int]:
    """Return a function that finds a free TCP port, for what lives as long as its module.

    They lie above those that the kernel gives to outgoing connections, and so apart from the other tests' ports.
    """
    numbers = itertools.count(os.getpid() * 97)

    def find() -> int:
        while True:
            port = 61_000 + next(numbers) % 4_500
            with socket.socket() as probe, contextlib.suppress(OSError):
                probe.bind(("127.0.0.1", port))
                return port

    return find
