"""A browser that draws by the processor."""

import os
import shutil

import pytest


@pytest.fixture(scope="module")
def browser():
    playwright = pytest.importorskip("playwright.sync_api")
    executable = os.environ.get("CHROMIUM") or shutil.which("chromium")
    if executable is None:
        pytest.skip("there is no chromium to open the page in")
    with playwright.sync_playwright() as driver:
        opened = driver.chromium.launch(
            executable_path=executable,
            args=[
                "--no-sandbox",
                "--use-angle=swiftshader",
                "--enable-unsafe-swiftshader",
                "--disable-background-networking",
            ],
        )
        yield opened
        opened.close()
