"""The page of a plan: what it says in which order, what it refuses, how a browser has it."""

from __future__ import annotations

import base64
import hashlib
import html
import re
from dataclasses import replace

import pytest

from entrypoint import Rule, Side, api
from entrypoint.errors import FieldRefused, FileRefused
from entrypoint.figures.plan_page import plan_page
from entrypoint.figures.plan_page_words import drill_told
from entrypoint.figures.sheet_words import Person, as_stated
from entrypoint.figures.style import contrast_ratio
from entrypoint.planning.model import CAVEAT, Finding, Level, Seat
from entrypoint.report.page_words import ONE_SIDE_FOR_A_STOP
from entrypoint.report.rounding import half_width_mm, up, whole_mm
from tests.report.plans import ct_plan

BANNER = "PRACTICE HEAD, NOT A PATIENT"
HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>{{ 7*7 }}"


def text_of(page):
    """The words of a page, tags and what is not shown left out."""
    page = re.sub(r"<(style|script|title)\b.*?</\1>", " ", page, flags=re.S)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())


def stop_lengths(page):
    found = re.findall(r'<p class="stop-length">(.*?)</p>', page, re.S)
    return [text_of(one) if "blank" not in one else "" for one in found]


@pytest.fixture(scope="module")
def path(adult, tmp_path_factory):
    """The page of one side with a named seat, and every picture that there is."""
    page = api.report(
        adult.plan, adult.loaded, sides=["right"], person="adult", stop_seats_on="bone"
    )
    made = tmp_path_factory.mktemp("page") / "report.html"
    made.write_text(page, encoding="utf-8")
    return made


@pytest.fixture(scope="module")
def page(path):
    return path.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def both():
    """Both sides of a plan with every field set, without its volume."""
    return plan_page(seated(ct_plan(), *Side))


@pytest.fixture(scope="module")
def bare():
    """A plan of tape measures: nothing to draw but the tapes."""
    return api.plan_tape({"nasion_inion_mm": 350.0}, rule=Rule())


# --- what it says ---


def test_what_was_looked_at_comes_before_any_number(page):
    said = text_of(page[page.index("<body>") : page.index('id="findings-h"')])
    assert said.index("For planning and teaching only") < said.index("What was looked at")
    for word in ("Checked", "Not checked", "Could not be checked"):
        assert word in said
    before = said[: said.index("Before any number")].replace("af01e3fd9a", "")
    assert not re.search(r"\d", before)
    parts = re.findall(r'<section class="part" id="([\w-]+)"', page)
    assert parts == ["looked-at", "findings", "head", "side-right", "tapes", "landmarks", "origin"]


def test_every_figure_of_the_side_has_its_two_spreads(page, adult):
    said = text_of(page)
    found = adult.plan.sides[Side.RIGHT]
    c, t = found.clearance, found.thickness
    for name, sd, readers in (
        ("Scalp", t.scalp_sd_mm, t.scalp_definition_sd_mm),
        ("Skull", t.skull_sd_mm, t.skull_definition_sd_mm),
        ("Nearest, along the bone", c.suture_sd_mm, c.suture_definition_sd_mm),
        ("Midline plane to the sensor tip", c.midline_sd_mm, c.midline_definition_sd_mm),
        ("Sagittal sinus envelope, least distance", c.sinus_sd_mm, c.midline_definition_sd_mm),
    ):
        halves = [f"± {up(half_width_mm(sd)):.1f} mm", f"± {up(half_width_mm(readers)):.1f} mm"]
        row = rf"{re.escape(name)} [-\d.]+ mm (in front )?{halves[0]} {halves[1]} "
        assert re.search(row, said), name


def test_findings_stand_with_their_explanation(page):
    said = text_of(page)
    assert "Right and left are the patient's, as stated by the file" in said
    assert "Check the side against the patient." in said
    assert "Findings describe, and do not order." in said


def test_caveat_banner_hash_parameters_and_seed(page, adult):
    said = text_of(page)
    assert said.count(" ".join(CAVEAT.split())) >= 2 + 4  # the page's own, and in each picture
    assert said.count(BANNER) >= 4
    assert adult.plan.input.sha256 in said
    assert f"entrypoint {adult.plan.tool_version}" in said
    assert "Seed of the plan" in said
    assert "Margin to the coronal suture 10 mm the default" in said


