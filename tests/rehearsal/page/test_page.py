"""Whole rehearsals in a real browser: by mouse, by keyboard, by touch; and what is kept of them."""

from __future__ import annotations

import re

import numpy as np
import pytest

from tests.rehearsal.page.hands import Hands

PLANTED_MM = 7.0  # in front of the true entry, along the scalp
LAYERS = """
async () => {
  const { page } = await import("./static/main.js");
  return [...page.view.layers.keys()];
}
"""
WITHIN_MM, WITHIN_DEG = 0.5, 0.5


def planted(truth, side):
    """A point of the scalp in front of the true entry: its curve is followed by touch, not here."""
    entry = np.array(truth["sides"][side]["scalp_entry_mm"])
    outward = -np.array(truth["sides"][side]["unit_inward"])
    forward = -np.array(truth["midline"]["unit_along"])
    forward -= (forward @ outward) * outward
    return entry + PLANTED_MM * forward / np.linalg.norm(forward)


def angle_deg(a, b):
    return float(np.degrees(np.arccos(np.clip(np.dot(a, b), -1.0, 1.0))))


def off_mm(truth, side, mark):
    """Distance of a mark from the exact entry, bent over the scalp as a tape is."""
    chord = float(np.linalg.norm(np.array(mark) - truth["sides"][side]["scalp_entry_mm"]))
    return chord * (1.0 + chord**2 / (24.0 * 75.0**2))


def reads_well(page):
    """No word that calls a head harmless, the caveat there, nothing wider than the window."""
    said = page.inner_text("body")
    assert not re.search(r"\b(safe|clear|ok)\b", said, re.I)
    assert "For planning and teaching only" in said
    assert "PRACTICE HEAD, NOT A PATIENT" in said
    wide = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert page.evaluate(wide) == 0


def judged_right(answer, marks, truth, side):
    """The errors that were planted come back, against the exact answers of the head."""
    hand = answer["score"]["hand"]
    exact = truth["sides"][side]
    entry = hand["entry"]
    assert entry["along_scalp_mm"] == pytest.approx(
        off_mm(truth, side, marks["entry_mm"]), abs=WITHIN_MM
    )
    own, true = np.array(marks["entry_mm"]), np.array(exact["scalp_entry_mm"])
    right = (own - true) @ truth["midsagittal_plane"]["unit_normal"]
    assert entry["left_right_mm"] == pytest.approx(right, abs=WITHIN_MM)
    leaned = angle_deg(marks["unit_inward"], exact["unit_inward"])
    assert hand["off_plan_deg"] == pytest.approx(leaned, abs=WITHIN_DEG)
    nasion = np.linalg.norm(np.array(marks["nasion_mm"]) - truth["landmarks"]["nasion_skin"])
    assert hand["nasion"]["along_scalp_mm"] == pytest.approx(nasion, abs=WITHIN_MM)


def slow_answers(page, ms):
    """From now on the page asks the server this much later."""
    page.evaluate(
        "(ms) => { const now = window.askedAtOnce ??= window.fetch;"
        " window.fetch = async (...of) => {"
        " await new Promise((done) => setTimeout(done, ms)); return now(...of); }; }",
        ms,
    )


