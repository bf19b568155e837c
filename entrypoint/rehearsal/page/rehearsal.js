// One rehearsal on one head: which step it is, what was marked, and how long each step took.
import { Refused, button, byId, el, fill, latest, post, say } from "./dom.js";
import { STEPS } from "./steps.js";
import { plain, vector } from "./view.js";

export class Rehearsal {
  /**
   * @param view  the HeadView
   * @param turn  what the server said of this head: id, title, side asked for, what is shown
   * @param ended called with the server's answer once the truth is revealed
   */
  constructor(view, turn, ended) {
    this.view = view;
    this.turn = turn;
    this.ended = ended;
    this.at = 0;
    this.seconds = {};
    this.ring = null; // the cursor of the keyboard
    this.marks = {
      side: null, nasion_mm: null, by_eye_mm: null, entry_mm: null, unit_inward: null,
      stop_mm: null, seat: null, sensor_depth_mm: null, decision: null,
    };
    this.tapes = { midline: null, lateral: null };
    this.asking = new Set(); // what the server has not answered yet
    this.askTape = latest((body) => post("tape", body));
    this.problem = null;
    this.begun = performance.now();
    view.drape(turn.drape);
    this.open();
  }

  get step() { return STEPS[this.at]; }

  // ---------------------------------------------------------------- going through the steps

  open() {
    this.stepBegun = performance.now();
    this.problem = null;
    this.showSection(null);
    this.step.look(this);
    this.draw();
    this.panel();
    // Who works on the head with the keyboard stays there.
    if (document.activeElement !== this.view.canvas) byId("step").focus({ preventScroll: true });
    byId("step").scrollTop = 0;
    window.scrollTo(0, 0);
    say(`Step ${this.at + 1} of ${STEPS.length}: ${this.step.title(this)}`);
  }

  leave() {
    const spent = (performance.now() - this.stepBegun) / 1000;
    this.seconds[this.step.key] = (this.seconds[this.step.key] ?? 0) + spent;
  }

  async next() {
    if (this.asking.size && !await this.answered()) return;
    if (!this.step.done(this)) {
      this.refuse(this.step.missing);
      return;
    }
    this.leave();
    this.at += 1;
    this.open();
  }

  /** Wait for what was asked: a mark or a tape that comes late belongs to the step it was set in.
   * False where somebody is waiting already. */
  async answered() {
    if (this.holding) return false;
    this.holding = true;
    while (this.asking.size) await Promise.allSettled(this.asking);
    this.holding = false;
    return true;
  }

  /** Take back this step's mark; where there is none, go back a step. */
  async undo() {
    if (this.asking.size && !await this.answered()) return;
    if (this.step.marked(this)) {
      this.step.reset(this);
      this.problem = null;
      this.draw();
      this.panel();
      say("Taken back.");
    } else if (this.at > 0) {
      this.leave();
      this.at -= 1;
      this.open();
    }
  }

  async reveal() {
    if (!this.step.done(this)) {
      this.refuse(this.step.missing);
      return;
    }
    if (this.sending) return;
    this.sending = true;
    this.leave();
    this.panel();
    try {
      const answer = await post("reveal", {
        turn: this.turn.turn, marks: { ...this.marks, seconds: this.seconds },
      });
      this.ended(answer, this);
    } catch (error) {
      this.refuse(error.message);
    } finally {
      this.sending = false;
    }
  }

  refuse(words) {
    this.problem = words;
    this.panel();
    say(words);
  }

  /** Do something that asks the server, and say in words what went wrong. */
  async attempt(work) {
    const asked = work();
    this.asking.add(asked);
    try {
      await asked;
      if (this.problem) {
        this.problem = null;
        this.panel();
      }
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      this.refuse(error.message);
    } finally {
      this.asking.delete(asked);
    }
  }

  // ---------------------------------------------------------------- the panel beside the head

