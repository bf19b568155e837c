// Small helpers: elements without markup in strings, words for a screen reader, requests.

/** An element with properties and children; text is always text, never markup. */
export function el(kind, properties = {}, ...children) {
  const made = document.createElement(kind);
  for (const [name, value] of Object.entries(properties)) {
    if (value === null || value === undefined) continue;
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (name in made && typeof value !== "string") made[name] = value;
    else made.setAttribute(name === "className" ? "class" : name, value);
  }
  made.append(...children.flat().filter((child) => child !== null && child !== undefined));
  return made;
}

export function svg(kind, properties = {}, ...children) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", kind);
  for (const [name, value] of Object.entries(properties)) made.setAttribute(name, value);
  made.append(...children.flat());
  return made;
}

/** Fill a place anew; what is null is left out. */
export function fill(place, ...children) {
  place.replaceChildren(...children.flat().filter((child) => child !== null && child !== undefined));
}

export const button = (words, onclick, properties = {}) =>
  el("button", { type: "button", onclick, ...properties }, words);

export const byId = (id) => document.getElementById(id);

/** Say something to a screen reader. */
export function say(words) {
  const place = byId("say");
  place.textContent = "";
  setTimeout(() => { place.textContent = words; }, 30);
}

export class Refused extends Error {}

async function answered(response) {
  if (response.ok) return response;
  let words = "The page's own server refused this request.";
  try {
    words = (await response.json()).refused ?? words;
  } catch { /* no words came with it */ }
  throw new Refused(words);
}

const gone = "The server of this page does not answer: it was stopped. What was revealed is kept. " +
  "Start the command again and open the address that it prints.";

async function asked(address, options) {
  let response;
  try {
    response = await fetch(address, { ...options, credentials: "omit", redirect: "error" });
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Refused(gone);
  }
  return answered(response);
}

export const getJson = async (address) => (await asked(address, {})).json();
export const getBytes = async (address) => (await asked(address, {})).arrayBuffer();
export const post = async (address, body, signal) => (await asked(address, {
  method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body), signal,
})).json();

/** One request at a time, and always the last one asked for: for what follows a moving finger. */
export function latest(send) {
  let running = false;
  let waiting = null;
  return async function ask(argument) {
    if (running) {
      waiting?.resolve(null);
      return new Promise((resolve, reject) => { waiting = { argument, resolve, reject }; });
    }
    running = true;
    try {
      return await send(argument);
    } finally {
      running = false;
      if (waiting) {
        const { argument: next, resolve, reject } = waiting;
        waiting = null;
        ask(next).then(resolve, reject);
      }
    }
  };
}