def test_nothing_is_called_what_a_head_may_not_be_called(page):
    said = text_of(page)
    assert not re.search(r"\b(safe|safely|clear|OK)\b", said)
    assert not re.search("[\u2713\u2714\u2705\u2611]", said)


def test_no_hue_is_green(page):
    colours = set(re.findall(r"#[0-9a-f]{6}\b", re.search("<style>(.*?)</style>", page, re.S)[1]))
    assert len(colours) > 20
    for colour in colours:
        red, green, blue = (int(colour[k : k + 2], 16) for k in (1, 3, 5))
        assert green <= max(red, blue) + 12, colour


def test_one_stop_length_for_the_seat_that_was_named(page, adult):
    stop = adult.plan.sides[Side.RIGHT].drill_stop
    assert stop_lengths(page) == [whole_mm(stop.start_on_bone_mm)]
    box = text_of(page[page.index('<div class="drill">') :].split("</table>")[0])
    assert "stop seated ON BONE, PATIENT'S RIGHT" in box
    assert "NOT A SETTING" in box
    assert whole_mm(stop.start_on_scalp_mm) not in box


def seated(plan, *sides):
    """The plan of these sides, its stop seated on bone."""
    kept = {side: plan.sides[side] for side in sides}
    return replace(plan, sides=kept, rule=replace(plan.rule, stop_seats_on=Seat.BONE))


def test_the_stop_box_shows_one_length_or_says_why_there_is_none():
    plan = ct_plan()
    one = drill_told(seated(plan, Side.LEFT), Side.LEFT)
    assert (one["length"], one["heading"]) == (
        "5 mm", "Stop length, stop seated ON BONE, PATIENT'S LEFT"
    )  # fmt: skip
    assert not any("11 mm" in line or "14" in line for line in one["lines"])
    unnamed = drill_told(replace(plan, sides={Side.LEFT: plan.sides[Side.LEFT]}), Side.LEFT)
    assert unnamed["length"] == ""
    assert "was not named" in unnamed["lines"][0]
    both = drill_told(seated(plan, *Side), Side.LEFT)
    assert both["length"] == ""
    assert both["lines"] == [ONE_SIDE_FOR_A_STOP]
    child = as_stated(seated(plan, Side.LEFT), Person.CHILD, None)
    told = drill_told(child, Side.LEFT)
    assert (told["length"], told["sensor"]) == ("", [])
    assert told["lines"] == ["Geometry only for a child: local protocol decides."]


def test_a_page_of_both_sides_holds_no_length_in_words_or_pictures(both):
    assert stop_lengths(both) == ["", ""]
    said = text_of(both)
    assert "--side right or --side left" in said
    assert "NOT A SETTING" not in said
    assert "make the page again with --volume" in said
    assert both.index('<article class="finding stop">') < both.index("A note comes last.")


def test_without_a_scan_lengths_are_ruled_blanks_and_bytes_are_the_same(bare):
    page = plan_page(bare, sides=[Side.LEFT])
    assert stop_lengths(page) == [""]
    said = text_of(page)
    assert "NOT KNOWN WITHOUT A SCAN" in said
    assert "What other heads say, not this head" in said
    assert BANNER not in said
    assert 'id="turn"' not in page
    assert page == plan_page(bare, sides=[Side.LEFT])


# --- what it is made of ---


def test_it_points_nowhere_else(page):
    addresses = re.findall(r'(?:src|href|action|data|poster)="([^"]*)"', page)
    assert addresses
    assert all(a.startswith(("#", "data:")) for a in addresses)
    assert "http" not in re.sub(r"base64,[A-Za-z0-9+/=]+", "", page).replace("http-equiv", "")
    assert "@import" not in page
    assert " style=" not in page
    assert " on" + "click" not in page
    assert len(page.encode()) < 2_000_000


def test_its_policy_allows_its_own_style_and_script_alone(page):
    policy = html.unescape(re.search(r'Security-Policy" content="([^"]+)"', page)[1])
    assert policy.startswith("default-src 'none'; ")
    assert "unsafe" not in policy
    for tag in ("style", "script"):
        content = re.findall(rf"<{tag}>(.*?)</{tag}>", page, re.S)
        assert len(content) == 1
        digest = base64.b64encode(hashlib.sha256(content[0].encode()).digest()).decode()
        assert f"{tag}-src 'sha256-{digest}'" in policy


