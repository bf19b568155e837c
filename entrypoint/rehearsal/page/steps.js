// The steps of a rehearsal, one at a time and in plain words.
import { button, el, post, say } from "./dom.js";
import { plain, vector } from "./view.js";

const SIDES = { right: "PATIENT'S RIGHT", left: "PATIENT'S LEFT" };
const FARTHEST_TILT_DEG = 60; // from the skin: a drill held flatter than this slips
const START_TILT_DEG = 14; // the drill is put down leaning, so that it has to be brought square
const SHORTEST_MM = { midline: 22, lateral: 6 }; // a shorter tape has no direction yet
const HANDLE_MM = 100; // from the skin to the hand

/** A step that is one touch on the skin. */
function touch({ key, title, words, look, set, get, missing, ringAt }) {
  return {
    key, title: () => title, words: () => words, look, missing, ringAt,
    controls: (r) => [el("p", { className: "note" }, get(r.marks)
      ? "Marked. Touch again, drag the mark, or go on."
      : "Nothing is marked yet.")],
    marked: (r) => Boolean(get(r.marks)),
    done: (r) => Boolean(get(r.marks)),
    reset: (r) => set(r.marks, null),
    pick(r, hit) {
      return r.attempt(async () => {
        set(r.marks, await r.refined(hit.point));
        r.draw();
        r.panel();
        say("Marked.");
      });
    },
    grab: (r, x, y, reach) => Boolean(get(r.marks)) && r.near(get(r.marks), x, y, reach),
    drag(r, x, y) {
      const hit = r.view.pick(x, y);
      if (!hit) return;
      r.held = hit;
      set(r.marks, plain(hit.point));
      r.draw();
    },
    drop(r) {
      if (r.held) this.pick(r, r.held);
      r.held = null;
    },
  };
}

/** A step that is a tape pulled over the scalp from a point. */
function pull({ key, kind, title, words, look, missing, origin, start, set, end }) {
  const lay = (r, towards, length = null) => r.attempt(async () => {
    const tape = await r.tape(kind, origin(r), towards, length);
    if (!tape) return; // a later one was asked for
    r.tapes[kind] = tape;
    set(r, tape);
    r.draw();
    r.panel();
  });
  return {
    key, title: () => title, words: () => words, look, missing, ringAt: (r) => end(r) ?? start(r),
    controls(r) {
      const tape = r.tapes[kind];
      if (!tape) return [el("p", { className: "note" }, "No tape is laid yet.")];
      return [
        r.turn.shown.numbers
          ? el("p", { className: "figure", id: "tape-length" }, tape.words)
          : el("p", { className: "note" }, "The tape is laid. Its centimetres are hidden on this level."),
        el("div", { className: "row" },
          button("1 mm shorter", () => this.lengthen(r, -1)),
          button("1 mm longer", () => this.lengthen(r, 1))),
      ];
    },
    marked: (r) => Boolean(r.tapes[kind]),
    done: (r) => Boolean(r.tapes[kind]),
    reset(r) {
      r.tapes[kind] = null;
      set(r, null);
    },
    pick(r, hit) {
      lay(r, hit.point).then(() => r.tapes[kind] && say(r.turn.shown.numbers
        ? `The tape is laid: ${r.tapes[kind].words}.` : "The tape is laid."));
    },
    grab: (r, x, y, reach) => r.near(start(r), x, y, reach)
      || (Boolean(r.tapes[kind]) && r.near(end(r), x, y, reach)),
    drag(r, x, y) {
      const hit = r.view.pick(x, y);
      if (!hit || hit.point.distanceTo(vector(start(r))) < SHORTEST_MM[kind]) return;
      r.view.follow(hit.point, hit.normal, 0.4);
      lay(r, hit.point);
    },
    lengthen(r, mm) {
      const tape = r.tapes[kind];
      if (!tape || tape.length_mm + mm < 3) return;
      lay(r, vector(tape.towards_mm), tape.length_mm + mm);
    },
  };
}

const towardsSide = (r) => ((r.marks.side ?? r.turn.side_asked) === "right" ? 1 : -1);

