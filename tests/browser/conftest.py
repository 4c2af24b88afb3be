"""The browser the tests look with: the system's own, started once a module."""

from __future__ import annotations

import pytest
from playwright.sync_api import sync_playwright

from tests.tools import need

FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


@pytest.fixture(scope="module")
def playwright():
    with sync_playwright() as started:
        yield started


@pytest.fixture(scope="module")
def browser(playwright):
    started = playwright.chromium.launch(executable_path=need("chromium"), args=FLAGS)
    yield started
    started.close()