  panel() {
    if (this.over) return;
    const place = byId("step");
    const focused = document.activeElement?.id;
    place.className = "step";
    const last = this.at === STEPS.length - 1;
    const asked = this.turn.side_asked.toUpperCase();
    const forward = last
      ? button(this.sending ? "Revealing" : "Reveal the truth", () => this.reveal(),
        { id: "next", className: "weighty", disabled: this.sending || !this.step.done(this) })
      : button("Next step", () => this.next(),
        { id: "next", className: "weighty", disabled: !this.step.done(this) });
    fill(place,
      el("p", { className: "count" },
        `${this.turn.person ? `${this.turn.person}. ` : ""}${this.turn.title}. Step ${this.at + 1} of ${STEPS.length}`),
      this.clock(),
      el("h2", { id: "step-title" }, this.step.title(this)),
      el("p", { className: "asked" }, "Asked for: ", el("b", {}, `PATIENT'S ${asked}`)),
      this.turn.told ? el("p", { className: "note" }, this.turn.told) : null,
      this.turn.suture_hidden ? el("p", { className: "note" },
        "No suture can be felt on this head: none is drawn.") : null,
      ...this.step.words(this).map((words) => el("p", {}, words)),
      el("div", { id: "controls" }, ...this.step.controls(this).filter(Boolean)),
      this.problem ? el("p", { className: "error", role: "alert" }, this.problem) : null,
      el("div", { className: "row onwards" },
        button(this.step.marked(this) || this.at === 0 ? "Undo" : "Back one step", () => this.undo(),
          { id: "undo", disabled: this.at === 0 && !this.step.marked(this) }),
        forward),
    );
    if (focused && focused !== "step") byId(focused)?.focus({ preventScroll: true });
  }

  clock() {
    if (!this.turn.time_limit_s) return null;
    this.clockPlace = el("p", { className: "count" });
    this.tick();
    clearInterval(this.ticking);
    this.ticking = setInterval(() => this.tick(), 1000);
    return this.clockPlace;
  }

  tick() {
    if (!this.clockPlace?.isConnected && this.ticking) {
      clearInterval(this.ticking);
      this.ticking = null;
      return;
    }
    const left = Math.round(this.turn.time_limit_s - (performance.now() - this.begun) / 1000);
    this.clockPlace.textContent = left > 0
      ? `Time left: ${Math.floor(left / 60)}:${String(left % 60).padStart(2, "0")}`
      : "The time of this session is over: finish the step. Time is recorded, not scored.";
  }

  /** The scan along one's own path, beside the head. */
  showSection(read) {
    const place = byId("section-picture");
    place.hidden = read === null;
    if (read === null) return;
    fill(place,
      el("div", { className: "ends", "aria-hidden": "true" }, el("span", {}, "BACK"), el("span", {}, "FRONT")),
      el("img", { src: read.png, alt: "Section of the scan that holds your path, skin at the top, the "
        + "patient's front on the right; the bar is 1 cm long." }),
      el("figcaption", {}, ...read.words.map((words) => el("p", { className: "note" }, words))));
  }

  // ---------------------------------------------------------------- what lies on the head

  draw() {
    if (this.over) return;
    const { view, marks, tapes, turn } = this;
    for (const name of ["nasion", "by-eye", "midline", "lateral", "entry", "drill"]) view.clear(name);
    if (turn.midline_mm) view.line("shown-midline", turn.midline_mm, { colour: "aid", width: 0.6, label: "midline" });
    if (turn.suture_mm) view.line("shown-suture", this.onSkin(turn.suture_mm), { colour: "aid", width: 0.8, label: "suture" });
    if (marks.nasion_mm) view.mark("nasion", marks.nasion_mm, { label: "nasion" });
    if (marks.by_eye_mm) view.mark("by-eye", marks.by_eye_mm, { label: "by eye", size: 2 });
    if (tapes.midline) this.drawTape("midline", tapes.midline);
    if (tapes.lateral) this.drawTape("lateral", tapes.lateral);
    if (marks.entry_mm) view.mark("entry", marks.entry_mm, { label: "entry" });
    if (marks.entry_mm && marks.unit_inward) view.drill("drill", marks.entry_mm, marks.unit_inward);
  }

  /** After the reveal: one's own marks without the tape's figures, the drill as a thin line. */
  drawRevealed() {
    const { view, marks, tapes } = this;
    view.mark("nasion", marks.nasion_mm, { label: "your nasion" });
    view.mark("by-eye", marks.by_eye_mm, { label: "by eye", size: 2 });
    view.mark("entry", marks.entry_mm, { label: "your entry" });
    for (const name of ["midline", "lateral"]) this.drawTape(name, tapes[name], false);
    view.drill("drill", marks.entry_mm, marks.unit_inward, { colour: "own", ghost: true, label: "your path" });
    this.showSection(null);
  }