const nasion = touch({
  key: "nasion",
  title: "Touch the nasion",
  words: ["The deepest point of the nasal root, in the midline, between the brow and the bridge of "
    + "the nose. The tape starts there."],
  missing: "Mark the nasion first: touch the head, or press Enter at the ring.",
  look: (r) => r.view.look("front", { zoom: 1.15 }),
  get: (m) => m.nasion_mm,
  set: (m, mm) => { m.nasion_mm = mm; },
});

const side = {
  key: "side",
  title: () => "Choose the side",
  words: () => ["Right and left are the patient's, not yours. The edges of the picture say which "
    + "is which, and that changes as the head turns."],
  missing: "Choose a side first.",
  look: (r) => r.view.look("front", { zoom: 1 }),
  controls: (r) => [el("div", { className: "row grow", role: "group", "aria-label": "Side" },
    ...["right", "left"].map((of) => button(SIDES[of], () => {
      r.marks.side = of;
      r.panel();
      say(`${SIDES[of]} chosen.`);
    }, { id: `side-${of}`, "aria-pressed": String(r.marks.side === of) })))],
  marked: (r) => r.marks.side !== null,
  done: (r) => r.marks.side !== null,
  reset: (r) => { r.marks.side = null; },
};

const byEye = touch({
  key: "by_eye",
  title: "Mark the entry by eye",
  words: ["Before any tape: touch the scalp where you expect the entry to be, about 11 cm behind the "
    + "nasion and 3 cm to the side."],
  missing: "Mark where you expect the entry first.",
  look: (r) => r.view.look("brow", { zoom: 1.1, lean: 18 * towardsSide(r) }),
  get: (m) => m.by_eye_mm,
  set: (m, mm) => { m.by_eye_mm = mm; },
});

const midline = pull({
  key: "midline_tape",
  kind: "midline",
  title: "Lay the tape along the midline",
  words: ["Drag from the nasion backwards over the scalp and let go at 11 cm (110 mm); or touch where "
    + "the tape should end. It lies taut between the two. Keep it in the midline."],
  missing: "Lay the tape along the midline first.",
  look: (r) => r.view.look("brow", { zoom: 1 }),
  origin: (r) => ({ nasion_mm: r.marks.nasion_mm }),
  start: (r) => r.marks.nasion_mm,
  end: (r) => r.tapes.midline?.end_mm,
  set(r) {
    r.tapes.lateral = null;
    r.marks.entry_mm = null;
    r.marks.unit_inward = null;
  },
});

const lateral = pull({
  key: "lateral_tape",
  kind: "lateral",
  title: "Lay the tape to the side",
  words: ["Drag from the end of the midline tape to the side, at right angles to it, and let go at 3 cm "
    + "(30 mm). Its end is your entry."],
  missing: "Lay the tape to the side first.",
  look: (r) => r.view.look("brow", { zoom: 1.4, lean: 14 * towardsSide(r), focus: r.tapes.midline.end_mm }),
  origin: (r) => ({ midline_mm: r.tapes.midline.end_mm }),
  start: (r) => r.tapes.midline.end_mm,
  end: (r) => r.tapes.lateral?.end_mm,
  set(r, tape) {
    r.marks.entry_mm = tape?.end_mm ?? null;
    r.marks.unit_inward = null;
  },
});

/** The skin's outward direction at the entry. */
function skinNormal(r) {
  const at = vector(r.marks.entry_mm);
  const hit = r.view.drop(at, at.clone().sub(r.view.centre).normalize());
  return hit ? hit.normal : at.sub(r.view.centre).normalize();
}

/** Lean a direction towards another one by so many degrees. */
function leaned(outward, towards, deg) {
  const flat = towards.clone().addScaledVector(outward, -towards.dot(outward));
  if (flat.length() < 1e-6) return outward.clone();
  const a = (deg * Math.PI) / 180;
  return outward.clone().multiplyScalar(Math.cos(a)).addScaledVector(flat.normalize(), Math.sin(a));
}

