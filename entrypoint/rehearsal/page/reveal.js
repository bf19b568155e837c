// The reveal: errors in a table, the truth on the head, and two scores that are never summed.
import { button, byId, el, fill, say } from "./dom.js";
import { vector } from "./view.js";

/** What, how much, and one sentence of reason each. */
function results(rows) {
  return el("ul", { className: "results" }, ...rows.map((row) => el("li", {},
    el("b", {}, el("span", { className: "what" }, row.what), row.figure),
    el("span", {}, row.reason))));
}

export function reveal(view, rehearsal, answer, go) {
  for (const name of ["shown-midline", "shown-suture", "cursor", "drill"]) view.clear(name);
  view.drape(null);
  rehearsal.drawRevealed();
  drawTruth(view, rehearsal, answer);
  const place = byId("step");
  const { hand, judgement } = answer;
  place.className = "step";
  fill(place,
    el("p", { className: "count" }, `${rehearsal.turn.title}. Revealed.`),
    el("h2", { id: "step-title" }, "What is true on this head"),
    el("ul", { className: "key" }, el("li", {}, "yours: round"),
      el("li", { className: "truth" }, "truth: diamonds and dashed lines")),
    el("div", { className: "scores" },
      el("section", { className: "score", id: "hand", "aria-labelledby": "hand-title" },
        el("h3", { id: "hand-title" }, "Hand"),
        el("p", { className: "verdict" }, hand.verdict),
        results(hand.rows)),
      el("section", { className: "score", id: "judgement", "aria-labelledby": "judgement-title" },
        el("h3", { id: "judgement-title" }, "Judgement"),
        el("p", { className: "verdict" }, judgement.verdict),
        el("ul", { className: "reasons" }, ...judgement.reasons.map((words) => el("li", {}, words))),
        judgement.findings.length ? el("details", {},
          el("summary", {}, "What the plan found"),
          el("ul", { className: "reasons" }, ...judgement.findings.map((words) => el("li", {}, words)))) : null)),
    el("h3", {}, "At your own point and path"),
    results(answer.own),
    el("p", { className: "note" }, answer.note),
    el("div", { className: "row" },
      el("label", { className: "choice" }, el("input", { type: "checkbox", id: "through",
        onchange: (event) => view.seeThrough(event.target.checked ? 0.35 : 1) }),
      el("span", {}, "See through the skin"))),
    el("div", { className: "row" },
      button(go.session ? "Go on" : "Choose a head", () => leave(view, go.heads), { id: "onwards", className: "weighty" }),
      go.session ? null : button("The same head again", () => leave(view, go.again), { id: "again" }),
      button("Progress", () => leave(view, go.progress), { id: "to-progress" })),
  );
  place.scrollTop = 0;
  window.scrollTo(0, 0);
  place.focus({ preventScroll: true });
  say(`Revealed. Hand: ${hand.verdict}. Judgement: ${judgement.verdict}.`);
}

function leave(view, go) {
  view.seeThrough(1);
  go();
}

function drawTruth(view, rehearsal, answer) {
  const { truth } = answer;
  for (const { name, mm, label } of truth.points) {
    view.mark(`truth-${name}`, mm, { colour: "truth", shape: "diamond", label, size: 2.2 });
  }
  for (const { name, mm, label, under } of truth.lines) {
    const points = under ? rehearsal.onSkin(mm) : mm;
    view.line(`truth-${name}`, points, { colour: "truth", width: 0.7, dashed: true, label });
  }
  if (truth.path) {
    view.drill("truth-path", truth.path.entry_mm, truth.path.unit_inward,
      { colour: "truth", ghost: true, label: "true path" });
  }
  const entry = truth.points.find((point) => point.name === "entry");
  const lean = entry && vector(entry.mm).sub(view.centre).x > 0 ? 24 : -24;
  view.look("brow", { zoom: 1, lean });
}
