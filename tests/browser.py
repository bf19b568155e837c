"""Pages in a real browser: what a page showed, asked for and complained of.

``chromium`` is one browser for a module of tests; ``open_page`` opens an address or a file in it
and keeps a record. Where Debian's Chromium is not installed these tests are skipped and say so,
unless ``ENTRYPOINT_BROWSER=required`` is set, as ``.ci/run`` does: then they fail.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

__all__ = ["Opened", "chromium", "open_page"]

NAMES = ("chromium", "chromium-browser")
FLAGS = (
    "--no-sandbox", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Opened:
    """A page that is open, every address that it asked for, and what went wrong on it."""

    page: Any
    requests: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)  # console errors and warnings, exceptions

    def asked_outside(self, *own: str) -> list[str]:
        """Addresses that start with none of these and are not in the page itself."""
        return [a for a in self.requests if not a.startswith(("data:", "blob:", *own))]

    def overflow_px(self) -> int:
        """How far the page is wider than its window."""
        found: int = self.page.evaluate(
            "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )
        return found


def _installed() -> str:
    found = next((path for name in NAMES if (path := shutil.which(name))), None)
    if found is None:
        said = "Chromium is not installed (on Debian: apt-get install chromium)"
        if os.environ.get("ENTRYPOINT_BROWSER") == "required":
            pytest.fail(f"{said}, and ENTRYPOINT_BROWSER=required")
        pytest.skip(said)
    return found


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    """One Chromium without a window, that draws in three dimensions in software."""
    path = _installed()
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=path, args=list(FLAGS))
        yield browser
        browser.close()


@pytest.fixture
def open_page(chromium: Any) -> Iterator[Callable[..., Opened]]:
    """Open an address, or a file, in a fresh window: ``open_page(target, width=390, dark=True)``.

    Further options go to the browser's context (``java_script_enabled=False``).
    """
    contexts = []

    def opener(
        target: str | Path, *, width: int = 1280, height: int = 900, dark: bool = False,
        **options: Any,
    ) -> Opened:  # fmt: skip
        context = chromium.new_context(
            viewport={"width": width, "height": height},
            color_scheme="dark" if dark else "light",
            **options,
        )
        contexts.append(context)
        opened = Opened(page=context.new_page())
        opened.page.on("request", lambda r: opened.requests.append(r.url))
        opened.page.on("pageerror", lambda e: opened.errors.append(str(e)))
        opened.page.on(
            "console",
            lambda m: opened.errors.append(m.text) if m.type in ("error", "warning") else None,
        )
        address = target.resolve().as_uri() if isinstance(target, Path) else target
        opened.page.goto(address, wait_until="load")
        return opened

    yield opener
    for context in contexts:
        context.close()