@pytest.mark.parametrize("ground", ["light", "dark"])
def test_its_colours_have_contrast(page, ground):
    blocks = re.findall(r":root \{(.*?)\}", page, re.S)
    given = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", blocks[0]))
    if ground == "dark":
        given |= dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", blocks[1]))
    for name in ("ink", "quiet", "link"):
        for under in ("paper", "fill"):
            assert contrast_ratio(given[name], given[under]) >= 4.5, (name, under)
    assert contrast_ratio(given["on-banner"], given["banner"]) >= 4.5
    for name in ("strong-line", "turn-tape", "turn-path", "turn-hidden", "turn-suture"):
        assert contrast_ratio(given[name], given["paper"]) >= 3.0, name


def test_refusals(adult, small_head, bare):
    with pytest.raises(FileRefused, match="not the one that the plan was made from"):
        api.report(adult.plan, small_head.loaded)
    with pytest.raises(FileRefused, match="with no volume"):
        api.report(bare, small_head.loaded)
    one = replace(bare, sides={Side.LEFT: bare.sides[Side.LEFT]})
    with pytest.raises(FieldRefused, match="PATIENT'S RIGHT in this plan"):
        api.report(one, sides=["right"])
    named = replace(bare, rule=replace(bare.rule, stop_seats_on=Seat.BONE))
    with pytest.raises(FieldRefused, match="the page on scalp"):
        api.report(named, stop_seats_on="scalp")


# --- in a browser ---

CHECKS = """() => {
  const wrong = [];
  const ids = [...document.querySelectorAll("[id]")].map((e) => e.id);
  if (new Set(ids).size !== ids.length) wrong.push("an id twice");
  if (document.documentElement.lang !== "en" || !document.title) wrong.push("language or title");
  for (const tag of ["header", "nav", "main", "footer", "h1"])
    if (document.querySelectorAll(tag).length !== 1) wrong.push("not one " + tag);
  let last = 0;
  for (const h of document.querySelectorAll("h1,h2,h3,h4")) {
    const level = Number(h.tagName[1]);
    if (level > last + 1) wrong.push("a heading leaps: " + h.textContent);
    last = level;
  }
  for (const svg of document.querySelectorAll(".drawing svg")) {
    const by = svg.getAttribute("aria-labelledby").split(" ");
    if (svg.getAttribute("role") !== "img" ||
        !by.every((id) => document.getElementById(id).textContent.length > 8))
      wrong.push("a picture says nothing");
  }
  for (const img of document.images) if (!img.alt || !img.complete || !img.naturalWidth)
    wrong.push("an image");
  for (const th of document.querySelectorAll("th")) if (!th.scope) wrong.push("a header's scope");
  for (const table of document.querySelectorAll("table"))
    if (!table.caption) wrong.push("a table without a caption");
  for (const a of document.querySelectorAll('a[href^="#"]'))
    if (!document.getElementById(a.getAttribute("href").slice(1))) wrong.push("a link to nothing");
  return wrong;
}"""
# Contrast of every text against what is painted under it, as WCAG 2.1 defines it.
CONTRAST = """() => {
  const parse = (c) => c.match(/[\\d.]+/g).map(Number);
  const one = (v) => (v /= 255) <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
  const light = (c) => 0.2126 * one(c[0]) + 0.7152 * one(c[1]) + 0.0722 * one(c[2]);
  let least = 99, count = 0, where = "";
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const e = walk.currentNode.parentElement;
    if (!walk.currentNode.data.trim() || e.closest("svg,script,noscript,.name") ||
        !e.checkVisibility()) continue;
    let under = e, paint;
    do {
      paint = parse(getComputedStyle(under).backgroundColor);
      under = under.parentElement;
    } while (under && paint.length === 4 && paint[3] === 0);
    const [a, b] = [light(parse(getComputedStyle(e).color)), light(paint)].sort((x, y) => y - x);
    count += 1;
    if ((a + 0.05) / (b + 0.05) < least)
      [least, where] = [(a + 0.05) / (b + 0.05), e.className + " " + walk.currentNode.data];
  }
  return { least, count, where };
}"""
DRAWN = "() => new Promise((done) => requestAnimationFrame(() => done()))"
PIXELS = "() => document.querySelector('canvas').toDataURL()"


