// The progress page: learning curve, bias and scatter apart, what to practise next, and one's data.
import { button, byId, el, fill, getJson, post, say, svg } from "./dom.js";

const WIDTH = 420;
const HEIGHT = 300;
const EDGE = { left: 46, right: 14, top: 16, bottom: 40 };

export async function showProgress(place, page, { personChoice, heads }) {
  const data = await getJson(`progress?person=${encodeURIComponent(page.person ?? "")}`);
  const again = () => showProgress(place, page, { personChoice, heads });
  const empty = data.attempts.length === 0;
  fill(place,
    el("h2", { id: "step-title" }, "Progress"),
    personChoice(page.state, again),
    el("p", { id: "next-practice" }, data.next),
    empty ? null : el("div", { className: "charts" },
      el("figure", { id: "curve" }, el("figcaption", {}, el("h3", {}, "Learning curve"),
        el("p", { className: "note" }, `Distance of the entry from the truth, each attempt in order; the line is the middle of the last five. ${data.curve_words}`)),
      curve(data)),
      el("figure", { id: "dots" }, el("figcaption", {}, el("h3", {}, "Bias and scatter"),
        el("p", { className: "note" }, data.bias.words)),
      data.bias.mean_mm ? dots(data) : null)),
    empty ? null : el("details", {}, el("summary", {}, `Every attempt (${data.attempts.length})`), listed(data)),
    el("h3", {}, "Your data"),
    el("p", { className: "note" }, "Kept on this machine only, in a file of your user account."),
    el("div", { className: "row" },
      el("a", { className: "button", href: "export.csv", download: "rehearsals.csv", id: "export-csv" }, "Export CSV"),
      el("a", { className: "button", href: "export.json", download: "rehearsals.json", id: "export-json" }, "Export JSON"),
      button("Delete everything", () => erase(again), { id: "delete" })),
    el("p", { className: "note" }, page.state.teaches),
  );
  place.focus({ preventScroll: true });
}

function erase(again) {
  const dialog = byId("ask");
  byId("ask-title").textContent = "Delete everything?";
  byId("ask-text").textContent = "Every attempt of everyone on this machine is deleted. It cannot be brought back.";
  byId("ask-yes").textContent = "Delete everything";
  byId("ask-no").onclick = () => dialog.close();
  byId("ask-yes").onclick = async () => {
    dialog.close();
    await post("delete", { confirm: "delete everything" });
    say("Everything is deleted.");
    again();
  };
  dialog.showModal();
}

// ---------------------------------------------------------------- charts

function scale(low, high, from, to) {
  const span = high - low || 1;
  return (value) => from + ((value - low) / span) * (to - from);
}

function steps(high) {
  const rough = high / 4;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((k) => k * power).find((k) => k >= rough);
  const found = [];
  for (let v = 0; v <= high + 1e-9; v += step) found.push(v);
  return found;
}

const words = (x, y, text, more = {}) => svg("text", { x, y, ...more }, text);

function curve({ attempts, lately, pass_mm: pass }) {
  const values = attempts.map((a) => a.entry_mm);
  const seen = values.filter((v) => v !== null);
  const top = Math.max(10, ...seen, pass ?? 0) * 1.1;
  const x = scale(1, Math.max(2, attempts.length), EDGE.left + 12, WIDTH - EDGE.right - 12);
  const y = scale(0, top, HEIGHT - EDGE.bottom, EDGE.top);
  const chart = svg("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: "img",
    "aria-label": `Entry error of ${attempts.length} attempts, the last ${seen.at(-1)?.toFixed(1)} mm` });
  for (const v of steps(top)) {
    chart.append(svg("line", { class: "grid", x1: EDGE.left, x2: WIDTH - EDGE.right, y1: y(v), y2: y(v) }),
      words(EDGE.left - 8, y(v) + 4, String(v), { "text-anchor": "end" }));
  }
  if (pass) {
    chart.append(svg("line", { class: "truth dashed", x1: EDGE.left, x2: WIDTH - EDGE.right, y1: y(pass), y2: y(pass) }),
      words(WIDTH - EDGE.right - 4, y(pass) - 5, `pass mark ${pass} mm`, { "text-anchor": "end" }));
  }
  chart.append(words(4, 12, "mm"), words(WIDTH / 2, HEIGHT - 8, "attempt", { "text-anchor": "middle" }));
  const of = attempts.map((a, i) => (a.entry_mm === null ? null : i + 1)).filter(Boolean);
  const line = of.map((n, k) => [x(n), y(lately[k])]);
  chart.append(svg("polyline", { class: "own-line", points: line.map((p) => p.join(",")).join(" ") }));
  attempts.forEach((a, i) => {
    if (a.entry_mm === null) return;
    const title = svg("title", {}, `${i + 1}: ${a.entry_mm.toFixed(1)} mm, ${a.head}`);
    chart.append(a.failed
      ? svg("rect", { class: "own", x: x(i + 1) - 5, y: y(a.entry_mm) - 5, width: 10, height: 10 }, title)
      : svg("circle", { class: "own", cx: x(i + 1), cy: y(a.entry_mm), r: 5 }, title));
    if (attempts.length <= 12) chart.append(words(x(i + 1), HEIGHT - 24, String(i + 1), { "text-anchor": "middle" }));
  });
  if (attempts.some((a) => a.failed)) {
    chart.append(words(EDGE.left, 12, "square: judgement failed"));
  }
  return chart;
}

