"""How quick the rehearsal page is, in Debian's Chromium with drawing in software.

    python -m tests.benchmarks.rehearsal_page

Frames are drawn one after the other of a ball of 60,000 triangles in a canvas of 830 x 582 pixels,
turned between two frames; the processor's time is that of all of the browser's processes, so that
it can be read also where other work shares the machine.
"""

from __future__ import annotations

import os
import shutil
import statistics
import tempfile
import time
from pathlib import Path

from tests.browser import FLAGS
from tests.rehearsal.page.conftest import Served
from tests.rehearsal.page.hands import Hands

FRAMES = """
async (count) => {
  const { page } = await import("./static/main.js");
  const { SphereGeometry } = await import("./static/three.min.js");
  const view = page.view;
  const ball = new SphereGeometry(100, 246, 123);
  ball.computeBoundingBox();
  ball.computeBoundingSphere();
  view.show(ball);
  await new Promise((done) => setTimeout(done, 400));
  const pixels = new Uint8Array(4);
  const gl = view.renderer.getContext();
  const begun = performance.now();
  for (let i = 0; i < count; i += 1) {
    view.yaw += 2;
    view.render(1);
    gl.readPixels(0, 0, 1, 1, gl.RGBA, gl.UNSIGNED_BYTE, pixels);  // until it is drawn
  }
  const spent = performance.now() - begun;
  return { triangles: ball.index.count / 3, ms: spent / count };
}
"""
PICKS = """
async (count) => {
  const { page } = await import("./static/main.js");
  const { view, rehearsal } = page;
  const box = view.canvas.getBoundingClientRect();
  const spent = [];
  for (let i = 0; i < count; i += 1) {
    const begun = performance.now();
    const hit = view.pick(box.left + box.width / 2 + i, box.top + box.height / 3);
    await rehearsal.step.pick(rehearsal, hit);
    spent.push(performance.now() - begun);
  }
  return spent;
}
"""
_TICKS = os.sysconf("SC_CLK_TCK")


def browser_s() -> float:
    """Processor time of this process's descendants so far, s."""
    mine, parents, times = {os.getpid()}, {}, {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text(encoding="utf-8").rsplit(")", 1)[1].split()
        except OSError:
            continue
        pid = int(stat.parent.name)
        parents[pid] = int(fields[1])
        times[pid] = (int(fields[11]) + int(fields[12])) / _TICKS
    while True:
        more = {pid for pid, parent in parents.items() if parent in mine} - mine
        if not more:
            break
        mine |= more
    return sum(times.get(pid, 0.0) for pid in mine - {os.getpid()})


def main() -> None:
    """Measure and print."""
    from playwright.sync_api import sync_playwright

    path = shutil.which("chromium")
    print(f"load of the machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    with sync_playwright() as driver, tempfile.TemporaryDirectory() as data:
        browser = driver.chromium.launch(executable_path=path, args=list(FLAGS))
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        begun = time.monotonic()
        served = Served(data=Path(data)).start()
        address = time.monotonic() - begun
        page.goto(served.url)
        page.wait_for_selector("#begin")
        print(f"command to address: {address:.2f} s, to a page that answers: "
              f"{time.monotonic() - begun:.2f} s")  # fmt: skip
        Hands(page).begin()
        print(f"command to a head to mark: {time.monotonic() - begun:.2f} s")
        spent = page.evaluate(PICKS, 30)
        print(f"touch to mark on the head: median {statistics.median(spent):.0f} ms, "
              f"most {max(spent):.0f} ms")  # fmt: skip
        served.kill()  # so that what it does is not counted to the frames
        page.wait_for_timeout(1000)
        before = browser_s()
        found = page.evaluate(FRAMES, 120)
        used = (browser_s() - before) / 120
        print(f"{found['triangles']:.0f} triangles: {1000 / found['ms']:.0f} frames a second, "
              f"{1000 * used:.0f} ms of processor a frame")  # fmt: skip
        browser.close()


if __name__ == "__main__":
    main()
