// The head that turns: orthographic, drawn only when something changed, nothing moves by itself.
// Directions are the head's own: x to the patient's right, y to the front, z upwards, mm.
"use strict";
(() => {
  const part = document.getElementById("turn");
  const holder = document.getElementById("turn-scene");
  if (!part || !holder) return;
  const scene = JSON.parse(holder.textContent);
  const canvas = part.querySelector("canvas");
  const stage = part.querySelector(".stage");
  const gl = canvas.getContext("webgl", {
    antialias: true, alpha: true, preserveDrawingBuffer: true,
  });
  const unable = document.getElementById("turn-unable");
  if (!gl) {
    if (unable) unable.hidden = false;
    return;
  }

  const VERTEX = `
    attribute vec3 at, normal;
    uniform vec3 right, up, eye, scale;
    varying vec3 facing;
    void main() {
      facing = vec3(dot(normal, right), dot(normal, up), dot(normal, eye));
      gl_Position = vec4(dot(at, right) * scale.x, dot(at, up) * scale.y,
                         -dot(at, eye) * scale.z, 1.0);
    }`;
  const FRAGMENT = `
    precision mediump float;
    uniform vec4 colour;
    uniform float rim;
    varying vec3 facing;
    void main() {
      vec3 n = normalize(facing);
      float towards = abs(n.z);
      float light = 0.42 + 0.58 * max(0.0, dot(vec3(n.xy * sign(n.z), towards),
                                               normalize(vec3(-0.35, 0.45, 1.0))));
      float alpha = colour.a * mix(1.0, 0.45 + 1.5 * pow(1.0 - towards, 2.0), rim);
      alpha = min(alpha, 0.9 + 0.1 * (1.0 - rim));
      gl_FragColor = vec4(colour.rgb * light * alpha, alpha);
    }`;

  let program, places;
  function compile(kind, text) {
    const shader = gl.createShader(kind);
    gl.shaderSource(shader, text);
    gl.compileShader(shader);
    return shader;
  }
  function prepare() {
    program = gl.createProgram();
    gl.attachShader(program, compile(gl.VERTEX_SHADER, VERTEX));
    gl.attachShader(program, compile(gl.FRAGMENT_SHADER, FRAGMENT));
    gl.linkProgram(program);
    gl.useProgram(program);
    places = {};
    for (const name of ["right", "up", "eye", "scale", "colour", "rim"])
      places[name] = gl.getUniformLocation(program, name);
    for (const name of ["at", "normal"])
      places[name] = gl.getAttribLocation(program, name);
    gl.enable(gl.DEPTH_TEST);
    gl.blendFunc(gl.ONE, gl.ONE_MINUS_SRC_ALPHA);
  }

  // --- vectors and meshes ---
  const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
  const minus = (a, b) => [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
  const cross = (a, b) => [
    a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0],
  ];
  const unit = (a) => {
    const size = Math.hypot(...a) || 1;
    return [a[0] / size, a[1] / size, a[2] / size];
  };
  const mix = (a, b, t) => [0, 1, 2].map((k) => a[k] + t * (b[k] - a[k]));

  function unpacked(told) {
    const text = atob(document.getElementById("turn-" + told.name).textContent.trim());
    const bytes = Uint8Array.from(text, (letter) => letter.charCodeAt(0));
    const view = new DataView(bytes.buffer);
    const corners = new Float32Array(3 * told.corners);
    for (let k = 0; k < corners.length; k++) {
      const low = told.low[k % 3], high = told.high[k % 3];
      corners[k] = low + (view.getUint16(2 * k, true) / 65535) * (high - low);
    }
    const faces = new Uint16Array(3 * told.triangles);
    for (let k = 0; k < faces.length; k++)
      faces[k] = view.getUint16(2 * (corners.length + k), true);
    return { corners, faces };
  }

  function normals(corners, faces) {
    const out = new Float32Array(corners.length);
    const corner = (k) => [corners[3 * k], corners[3 * k + 1], corners[3 * k + 2]];
    for (let f = 0; f < faces.length; f += 3) {
      const [a, b, c] = [corner(faces[f]), corner(faces[f + 1]), corner(faces[f + 2])];
      const n = cross(minus(b, a), minus(c, a));
      for (let j = 0; j < 3; j++)
        for (let k = 0; k < 3; k++) out[3 * faces[f + j] + k] += n[k];
    }
    return out;
  }

  function buffered(kind, { corners, faces, normal }) {
    const made = { kind, count: faces.length };
    for (const [name, content, target] of [
      ["at", corners, gl.ARRAY_BUFFER],
      ["normal", normal || normals(corners, faces), gl.ARRAY_BUFFER],
      ["faces", faces, gl.ELEMENT_ARRAY_BUFFER],
    ]) {
      made[name] = gl.createBuffer();
      gl.bindBuffer(target, made[name]);
      gl.bufferData(target, content, gl.STATIC_DRAW);
    }
    return made;
  }

  const ROUND = 10;
  function tube(points, radius) {
    const corners = [], normal = [], faces = [];
    points.forEach((point, k) => {
      const along = unit(minus(points[Math.min(k + 1, points.length - 1)],
                               points[Math.max(k - 1, 0)]));
      const aside = unit(cross(along, Math.abs(along[2]) < 0.9 ? [0, 0, 1] : [1, 0, 0]));
      const other = cross(along, aside);
      for (let j = 0; j < ROUND; j++) {
        const [c, s] = [Math.cos((2 * Math.PI * j) / ROUND), Math.sin((2 * Math.PI * j) / ROUND)];
        const n = [0, 1, 2].map((i) => c * aside[i] + s * other[i]);
        normal.push(...n);
        corners.push(...n.map((x, i) => point[i] + radius * x));
      }
    });
    for (let k = 0; k + 1 < points.length; k++)
      for (let j = 0; j < ROUND; j++) {
        const [a, b] = [k * ROUND + j, k * ROUND + ((j + 1) % ROUND)];
        faces.push(a, b, a + ROUND, b, b + ROUND, a + ROUND);
      }
    for (const end of [0, points.length - 1])
      for (let j = 1; j + 1 < ROUND; j++)
        faces.push(end * ROUND, end * ROUND + j, end * ROUND + j + 1);
    return { corners: new Float32Array(corners), normal: new Float32Array(normal),
             faces: new Uint16Array(faces) };
  }

  function ball(at, radius) {
    const corners = [], normal = [], faces = [], rows = 12, columns = 18;
    for (let r = 0; r <= rows; r++)
      for (let c = 0; c <= columns; c++) {
        const [a, b] = [(Math.PI * r) / rows, (2 * Math.PI * c) / columns];
        const n = [Math.sin(a) * Math.cos(b), Math.sin(a) * Math.sin(b), Math.cos(a)];
        normal.push(...n);
        corners.push(...n.map((x, i) => at[i] + radius * x));
        if (r < rows && c < columns) {
          const k = r * (columns + 1) + c;
          faces.push(k, k + 1, k + columns + 1, k + 1, k + columns + 2, k + columns + 1);
        }
      }
    return { corners: new Float32Array(corners), normal: new Float32Array(normal),
             faces: new Uint16Array(faces) };
  }

  // A line cut into pieces of one length with gaps of another.
  function dashes(points, [dash, gap]) {
    const pieces = [];
    let piece = [points[0]], left = dash, drawn = true;
    for (let k = 0; k + 1 < points.length; k++) {
      let from = points[k];
      let rest = Math.hypot(...minus(points[k + 1], from));
      while (rest > left) {
        const cut = mix(from, points[k + 1], left / rest);
        if (drawn) pieces.push([...piece, cut]);
        piece = [cut];
        rest -= left;
        from = cut;
        drawn = !drawn;
        left = drawn ? dash : gap;
      }
      left -= rest;
      if (drawn) piece.push(points[k + 1]);
      else piece = [points[k + 1]];
    }
    if (drawn && piece.length > 1) pieces.push(piece);
    return pieces;
  }

  let bodies = {}, marks = [];
  function build() {
    prepare();
    bodies = {};
    for (const told of scene.surfaces) bodies[told.name] = buffered(told.name, unpacked(told));
    marks = [];
    for (const line of scene.lines)
      for (const points of line.dash ? dashes(line.points, line.dash) : [line.points])
        marks.push(buffered(line.kind, tube(points, line.radius)));
    for (const one of scene.balls) marks.push(buffered(one.kind, ball(one.at, one.radius)));
  }

  // --- where it is seen from ---
  const STEP = 5, NEAREST = 4, FARTHEST = 0.8;
  const state = { turn: 0, rise: 0, near: 1 };
  function directions() {
    const [t, r] = [(state.turn * Math.PI) / 180, (state.rise * Math.PI) / 180];
    const eye = [Math.sin(t) * Math.cos(r), Math.cos(t) * Math.cos(r), Math.sin(r)];
    const up = [-Math.sin(t) * Math.sin(r), -Math.cos(t) * Math.sin(r), Math.cos(r)];
    return { eye, up, right: cross(up, eye) };
  }
  function seenFrom({ eye, up }) {
    if (eye[2] > 0.985)
      return up[1] > 0.9 ? "the head end, nose at the top" : "the head end";
    if (eye[2] < -0.985) return "below";
    const words = [];
    if (Math.abs(eye[1]) > 0.34) words.push(eye[1] > 0 ? "in front" : "behind");
    if (Math.abs(eye[2]) > 0.2) words.push(eye[2] > 0 ? "above" : "below");
    const side = Math.abs(eye[0]) < 0.17 ? "" :
      "the PATIENT'S " + (eye[0] > 0 ? "RIGHT" : "LEFT");
    if (!words.length) return side || "in front";
    return words.join(" and ") + (side ? ", on " + side : "");
  }
  function edge(direction) {
    if (Math.abs(direction[0]) > 0.3)
      return "PATIENT'S " + (direction[0] > 0 ? "RIGHT" : "LEFT");
    return direction[1] > 0 ? "FRONT" : "BACK";
  }

  // --- drawing ---
  let style = {};
  function colours() {
    const given = getComputedStyle(part);
    for (const name of ["skin", "bone", "tape", "path", "hidden", "suture"]) {
      const digits = given.getPropertyValue("--turn-" + name).trim().slice(1);
      style[name] = [0, 2, 4].map((k) => parseInt(digits.slice(k, k + 2), 16) / 255);
    }
  }
  function put(made, alpha, rim) {
    for (const name of ["at", "normal"]) {
      gl.bindBuffer(gl.ARRAY_BUFFER, made[name]);
      gl.enableVertexAttribArray(places[name]);
      gl.vertexAttribPointer(places[name], 3, gl.FLOAT, false, 0, 0);
    }
    gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, made.faces);
    gl.uniform4f(places.colour, ...style[made.kind], alpha);
    gl.uniform1f(places.rim, rim);
    gl.drawElements(gl.TRIANGLES, made.count, gl.UNSIGNED_SHORT, 0);
  }
  const shown = (name) => part.querySelector(`input[value="${name}"]`).checked;

  function draw() {
    const wide = stage.clientWidth, high = stage.clientHeight;
    const dots = Math.min(window.devicePixelRatio || 1, 2);
    const size = [Math.round(wide * dots), Math.round(high * dots)];
    if (canvas.width !== size[0] || canvas.height !== size[1]) [canvas.width, canvas.height] = size;
    gl.viewport(0, 0, ...size);
    const to = directions();
    const half = scene.halfHeight * Math.max(1, (0.94 * high) / wide) / state.near;
    for (const name of ["right", "up", "eye"]) gl.uniform3f(places[name], ...to[name]);
    gl.uniform3f(places.scale, high / wide / half, 1 / half, 1 / 400);
    gl.clearColor(0, 0, 0, 0);
    gl.depthMask(true);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    gl.depthFunc(gl.LEQUAL);
    gl.disable(gl.BLEND);
    if (shown("bone")) put(bodies.bone, 1, 0);
    for (const mark of marks) if (mark.kind !== "hidden") put(mark, 1, 0);
    // What lies under the bone is seen through it, paler than what does not.
    gl.enable(gl.BLEND);
    gl.depthMask(false);
    gl.depthFunc(gl.GREATER);
    for (const mark of marks) if (mark.kind === "hidden") put(mark, 0.75, 0);
    gl.depthMask(true);
    gl.depthFunc(gl.LEQUAL);
    for (const mark of marks) if (mark.kind === "hidden") put(mark, 1, 0);
    if (shown("skin")) {
      gl.colorMask(false, false, false, false);
      put(bodies.skin, 1, 0);
      gl.colorMask(true, true, true, true);
      put(bodies.skin, 0.42, 1);
    }
    write(to, wide, high, half);
  }

  const labels = scene.names.map((name) => {
    const made = document.createElement("span");
    made.className = name.inside ? "name inside" : "name";
    made.textContent = name.text;
    stage.append(made);
    return { ...name, made, out: unit(name.at) };
  });
  const told = part.querySelector(".seen-from");
  const edges = { left: stage.querySelector(".edge.left"), right: stage.querySelector(".edge.right") };
  const bar = stage.querySelector(".bar");

  function write(to, wide, high, half) {
    const px = high / (2 * half);
    const words = "Seen from " + seenFrom(to) + ".";
    if (told.textContent !== words) told.textContent = words;
    edges.left.textContent = edge(to.right.map((x) => -x));
    edges.right.textContent = edge(to.right);
    bar.style.width = 50 * px + "px";
    const taken = [];
    const nearest = [...labels].sort((a, b) => dot(b.at, to.up) - dot(a.at, to.up));
    for (const label of nearest) {
      const seen = label.inside || dot(label.out, to.eye) > 0.02;
      const x = wide / 2 + dot(label.at, to.right) * px;
      const y = high / 2 - dot(label.at, to.up) * px;
      const inside = x > 0 && x < wide && y > 0 && y < high;
      label.made.hidden = !(seen && inside);
      if (label.made.hidden) continue;
      const [w, h] = [label.made.offsetWidth, label.made.offsetHeight];
      // What lies on a side is named on that side; what lies on the midline, where there is room.
      const towards = (label.side || (to.eye[0] > 0 ? -1 : 1)) * to.right[0];
      let left = towards < 0 ? x - 14 - w : x + 14;
      left = Math.max(26, Math.min(wide - 26 - w, left));
      let top = y - h / 2;
      for (let tries = 0; tries < 12; tries++) {
        const hit = taken.find((b) => left < b[2] && left + w > b[0] && top < b[3] && top + h > b[1]);
        if (!hit) break;
        top = hit[3] + 1;
      }
      taken.push([left, top, left + w, top + h]);
      label.made.style.transform = `translate(${Math.round(left)}px, ${Math.round(top)}px)`;
    }
  }

  let asked = false;
  function ask() {
    if (asked) return;
    asked = true;
    requestAnimationFrame(() => {
      asked = false;
      draw();
    });
  }

  // --- what a reader can do ---
  const buttons = [...part.querySelectorAll("button[data-view]")];
  function press(which) {
    for (const button of buttons) button.setAttribute("aria-pressed", String(button === which));
  }
  function choose(button) {
    const view = scene.views[Number(button.dataset.view)];
    [state.turn, state.rise] = [view.turn, view.rise];
    press(button);
    ask();
  }
  function turn(byTurn, byRise) {
    state.turn = ((state.turn + byTurn + 540) % 360) - 180;
    state.rise = Math.max(-90, Math.min(90, state.rise + byRise));
    press(null);
    ask();
  }
  function nearer(ratio) {
    state.near = Math.max(FARTHEST, Math.min(NEAREST, state.near * ratio));
    ask();
  }
  const DOES = {
    left: () => turn(-STEP, 0), right: () => turn(STEP, 0),
    up: () => turn(0, STEP), down: () => turn(0, -STEP),
    nearer: () => nearer(1.2), farther: () => nearer(1 / 1.2),
    first: () => { state.near = 1; choose(buttons[0]); },
  };
  const KEYS = {
    ArrowLeft: "left", ArrowRight: "right", ArrowUp: "up", ArrowDown: "down",
    "+": "nearer", "=": "nearer", "-": "farther", Home: "first",
  };
  canvas.addEventListener("keydown", (event) => {
    const what = KEYS[event.key];
    if (!what || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    DOES[what]();
  });
  part.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    if (button.dataset.view) choose(button);
    else DOES[button.dataset.does]();
  });
  part.addEventListener("change", ask);
  let held = null;
  canvas.addEventListener("pointerdown", (event) => {
    held = [event.clientX, event.clientY];
    canvas.setPointerCapture(event.pointerId);
  });
  canvas.addEventListener("pointermove", (event) => {
    if (!held) return;
    turn(0.4 * (event.clientX - held[0]), 0.4 * (event.clientY - held[1]));
    held = [event.clientX, event.clientY];
  });
  for (const name of ["pointerup", "pointercancel"])
    canvas.addEventListener(name, () => { held = null; });
  canvas.addEventListener("webglcontextlost", (event) => {
    event.preventDefault();
    document.documentElement.classList.remove("turns");
    part.hidden = true;
  });
  canvas.addEventListener("webglcontextrestored", () => {
    build();
    show();
  });
  const dark = matchMedia("(prefers-color-scheme: dark)");
  dark.addEventListener("change", () => { colours(); ask(); });
  new ResizeObserver(ask).observe(stage);

  function show() {
    part.hidden = false;
    document.documentElement.classList.add("turns");
    colours();
    draw();
  }
  build();
  [state.turn, state.rise] = [scene.views[0].turn, scene.views[0].rise];
  show();
})();

// What is folded away is unfolded for paper.
addEventListener("beforeprint", () => {
  for (const fold of document.querySelectorAll("details")) fold.open = true;
});