def test_by_mouse_with_a_planted_error(served, open_page, truth):
    opened = open_page(served.url, height=800)
    page, hands = opened.page, Hands(opened.page)
    with page.expect_response(lambda r: r.url.endswith("/stage")) as staged:
        hands.begin(numbers=True)
    before = staged.value.text()
    side = hands.asked_side()
    exact = truth["sides"][side]
    nasion = truth["landmarks"]["nasion_skin"]
    assert not {"truth", "unit_inward", "suture_seen"} & set(staged.value.json())
    assert f"{exact['scalp_entry_mm'][0]:.1f}" not in before

    hands.tap(nasion, **{"from": "front"})
    hands.wait_marked("nasion_mm")
    page.click("#undo")
    assert hands.marks()["nasion_mm"] is None
    hands.tap(nasion)
    hands.wait_marked("nasion_mm")
    hands.onwards()
    page.click(f"#side-{side}")
    hands.onwards()
    hands.tap(planted(truth, side))
    hands.wait_marked("by_eye_mm")
    hands.onwards()
    hands.drag(nasion, truth["midline"]["point_mm"])
    page.mouse.up()
    hands.wait_tape("midline", 110.0)
    page.click("text=1 mm longer")
    hands.wait_tape("midline", 111.0)
    page.click("text=1 mm shorter")
    hands.wait_tape("midline", 110.0)
    assert page.inner_text("#tape-length") == "11 cm (110 mm)"
    hands.onwards()
    slow_answers(page, 150)
    hands.drag(truth["midline"]["point_mm"], planted(truth, side))
    page.mouse.up()
    hands.wait_tape("lateral")
    hands.onwards()
    hands.wait_marked("unit_inward")
    page.wait_for_timeout(400)
    slow_answers(page, 0)
    start = hands.marks()
    assert start["unit_inward"] is not None, "a tape answered late takes no drill away"
    entry, inward = np.array(start["entry_mm"]), np.array(start["unit_inward"])
    assert angle_deg(inward, exact["unit_inward"]) > 5.0, "the drill is put down leaning"
    wanted = np.array(exact["unit_inward"])
    hands.drag(entry - 80.0 * inward, entry - 80.0 * wanted)
    page.mouse.up()
    page.click("text=Handle to the front")
    assert hands.marks()["unit_inward"] != start["unit_inward"]
    hands.onwards()
    page.click("#section")
    page.wait_for_selector("#section-picture img")
    bone = exact["thickness"]["skull_mm"]
    told = float(re.search(r"skull ([\d.]+)", page.inner_text("#section-picture"))[1])
    assert told == pytest.approx(bone, abs=0.6)
    hands.type_depths("bone", round(bone) + 8, round(bone) + 15)
    hands.onwards()
    hands.decide("go")
    reads_well(page)
    answer, marks = hands.reveal()

    judged_right(answer, marks, truth, side)
    assert answer["score"]["hand"]["entry"]["front_back_mm"] == pytest.approx(
        PLANTED_MM, abs=WITHIN_MM
    )
    past = answer["score"]["hand"]["past_inner_mm"]
    assert past == pytest.approx(marks["stop_mm"] - bone, abs=1.0)
    assert "FAILED" in page.inner_text("#judgement")
    assert "past the inner table" in page.inner_text("#judgement")
    assert {"truth-entry", "truth-nasion", "truth-midline", "truth-suture", "truth-path"} <= set(
        page.evaluate(LAYERS)
    )
    shown = {p["name"]: p["mm"] for p in answer["truth"]["points"]}
    assert np.linalg.norm(np.array(shown["entry"]) - exact["scalp_entry_mm"]) < WITHIN_MM
    assert page.locator(".tag", has_text="true entry").is_visible()
    reads_well(page)
    assert opened.errors == []
    assert opened.asked_outside(served.url) == []


