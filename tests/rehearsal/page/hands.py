"""A trainee's hands in a browser: the same rehearsal by mouse, by keyboard and by touch."""

from __future__ import annotations

import json
import re
import time

# The page's own modules, so that a test aims where the page draws and not where it guesses.
AIM = """
async ([mm, look]) => {
  const { page } = await import("./static/main.js");
  const { vector } = await import("./static/view.js");
  if (look) page.view.look(look.from, { lean: look.lean ?? 0, zoom: look.zoom ?? 1, focus: mm });
  await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
  return page.view.onPage(vector(mm));
}
"""
MARKS = """
async () => {
  const { page } = await import("./static/main.js");
  return page.rehearsal ? page.rehearsal.marks : null;
}
"""


class Hands:
    """A page under somebody's hands."""

    def __init__(self, page):
        self.page = page

    def aim(self, mm, **look):
        """Where a point of the head is on the page, px; looked at from somewhere first."""
        at = self.page.evaluate(AIM, [list(map(float, mm)), look or None])
        return at["x"], at["y"]

    def marks(self):
        return self.page.evaluate(MARKS)

    def begin(self, *, key="ladder:adult", **shown):
        page = self.page
        page.wait_for_selector("#begin")
        if page.locator(f"input[value='{key}']").count():
            page.check(f"input[value='{key}']")
        for name, on in shown.items():
            page.set_checked(f"#show-{name}", on)
        page.click("#begin")
        page.wait_for_selector("#next", timeout=60_000)

    def asked_side(self):
        words = self.page.inner_text("#step .asked")
        return re.search(r"PATIENT'S (RIGHT|LEFT)", words)[1].lower()

    def until(self, script, arg=None, within_s=30.0):
        """Ask the page again and again: its own rules let nobody else's script wait in it."""
        ends = time.monotonic() + within_s
        while not self.page.evaluate(script, arg):
            assert time.monotonic() < ends, f"still not: {script}"
            self.page.wait_for_timeout(20)

    def wait_marked(self, name):
        self.until(
            "async (name) => { const { page } = await import('./static/main.js');"
            " return Boolean(page.rehearsal?.marks[name]); }",
            name,
        )

    def wait_tape(self, kind, length=None):
        """Until a tape lies, and then until it is as long as that, mm."""
        self.until(
            "async ([kind, length]) => { const { page } = await import('./static/main.js');"
            " const tape = page.rehearsal?.tapes[kind];"
            " return Boolean(tape) && (length === null || Math.abs(tape.length_mm - length) < 0.6);"
            " }",
            [kind, length],
        )

    def onwards(self):
        self.page.click("#next")

    def title(self):
        return self.page.inner_text("#step-title")

    def tap(self, mm, **look):
        self.page.mouse.click(*self.aim(mm, **look))

    def drag(self, start_mm, end_mm, **look):
        """Press at one point of the head, and let go over another, in small moves."""
        x1, y1 = self.aim(end_mm, **look)
        x0, y0 = self.aim(start_mm)
        mouse = self.page.mouse
        mouse.move(x0, y0)
        mouse.down()
        for share in (0.25, 0.5, 0.75, 1.0):
            mouse.move(x0 + share * (x1 - x0), y0 + share * (y1 - y0))
        return x1, y1

    def type_depths(self, seat, stop_mm, sensor_mm):
        self.page.click(f"#seat-{seat}")
        self.page.fill("#stop", str(stop_mm))
        self.page.fill("#sensor", str(sensor_mm))

    def decide(self, decision):
        self.page.check(f"#decide-{decision}")

    def reveal(self):
        """Press, and return what the server answered and what was sent."""
        with self.page.expect_response(lambda r: r.url.endswith("/reveal")) as waiting:
            self.onwards()
        response = waiting.value
        self.page.wait_for_selector("#judgement")
        return response.json(), json.loads(response.request.post_data)["marks"]