const direction = {
  key: "direction",
  title: () => "Hold the drill",
  words: () => ["The drill stands on your entry, leaning. Drag its handle, or use the buttons, until it "
    + "is square to the skull. Look at it from several sides."],
  missing: "Set the direction of the drill first.",
  look(r) {
    r.view.look("front", { zoom: 1, lean: -18 * towardsSide(r), tip: 16 });
    if (!r.marks.unit_inward) {
      const normal = skinNormal(r);
      const turn = Math.random() * 2 * Math.PI;
      const axes = r.view.pageAxes();
      const towards = axes.right.multiplyScalar(Math.cos(turn)).addScaledVector(axes.up, Math.sin(turn));
      r.marks.unit_inward = plain(leaned(normal, towards, START_TILT_DEG).negate());
      r.moved = false;
    }
  },
  controls(r) {
    const lean = (words, towards) => button(words, () => this.lean(r, vector(towards), 1));
    return [
      el("p", { className: "note" }, "Each press leans the handle by 1 degree."),
      el("div", { className: "tilt" },
        lean("Handle to the front", [0, 1, 0]), lean("Handle to the back", [0, -1, 0]),
        lean("Handle to the patient's right", [1, 0, 0]), lean("Handle to the patient's left", [-1, 0, 0])),
    ];
  },
  marked: (r) => r.moved === true,
  done: (r) => Boolean(r.marks.unit_inward),
  reset(r) {
    r.marks.unit_inward = null;
    this.look(r);
  },
  lean(r, towards, deg) {
    this.point(r, leaned(vector(r.marks.unit_inward).negate(), towards, deg));
  },
  point(r, outward) {
    const normal = skinNormal(r);
    const angle = (Math.acos(Math.min(1, normal.dot(outward))) * 180) / Math.PI;
    const held = angle > FARTHEST_TILT_DEG ? leaned(normal, outward, FARTHEST_TILT_DEG) : outward;
    r.marks.unit_inward = plain(held.normalize().negate());
    const first = !r.moved;
    r.moved = true;
    r.view.drill("drill", r.marks.entry_mm, r.marks.unit_inward);
    if (first) r.panel();
  },
  tilt(r, right, up, deg) {
    const axes = r.view.pageAxes();
    this.lean(r, axes.right.multiplyScalar(right).addScaledVector(axes.up, up), deg);
    say(`Leaned by ${deg} ${deg === 1 ? "degree" : "degrees"}.`);
  },
  handle: (r) => vector(r.marks.entry_mm).addScaledVector(vector(r.marks.unit_inward), -HANDLE_MM),
  grab(r, x, y, reach) {
    const a = r.view.onPage(vector(r.marks.entry_mm));
    const b = r.view.onPage(this.handle(r));
    const length = Math.hypot(b.x - a.x, b.y - a.y) || 1;
    const along = Math.max(0.25, Math.min(1.1,
      ((x - a.x) * (b.x - a.x) + (y - a.y) * (b.y - a.y)) / length ** 2));
    const away = Math.hypot(a.x + along * (b.x - a.x) - x, a.y + along * (b.y - a.y) - y);
    r.last = { x, y };
    return away <= reach + 10;
  },
  drag(r, x, y) {
    const { view } = r;
    const tip = this.handle(r);
    const axes = view.pageAxes();
    const one = view.onPage(tip.clone().add(axes.right));
    const none = view.onPage(tip);
    const pixels = Math.hypot(one.x - none.x, one.y - none.y) || 1;
    tip.addScaledVector(axes.right, (x - r.last.x) / pixels)
      .addScaledVector(axes.up, (r.last.y - y) / pixels);
    r.last = { x, y };
    this.point(r, tip.sub(vector(r.marks.entry_mm)).normalize());
  },
  drop: (r) => r.panel(),
};

const number = (value) => {
  const read = Number.parseFloat(String(value).replace(",", "."));
  return Number.isFinite(read) ? read : null;
};