class Keys(Hands):
    """Nothing but a keyboard."""

    def to(self, name, most=60):
        """Tab, forwards, until something has the focus."""
        for _ in range(most):
            if self.page.evaluate("document.activeElement.id") == name:
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"the keyboard does not reach {name}")

    def press(self, name):
        self.to(name)
        self.page.keyboard.press("Enter")

    def ring_to(self, mm, within_mm=2.0):
        """Move the ring over the scalp with the arrow keys until it lies on a point."""
        page = self.page
        self.to("head")
        page.keyboard.press("ArrowUp")
        for _ in range(80):
            right, up, far = page.evaluate(
                "async (mm) => { const { page } = await import('./static/main.js');"
                " const { vector } = await import('./static/view.js');"
                " const axes = page.view.pageAxes();"
                " const off = vector(mm).sub(page.rehearsal.ring.point);"
                " return [off.dot(axes.right), off.dot(axes.up), off.length()]; }",
                list(mm),
            )
            if far < within_mm:
                return
            along, key = (
                (right, "ArrowRight" if right > 0 else "ArrowLeft")
                if abs(right) > abs(up)
                else (up, "ArrowUp" if up > 0 else "ArrowDown")
            )
            times = int(abs(along) // 10.0)  # the scalp bends: not all the way at once
            for _ in range(min(max(times, 1), 4)):
                page.keyboard.press(f"Shift+{key}" if times else key)
            if not times:
                for _ in range(min(int(abs(along)), 5) - 1):
                    page.keyboard.press(key)
        raise AssertionError(f"the ring stays {far:.1f} mm away")


def test_by_keyboard_alone(served, open_page, truth):
    opened = open_page(served.url, width=1000, height=640)
    page, hands = opened.page, Keys(opened.page)
    page.wait_for_selector("#begin")
    hands.press("begin")
    page.wait_for_selector("#next", timeout=60_000)
    side = hands.asked_side()
    other = "left" if side == "right" else "right"
    exact = truth["sides"][side]
    hands.ring_to(truth["landmarks"]["nasion_skin"])
    page.keyboard.press("Enter")
    hands.wait_marked("nasion_mm")
    page.keyboard.press("n")
    hands.press(f"side-{other}")
    hands.to("next")
    page.keyboard.press("Enter")
    hands.ring_to(exact["scalp_entry_mm"], within_mm=3.0)
    page.keyboard.press("Enter")
    hands.wait_marked("by_eye_mm")
    page.keyboard.press("n")
    hands.ring_to(truth["midline"]["point_mm"], within_mm=3.0)
    page.keyboard.press("Enter")
    hands.wait_tape("midline")
    length = "async () => (await import('./static/main.js')).page.rehearsal.tapes.midline.length_mm"
    reached = page.evaluate(length)
    page.keyboard.press("[" if reached > 110.0 else "]")
    hands.wait_tape("midline", reached - 1.0 if reached > 110.0 else reached + 1.0)
    assert abs(page.evaluate(length) - reached) == pytest.approx(1.0, abs=0.01)
    page.keyboard.press("n")
    hands.ring_to(exact["scalp_entry_mm"])
    page.keyboard.press("Enter")
    hands.wait_tape("lateral")
    page.keyboard.press("n")
    hands.wait_marked("unit_inward")
    was = hands.marks()["unit_inward"]
    page.keyboard.press("Shift+ArrowUp")
    assert angle_deg(was, hands.marks()["unit_inward"]) == pytest.approx(5.0, abs=0.1)
    page.keyboard.press("n")
    hands.press("seat-bone")
    for name, value in (("stop", "6"), ("sensor", "21")):
        hands.to(name)
        page.keyboard.type(value)
    hands.press("next")
    hands.to("decide-go")
    page.keyboard.press("Space")
    hands.to("next")
    with page.expect_response(lambda r: r.url.endswith("/reveal")) as waiting:
        page.keyboard.press("Enter")
    page.wait_for_selector("#judgement")
    answer = waiting.value.json()
    assert answer["judgement"]["failed"]
    assert "wrong side" in page.inner_text("#judgement")
    assert answer["score"]["marks"]["side"] == other
    assert opened.errors == []


def test_by_touch_on_a_tablet_in_the_dark(served, open_page, truth):
    opened = open_page(
        served.url, width=768, height=1024, dark=True, has_touch=True, device_scale_factor=1
    )
    page, hands = opened.page, Hands(opened.page)
    page.wait_for_selector("#begin")
    page.fill("#person", "Kim 7")
    hands.begin(numbers=False)
    side = hands.asked_side()
    exact = truth["sides"][side]

    def touch(mm, **look):
        page.touchscreen.tap(*hands.aim(mm, **look))

    touch(truth["landmarks"]["nasion_skin"])
    hands.wait_marked("nasion_mm")
    page.tap("#next")
    page.tap(f"#side-{side}")
    page.tap("#next")
    touch(exact["scalp_entry_mm"])
    hands.wait_marked("by_eye_mm")
    page.tap("#next")
    touch(truth["midline"]["point_mm"])
    hands.wait_tape("midline")
    assert "cm" not in page.inner_text("#controls").replace("centimetres", "")
    assert page.locator(".tag-tick").count() == 0
    page.tap("#next")
    touch(exact["scalp_entry_mm"])
    hands.wait_tape("lateral")
    page.tap("#next")
    hands.wait_marked("unit_inward")
    before = hands.marks()
    entry, inward = np.array(before["entry_mm"]), np.array(before["unit_inward"])
    finger = page.context.new_cdp_session(page)
    x, y = hands.aim(entry - 80.0 * inward)

    def dispatch(kind, *points):
        finger.send(
            "Input.dispatchTouchEvent",
            {"type": kind, "touchPoints": [{"x": a, "y": b} for a, b in points]},
        )

    dispatch("touchStart", (x, y))
    for step in (10, 20, 30):
        dispatch("touchMove", (x + step, y))
    dispatch("touchEnd")
    assert angle_deg(inward, hands.marks()["unit_inward"]) > 3.0
    # The panel is drawn anew when the drill comes to rest: a tap on the old one is lost.
    for _ in range(5):
        page.tap("#next")
        page.wait_for_timeout(300)
        if page.locator("#seat-bone").count():
            break
    page.tap("#seat-bone")
    page.fill("#stop", "6")
    page.fill("#sensor", "21")
    page.tap("#next")
    page.tap("#decide-go")
    reads_well(page)
    answer, marks = hands.reveal()
    judged_right(answer, marks, truth, side)
    assert not answer["judgement"]["failed"]
    reads_well(page)
    assert opened.errors == []


def test_two_browsers_at_once(served, open_page, truth):
    both = [Hands(open_page(served.url, width=920, height=560).page) for _ in range(2)]
    kept = len(served.get("progress?person=Trainee%201")["attempts"])
    for hands in both:
        hands.begin()
    fill = """
    async (exact) => {
      const { page } = await import("./static/main.js");
      const { rehearsal } = page;
      const right = rehearsal.turn.side_asked === "right";
      Object.assign(rehearsal.marks, exact[right ? "right" : "left"], { decision: "go" });
      rehearsal.tapes = { midline: { points: [], ticks: [] }, lateral: { points: [], ticks: [] } };
      rehearsal.at = 7;
      window.revealing = rehearsal.reveal();
    }
    """
    exact = {
        side: {
            "side": side,
            "nasion_mm": truth["landmarks"]["nasion_skin"],
            "by_eye_mm": of["scalp_entry_mm"],
            "entry_mm": of["scalp_entry_mm"],
            "unit_inward": of["unit_inward"],
            "stop_mm": 6,
            "seat": "bone",
            "sensor_depth_mm": 21,
        }
        for side, of in truth["sides"].items()
    }
    for hands in both:
        hands.page.evaluate(fill, exact)
    for hands in both:
        hands.page.wait_for_selector("#judgement")
        assert "Entry 0." in hands.page.inner_text("#hand")
    assert len(served.get("progress?person=Trainee%201")["attempts"]) == kept + 2


def test_progress_survives_a_killed_server_and_is_deleted_when_asked(served, open_page):
    before = served.get("progress?person=Trainee%201")
    assert len(before["attempts"]) >= 4
    old = served.url
    served.kill()
    served.start()
    assert served.url != old, "another token"
    assert served.get("progress?person=Trainee%201") == before

    opened = open_page(served.url, height=800)
    page = opened.page
    page.click("#go-progress")
    page.wait_for_selector("#curve svg")
    assert page.locator("#curve .own").count() == len(before["attempts"])
    assert before["next"] in page.inner_text("#next-practice")
    assert "Bias, the mean of all" in page.inner_text("#dots")
    assert page.locator("#dots polygon").count() == 1
    reads_well(page)
    with page.expect_download() as coming:
        page.click("#export-csv")
    text = coming.value.path().read_text(encoding="utf-8")
    assert "For planning and teaching only" in text.splitlines()[0]
    assert text.count("ladder:adult") == len(served.get("export.json")["attempts"])
    page.click("#delete")
    page.click("#ask-no")
    assert len(served.get("progress")["attempts"]) == len(before["attempts"])
    page.click("#delete")
    page.click("#ask-yes")
    page.wait_for_selector("#curve", state="detached")
    assert served.get("progress")["attempts"] == []
    assert served.get("export.json")["attempts"] == []
    assert opened.errors == []