/** Seen from above, nose at the top, the patient's right on the right. */
function dots({ attempts, bias }) {
  const points = attempts.filter((a) => a.xy_mm).map((a) => a.xy_mm);
  const reach = Math.max(10, ...points.flat().map(Math.abs), ...(bias.ellipse_mm ?? []).flat().map(Math.abs)) * 1.15;
  const size = HEIGHT - EDGE.top - EDGE.bottom;
  const middle = { x: WIDTH / 2, y: EDGE.top + size / 2 };
  const per = size / 2 / reach;
  const at = ([right, front]) => [middle.x + right * per, middle.y - front * per];
  const chart = svg("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: "img", "aria-label": bias.words });
  chart.append(svg("line", { class: "grid", x1: middle.x - size / 2, x2: middle.x + size / 2, y1: middle.y, y2: middle.y }),
    svg("line", { class: "grid", x1: middle.x, x2: middle.x, y1: EDGE.top, y2: EDGE.top + size }));
  if (bias.ellipse_mm) {
    chart.append(svg("polygon", { class: "own-line dashed", points: bias.ellipse_mm.map((p) => at(p).join(",")).join(" ") }));
  }
  for (const point of points) {
    const [cx, cy] = at(point);
    chart.append(svg("circle", { class: "own", cx, cy, r: 4 }));
  }
  const [mx, my] = at(bias.mean_mm);
  chart.append(svg("path", { class: "own-line", d: `M${mx - 9} ${my}H${mx + 9}M${mx} ${my - 9}V${my + 9}` }));
  const [tx, ty] = [middle.x, middle.y];
  chart.append(svg("path", { class: "truth", d: `M${tx} ${ty - 7}L${tx + 7} ${ty}L${tx} ${ty + 7}L${tx - 7} ${ty}Z` }));
  const bar = 10 * per;
  chart.append(svg("line", { class: "axis", x1: 12, x2: 12 + bar, y1: HEIGHT - 16, y2: HEIGHT - 16 }),
    words(12, HEIGHT - 22, "10 mm"), words(middle.x, 12, "FRONT", { "text-anchor": "middle" }),
    words(middle.x, HEIGHT - 8, "BACK", { "text-anchor": "middle" }),
    words(WIDTH - 6, middle.y - 6, "PATIENT'S RIGHT", { "text-anchor": "end" }),
    words(6, middle.y - 6, "PATIENT'S LEFT"));
  return chart;
}

function listed({ attempts }) {
  const heads = ["", "When", "Head", "Nasion", "By eye", "Entry", "Tilt", "Judgement"];
  return el("div", { className: "scroll" }, el("table", { id: "attempts" },
    el("thead", {}, el("tr", {}, ...heads.map((h) => el("th", { scope: "col" }, h)))),
    el("tbody", {}, ...attempts.map((a, i) => el("tr", {}, el("th", { scope: "row" }, String(i + 1)),
      ...a.cells.map((cell) => el("td", {}, cell)))))));
}