const depth = {
  key: "depth",
  title: () => "Set the drill stop and the sensor depth",
  words: () => ["Say what the stop seats on. The stop's length runs from its face to the very point of the bit; "
    + "the sensor's length runs from the same surface to its tip, which is to lie 15 mm below the inner table."],
  missing: "Choose what the stop seats on, and type both lengths in mm.",
  look: (r) => r.view.look("brow", { zoom: 1, lean: 30 * towardsSide(r) }),
  controls(r) {
    const asked = r.turn.seat_asked
      ? el("p", {}, "Asked for: a stop seated ", el("b", {}, `ON ${r.turn.seat_asked.toUpperCase()}`)) : null;
    const typed = (name) => (event) => {
      r.marks[name] = number(event.target.value);
      const next = document.getElementById("next");
      if (next) next.disabled = !this.done(r);
    };
    const seat = (of, words) => button(words, () => {
      r.marks.seat = of;
      r.panel();
    }, { id: `seat-${of}`, "aria-pressed": String(r.marks.seat === of) });
    return [
      asked,
      el("div", { className: "row grow", role: "group", "aria-label": "The stop seats on" },
        seat("bone", "Stop seats ON BONE"), seat("scalp", "Stop seats ON SCALP")),
      el("div", { className: "pair" },
        el("label", { for: "stop" }, "Drill stop, mm"),
        el("label", { for: "sensor" }, "Sensor, mm"),
        el("input", { id: "stop", type: "number", min: "0", max: "60", step: "0.5", inputmode: "decimal",
        value: r.marks.stop_mm === null ? "" : String(r.marks.stop_mm), oninput: typed("stop_mm") }),
        el("input", { id: "sensor", type: "number", min: "0", max: "120", step: "0.5", inputmode: "decimal",
        value: r.marks.sensor_depth_mm === null ? "" : String(r.marks.sensor_depth_mm),
        oninput: typed("sensor_depth_mm") })),
      el("p", { className: "note" }, r.turn.estimate),
      sectionOf(r),
    ];
  },
  marked: (r) => r.marks.stop_mm !== null || r.marks.seat !== null || r.marks.sensor_depth_mm !== null,
  done: (r) => r.marks.seat !== null && r.marks.stop_mm !== null && r.marks.stop_mm >= 0
    && r.marks.sensor_depth_mm !== null && r.marks.sensor_depth_mm >= 0,
  reset(r) {
    r.marks.stop_mm = null;
    r.marks.seat = null;
    r.marks.sensor_depth_mm = null;
  },
};

/** Asks for the scan along the trainee's own path. */
function sectionOf(r) {
  return button("Look at the scan along your path", () => r.attempt(async () => {
    const read = await post("section", {
      turn: r.turn.turn, entry_mm: r.marks.entry_mm, unit_inward: r.marks.unit_inward,
    });
    r.showSection(read);
    say(read.words.join(" "));
  }), { id: "section" });
}

const DECISIONS = [
  ["go", "Go ahead", "with this point, path and stop"],
  ["change", "Change", "the point, the path or the depth is to be changed first"],
  ["stop", "Stop and call", "somebody is to be asked before anything is done"],
];

const decide = {
  key: "decision",
  title: () => "Decide",
  words: () => ["Would you go ahead on this head? Look once more at the head, and at the scan if you wish. "
    + "Then the truth is revealed."],
  missing: "Choose one of the three first.",
  look: (r) => r.view.look("brow", { zoom: 1, lean: 30 * towardsSide(r) }),
  controls: (r) => [
    el("fieldset", {}, el("legend", {}, "Your decision"),
      ...DECISIONS.map(([of, words, more]) => el("label", { className: "choice" },
        el("input", { type: "radio", name: "decision", id: `decide-${of}`, value: of,
          checked: r.marks.decision === of,
          onchange: () => {
            r.marks.decision = of;
            r.panel();
          } }),
        el("span", {}, el("b", {}, words), el("small", {}, more))))),
    sectionOf(r),
  ],
  marked: (r) => r.marks.decision !== null,
  done: (r) => r.marks.decision !== null,
  reset: (r) => { r.marks.decision = null; },
};

export const STEPS = [nasion, side, byEye, midline, lateral, direction, depth, decide];
