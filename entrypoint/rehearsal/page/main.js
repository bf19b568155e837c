// The page: which part of it is shown, and the head that all parts share.
import { Refused, button, byId, el, fill, getBytes, getJson, post, say } from "./dom.js";
import { listen } from "./pointer.js";
import { showProgress } from "./progress.js";
import { Rehearsal } from "./rehearsal.js";
import { reveal } from "./reveal.js";
import { HeadView, meshOf } from "./view.js";

const LOOK_KEYS = { f: "front", a: "above", r: "right", l: "left", b: "behind" };
export const page = { state: null, view: null, rehearsal: null, person: null, meshes: new Map() };

/** An answer that is still on its way draws nothing on the next head. */
function endRehearsal() {
  if (page.rehearsal) page.rehearsal.over = true;
  page.rehearsal = null;
}

function visible(part) {
  const working = part === "head";
  document.body.classList.toggle("working", working);
  byId("stage").hidden = !working;
  byId("go-heads").toggleAttribute("aria-current", false);
  byId("go-progress").toggleAttribute("aria-current", false);
  if (part === "heads") byId("go-heads").setAttribute("aria-current", "page");
  if (part === "progress") byId("go-progress").setAttribute("aria-current", "page");
  byId("step").className = working ? "step" : "step wide";
}

function problem(error) {
  if (!(error instanceof Refused)) throw error;
  visible("heads");
  fill(byId("step"),
    el("h2", { id: "step-title" }, "This did not work"),
    el("p", { className: "error", role: "alert" }, error.message),
    button("Back to the heads", () => heads()));
}

// ---------------------------------------------------------------- choosing a head

async function heads() {
  try {
    page.state = await getJson("state");
  } catch (error) {
    problem(error);
    return;
  }
  const { state } = page;
  endRehearsal();
  visible("heads");
  byId("banner").textContent = state.banner;
  byId("banner").hidden = false;
  page.person ??= state.people.suggested[0];
  const place = byId("step");
  if (state.session) {
    fill(place, ...sessionChoice(state));
  } else {
    fill(place, ...freeChoice(state));
  }
  place.focus({ preventScroll: true });
}

function personChoice(state, changed = () => {}) {
  if (state.people.places < 2) return null;
  const input = el("input", { id: "person", type: "text", list: "people", value: page.person,
    maxLength: 40, autocomplete: "off", onchange: () => {
      page.person = input.value.trim() || page.person;
      input.value = page.person;
      changed();
    } });
  return el("div", {},
    el("label", { for: "person" }, "Who rehearses: a name or a number"), input,
    el("datalist", { id: "people" }, ...state.people.suggested.map((name) => el("option", { value: name }))),
    el("p", { className: "note" }, "It is kept with the marks on this machine."));
}

function shownChoice() {
  const box = (name, words, more, checked) => el("label", { className: "choice" },
    el("input", { type: "checkbox", name, id: `show-${name}`, checked }),
    el("span", {}, el("b", {}, words), el("small", {}, more)));
  return el("fieldset", {}, el("legend", {}, "What is shown"),
    box("numbers", "Centimetres on the tape", "without them the tape is bare", true),
    box("midline", "The midline", "drawn on the scalp", false),
    box("suture", "The coronal suture", "drawn where a finger would find it", false));
}

function freeChoice(state) {
  const choice = (head, first) => el("label", { className: "choice" },
    el("input", { type: "radio", name: "head", value: head.key, checked: first }),
    el("span", {}, el("b", {}, head.title), el("small", {}, head.text)));
  const begin = () => {
    const of = document.querySelector("input[name=head]:checked").value;
    const key = of === "random" ? `random:${Number.parseInt(byId("seed").value, 10) || 0}` : of;
    const shown = {};
    for (const name of ["numbers", "midline", "suture"]) shown[name] = byId(`show-${name}`).checked;
    stage({ key, shown });
  };
  return [
    el("h2", { id: "step-title" }, "Choose a head"),
    el("p", {}, "Mark the entry on it as you would by hand, decide, and then see what is true."),
    personChoice(state),
    el("fieldset", {}, el("legend", {}, "Heads"), el("div", { className: "heads" },
      ...state.heads.map((head, i) => choice(head, i === 0)),
      el("label", { className: "choice" },
        el("input", { type: "radio", name: "head", value: "random" }),
        el("span", {}, el("b", {}, "A random head"),
          el("small", {}, "the same number draws the same head; it takes some ten seconds to make"),
          el("input", { id: "seed", type: "number", min: "0", max: "2147483647", value: "1",
            "aria-label": "Number of the random head",
            oninput: () => { document.querySelector("input[value=random]").checked = true; } }))))),
    shownChoice(),
    el("div", { className: "row" }, button("Begin", begin, { id: "begin", className: "weighty" })),
    el("p", { className: "note" }, state.teaches),
  ];
}