  drawTape(name, tape, numbers = this.turn.shown.numbers) {
    const ticks = numbers ? tape.ticks.map(({ mm, cm }) => ({
      mm, strong: cm % 5 === 0, text: String(cm),
    })) : [];
    this.view.line(name, tape.points, { ticks });
  }

  /** Points under the skin, drawn where the skin lies over them. */
  onSkin(points) {
    const lifted = [];
    for (const mm of points) {
      const outward = vector(mm).sub(this.view.centre).normalize();
      const hit = this.view.drop(vector(mm), outward, 80);
      if (hit) lifted.push(plain(hit.point.addScaledVector(hit.normal, 0.3)));
    }
    return lifted;
  }

  /** The skin at a point, found again in the scan itself. */
  async refined(point) {
    const { point_mm } = await post("skin", { turn: this.turn.turn, point_mm: plain(point) });
    return point_mm;
  }

  /** A tape from a mark over a place that was touched, as far as that or as a length. */
  tape(kind, from, towards, length) {
    const body = { turn: this.turn.turn, kind, towards_mm: plain(towards), ...from };
    return this.askTape(length === null ? body : { ...body, length_mm: length });
  }

  // ---------------------------------------------------------------- hands

  grab(x, y, reach) { return this.step.grab?.(this, x, y, reach) ?? false; }

  drag(x, y) { this.step.drag?.(this, x, y); }

  drop() { this.step.drop?.(this); }

  tap(hit) {
    if (!hit) return;
    if (this.step.pick && this.view.covered(hit.point)) {
      this.refuse("The cloth lies over this place: mark the half of the head that is bare.");
      return;
    }
    this.step.pick?.(this, hit);
    if (this.ring) this.putRing(hit.point, hit.normal);
  }

  near(mm, x, y, reach) {
    const at = this.view.onPage(vector(mm));
    return Math.hypot(at.x - x, at.y - y) <= reach;
  }

  // ---------------------------------------------------------------- keys

  putRing(point, normal) {
    this.ring = { point: point.clone(), normal: normal.clone() };
    this.view.cursor(point, normal);
    this.view.follow(point, normal);
  }

  /** Move the ring over the scalp along the page's own directions. */
  moveRing(right, up, stepMm) {
    const { view } = this;
    if (!this.ring) {
      const box = view.canvas.getBoundingClientRect();
      const from = this.step.ringAt?.(this);
      const hit = from ? view.drop(vector(from), vector(from).sub(view.centre).normalize())
        : view.pick(box.left + box.width / 2, box.top + box.height / 2);
      if (hit) this.putRing(hit.point, hit.normal);
      return;
    }
    const axes = view.pageAxes();
    const along = axes.right.multiplyScalar(right).addScaledVector(axes.up, up);
    along.addScaledVector(this.ring.normal, -along.dot(this.ring.normal));
    if (along.length() < 1e-3) return;
    const to = this.ring.point.clone().addScaledVector(along.normalize(), stepMm);
    const hit = view.drop(to, this.ring.normal, 15);
    if (!hit || hit.point.distanceTo(to) > 4 + stepMm) return;
    this.putRing(hit.point, hit.normal);
    this.step.ringMoved?.(this);
  }

  key(event) {
    const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
    const arrow = arrows[event.key];
    if (arrow) {
      if (this.step.tilt) this.step.tilt(this, ...arrow, event.shiftKey ? 5 : 1);
      else this.moveRing(...arrow, event.shiftKey ? 10 : 1);
    } else if (event.key === "Enter" || event.key === " ") {
      if (!this.step.pick) return false;
      if (this.ring) this.tap(this.ring);
      else this.moveRing(0, 0, 0);
    } else if (event.key === "[" || event.key === "]") {
      if (!this.step.lengthen) return false;
      this.step.lengthen(this, event.key === "]" ? 1 : -1);
    } else if (event.key === "u" || event.key === "U") this.undo();
    else if (event.key === "n" || event.key === "N") {
      if (this.at < STEPS.length - 1) this.next();
    } else return false;
    return true;
  }
}
