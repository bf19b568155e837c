"""The browser that pages are tested in: it records what a page asks for and complains of."""

from __future__ import annotations

import pytest

from tests import browser


def test_a_page_is_recorded(open_page, tmp_path):
    path = tmp_path / "a.html"
    path.write_text(
        "<!doctype html><title>a</title><p style='width:500px'>wide</p>"
        "<img src='data:image/gif;base64,R0lGODlhAQABAAAAACw=' alt=''>"
        "<img src='http://127.0.0.1:9/none.png' alt=''><script>console.error('said')</script>"
    )
    opened = open_page(path, width=390)
    assert opened.page.title() == "a"
    assert opened.asked_outside(path.as_uri()) == ["http://127.0.0.1:9/none.png"]
    assert "said" in opened.errors
    assert opened.overflow_px() > 100
    assert open_page(path, width=800, dark=True).overflow_px() == 0


def test_without_a_browser_it_is_skipped_or_fails_as_asked(monkeypatch):
    monkeypatch.setattr(browser, "NAMES", ("no-such-browser",))
    monkeypatch.delenv("ENTRYPOINT_BROWSER", raising=False)
    with pytest.raises(pytest.skip.Exception, match="apt-get install chromium"):
        browser._installed()
    monkeypatch.setenv("ENTRYPOINT_BROWSER", "required")
    with pytest.raises(pytest.fail.Exception, match="not installed"):
        browser._installed()