def test_it_opens_alone_and_is_put_together_well(open_page, path):
    opened = open_page(path)
    page = opened.page
    assert page.locator("#turn").is_visible()
    assert not page.locator(".still").first.is_visible()
    assert page.evaluate(CHECKS) == []
    found = page.evaluate(CONTRAST)
    assert found["count"] > 200
    assert found["least"] >= 4.5, found
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    assert page.locator(".skip").bounding_box()["y"] >= 0
    page.emulate_media(media="print")
    assert not page.locator("#turn").is_visible()
    assert page.locator(".still").first.is_visible()
    assert opened.asked_outside(path.as_uri()) == []
    assert opened.errors == []


def test_the_head_turns_by_keyboard_and_by_its_views(open_page, path):
    opened = open_page(path, width=1000, height=700)
    page = opened.page
    canvas, told = page.locator("canvas"), page.locator("#turn-seen")
    first = page.evaluate(PIXELS)
    assert told.inner_text() == "Seen from in front and above, on the PATIENT'S RIGHT."

    def after(key):
        canvas.press(key)
        page.evaluate(DRAWN)
        return page.evaluate(PIXELS)

    def see(name):
        page.get_by_role("button", name=name, exact=True).click()
        page.evaluate(DRAWN)

    seen = [first, *(after(key) for key in ("ArrowLeft", "ArrowUp", "+"))]
    assert len(set(seen)) == 4
    assert after("Home") == first
    see("behind")
    assert told.inner_text() == "Seen from behind."
    edges = page.locator(".edge")
    assert edges.all_inner_texts() == ["PATIENT'S LEFT", "PATIENT'S RIGHT"]
    see("the PATIENT'S RIGHT")
    assert told.inner_text() == "Seen from the PATIENT'S RIGHT."
    assert edges.all_inner_texts() == ["BACK", "FRONT"]
    see("the head end, nose at the top")
    assert told.inner_text() == "Seen from the head end, nose at the top."
    assert edges.all_inner_texts() == ["PATIENT'S LEFT", "PATIENT'S RIGHT"]
    whole = page.evaluate(PIXELS)
    page.get_by_role("checkbox", name="scalp").uncheck()
    page.evaluate(DRAWN)
    assert page.evaluate(PIXELS) != whole
    assert opened.errors == []


def test_on_a_phone_in_the_dark(open_page, path):
    opened = open_page(path, width=390, height=844, dark=True)
    assert opened.overflow_px() == 0
    ground = opened.page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert ground == "rgb(21, 24, 29)"
    found = opened.page.evaluate(CONTRAST)
    assert found["least"] >= 4.5, found
    assert opened.errors == []


def test_without_scripts_still_pictures_stand_in(open_page, path):
    opened = open_page(path, width=800, java_script_enabled=False)
    assert opened.page.locator(".still").first.is_visible()
    assert not opened.page.locator("#turn").is_visible()
    assert opened.page.locator("noscript p").is_visible()


def test_markup_in_a_record_does_nothing(open_page, bare, tmp_path):
    finding = Finding(code=HOSTILE, level=Level.CAUTION, text=HOSTILE, source=HOSTILE,
                      unit=HOSTILE, value=1.0)  # fmt: skip
    side = replace(bare.sides[Side.LEFT], findings=(finding,))
    plan = replace(
        bare, sides={Side.LEFT: side}, findings=(finding,), practice=True, seed=1,
        input=replace(bare.input, name=HOSTILE + "$x^{$", sha256=HOSTILE),
        looked_at=replace(bare.looked_at, checked=(HOSTILE,)), tool_version=HOSTILE,
        population=replace(bare.population, source=HOSTILE),
    )  # fmt: skip
    page = plan_page(plan)
    assert "<script>alert" not in page
    assert "<img src=x" not in page
    assert text_of(page).count(HOSTILE) >= 6
    made = tmp_path / "hostile.html"
    made.write_text(page, encoding="utf-8")
    opened = open_page(made)
    assert opened.page.locator("img[src=x]").count() == 0
    assert opened.asked_outside(made.as_uri()) == []
    assert opened.errors == []