function sessionChoice(state) {
  const total = state.session.heads;
  const where = el("p", { className: "figure" });
  const begin = button("Begin", () => stage({}), { id: "begin", className: "weighty" });
  const tell = () => { // in place: a press on the button that ends the typing is not lost
    const done = state.session.done[page.person] ?? 0;
    const over = done > 0 && done % total === 0;
    where.textContent = over ? "All heads are done" : `Head ${(done % total) + 1} of ${total}`;
    begin.textContent = over ? "Begin again" : "Begin";
  };
  tell();
  return [
    el("h2", { id: "step-title" }, state.session.title),
    el("p", {}, `${total} ${total === 1 ? "head" : "heads"} in a fixed order. ${state.session.words}`),
    personChoice(state, tell),
    where,
    el("div", { className: "row" }, begin),
    el("p", { className: "note" }, state.teaches),
  ];
}

// ---------------------------------------------------------------- the head

async function stage(choice) {
  endRehearsal();
  visible("head");
  const { view } = page;
  view.hide();
  fill(byId("step"), el("h2", { id: "step-title" }, "One moment"),
    el("p", {}, "The head is read and planned on, as a scan would be."));
  byId("waiting").hidden = false;
  byId("waiting").textContent = "Putting the head on stage";
  try {
    const turn = await post("stage", { person: page.person, ...choice });
    if (!page.meshes.has(turn.mesh)) {
      page.meshes.clear();
      page.meshes.set(turn.mesh, await getBytes(turn.mesh));
    }
    page.choice = choice;
    byId("banner").hidden = !turn.practice;
    byId("banner").textContent = turn.practice ? page.state.banner : "";
    view.show(meshOf(page.meshes.get(turn.mesh)));
    page.rehearsal = new Rehearsal(view, turn, (answer, rehearsal) => {
      endRehearsal();
      reveal(view, rehearsal, answer, {
        again: () => stage(choice), heads, progress, session: Boolean(page.state.session),
      });
    });
  } catch (error) {
    problem(error);
  } finally {
    byId("waiting").hidden = true;
  }
}

async function progress() {
  endRehearsal();
  visible("progress");
  try {
    page.state = await getJson("state");
    await showProgress(byId("step"), page, { personChoice, heads });
  } catch (error) {
    problem(error);
  }
}

// ---------------------------------------------------------------- keys, buttons, light and dark

function keys(event) {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const onHead = document.activeElement === page.view.canvas;
  if (!onHead) return;
  const look = LOOK_KEYS[event.key.toLowerCase()];
  let taken = true;
  if (look) page.view.look(look);
  else if (event.key === "+" || event.key === "=") page.view.zoomBy(1.25, page.rehearsal?.ring?.point);
  else if (event.key === "-") page.view.zoomBy(0.8);
  else taken = page.rehearsal?.key(event) ?? false;
  if (taken) event.preventDefault();
}

function start() {
  try {
    page.view = new HeadView(byId("head"), byId("overlay"));
  } catch {
    problem(new Refused("This browser draws nothing in three dimensions (WebGL). Open the address in "
      + "another browser, or allow WebGL."));
    return;
  }
  const { view } = page;
  listen(view, {
    grab: (x, y, reach) => page.rehearsal?.grab(x, y, reach) ?? false,
    drag: (x, y) => page.rehearsal?.drag(x, y),
    drop: () => page.rehearsal?.drop(),
    tap: (hit) => page.rehearsal?.tap(hit),
  });
  view.onframe = () => {
    const { edges, from } = view.words();
    byId("edge-left").textContent = edges[0];
    byId("edge-right").textContent = edges[1];
    const words = `Seen from ${from}`;
    if (byId("from").textContent !== words) byId("from").textContent = words;
  };
  for (const control of document.querySelectorAll(".looks button")) {
    control.addEventListener("click", () => {
      if (control.dataset.look) {
        view.look(control.dataset.look);
        say(`Seen from ${view.words().from}.`);
      } else view.zoomBy(Number(control.dataset.zoom));
    });
  }
  document.addEventListener("keydown", keys);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
    view.recolour();
    page.rehearsal?.draw();
  });
  byId("go-heads").addEventListener("click", heads);
  byId("go-progress").addEventListener("click", progress);
  heads().then(() => {
    byId("caveat").textContent = page.state?.caveat ?? "";
    byId("banner").textContent = page.state?.banner ?? "";
    byId("banner").hidden = false;
  });
}

start();
