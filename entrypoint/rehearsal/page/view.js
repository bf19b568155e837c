// The head on the page: drawing on demand, turning, picking, and what is drawn on the skin.
// Positions are world millimetres, right-anterior-superior, as everywhere in the package.
import {
  BufferAttribute, BufferGeometry, CatmullRomCurve3, Color, CylinderGeometry, DirectionalLight,
  Group, HemisphereLight, Mesh, ShaderMaterial, MeshBasicMaterial, MeshLambertMaterial, OctahedronGeometry,
  PerspectiveCamera, Quaternion, Raycaster, RingGeometry, Scene, SphereGeometry, TubeGeometry,
  Vector2, Vector3, Vector4, WebGLRenderer, DoubleSide,
} from "./three.min.js";

const UP = new Vector3(0, 0, 1);
const FIELD_OF_VIEW_DEG = 22;
const FIT = 0.98; // of the ball round the head: its corners are never filled
const MOVING_RATIO = 1; // pixels drawn per pixel of the page while something moves
const RESTING_RATIO = 1.5; // and at rest, where that smooths the edges
const SETTLED_MS = 160; // after the last movement the picture is drawn once more, sharper

export const LOOKS = {
  front: { yaw: 0, pitch: 6, words: "in front" },
  right: { yaw: 90, pitch: 8, words: "the PATIENT'S RIGHT" },
  left: { yaw: -90, pitch: 8, words: "the PATIENT'S LEFT" },
  above: { yaw: 0, pitch: 86, words: "above" },
  behind: { yaw: 180, pitch: 8, words: "behind" },
  brow: { yaw: 0, pitch: 40, words: "in front and above" },
};

// Light is worked out at the corners and not at every pixel: with drawing in software that is what
// keeps a head of 60,000 triangles turning.
const SKIN_CORNERS = `
  uniform vec3 lamp;
  uniform vec4 drape;
  varying float light;
  varying float under;
  void main() {
    vec3 n = normalize(normalMatrix * normal);
    light = 0.50 + 0.10 * n.y + 0.44 * max(dot(n, lamp), 0.0);
    under = dot(drape.xyz, position) - drape.w;
    vec3 at = position + (under > 0.0 ? min(under, 2.5) : 0.0) * normal;
    gl_Position = projectionMatrix * modelViewMatrix * vec4(at, 1.0);
  }`;
const SKIN_PIXELS = `
  uniform vec3 tone;
  uniform vec3 cloth;
  uniform float opacity;
  varying float light;
  varying float under;
  void main() { gl_FragColor = vec4((under > 0.0 ? cloth : tone) * light, opacity); }`;

const radians = (deg) => (deg * Math.PI) / 180;
export const vector = (mm) => new Vector3(mm[0], mm[1], mm[2]);
export const plain = (v) => [v.x, v.y, v.z];

/** Mesh bytes of the server: "EPM1", number of points, number of triangles, then both arrays. */
export function meshOf(buffer) {
  const head = new DataView(buffer);
  const kind = String.fromCharCode(...new Uint8Array(buffer, 0, 4));
  if (kind !== "EPM1") throw new Error("not a mesh of this page");
  const points = head.getUint32(4, true);
  const triangles = head.getUint32(8, true);
  const geometry = new BufferGeometry();
  const xyz = new Float32Array(buffer, 12, 3 * points);
  geometry.setAttribute("position", new BufferAttribute(xyz, 3));
  geometry.setIndex(new BufferAttribute(new Uint32Array(buffer, 12 + 12 * points, 3 * triangles), 1));
  geometry.computeVertexNormals();
  geometry.computeBoundingSphere();
  geometry.computeBoundingBox();
  return geometry;
}

export class HeadView {
  /**
   * @param canvas  the canvas element
   * @param overlay an element over it, for words beside points
   */
  constructor(canvas, overlay) {
    this.canvas = canvas;
    this.overlay = overlay;
    this.renderer = new WebGLRenderer({ canvas, antialias: false, alpha: true });
    this.scene = new Scene();
    this.camera = new PerspectiveCamera(FIELD_OF_VIEW_DEG, 1, 50, 4000);
    this.camera.up.copy(UP);
    this.sky = new HemisphereLight(0xffffff, 0x6f6a64, 0.75);
    this.lamp = new DirectionalLight(0xffffff, 2.5);
    this.scene.add(this.sky, this.lamp);
    this.skin = null;
    this.drawn = new Group(); // everything laid on the skin
    this.scene.add(this.drawn);
    this.layers = new Map();
    this.tags = new Map();
    this.yaw = 0;
    this.pitch = 6;
    this.zoom = 1;
    this.centre = new Vector3();
    this.focus = null;
    this.radius = 120;
    this.frames = [];
    this.ray = new Raycaster();
    this.pending = false;
    this.told = 0; // words put up so far: the newest find their place first
    this.onframe = () => {};
    new ResizeObserver(() => this.resize()).observe(canvas.parentElement);
    this.recolour();
    this.resize();
  }

  /** Colours come from the page's own style, so that light and dark agree. */
  recolour() {
    const style = getComputedStyle(document.documentElement);
    this.colours = {};
    for (const name of ["skin", "cloth", "own", "truth", "aid", "tape", "drill", "cursor"]) {
      this.colours[name] = new Color(style.getPropertyValue(`--head-${name}`).trim());
    }
    if (this.skin) this.tone();
    this.draw();
  }

  show(geometry) {
    this.hide();
    const material = new ShaderMaterial({
      vertexShader: SKIN_CORNERS,
      fragmentShader: SKIN_PIXELS,
      uniforms: {
        tone: { value: new Vector3() },
        cloth: { value: new Vector3() },
        drape: { value: new Vector4(0, 0, 0, 1) },
        opacity: { value: 1 },
        lamp: { value: new Vector3(-0.5, 0.55, 0.67).normalize() },
      },
    });
    this.skin = new Mesh(geometry, material);
    this.tone();
    this.scene.add(this.skin);
    geometry.boundingBox.getCenter(this.centre);
    this.radius = geometry.boundingSphere.radius;
    this.focus = null;
    this.zoom = 1;
    this.look("front");
  }

  /** The skin's colour, as it is to come out on the screen. */
  tone() {
    for (const [uniform, name] of [["tone", "skin"], ["cloth", "cloth"]]) {
      const { r, g, b } = this.colours[name].clone().convertLinearToSRGB();
      this.skin.material.uniforms[uniform].value.set(r, g, b);
    }
  }

  /** Lay a cloth over what lies beyond a plane, or take it off. */
  drape(plane) {
    const [x, y, z] = plane?.unit_normal ?? [0, 0, 0];
    const away = plane ? vector(plane.point_mm).dot(vector(plane.unit_normal)) : 1;
    this.skin.material.uniforms.drape.value.set(x, y, z, away);
    this.draw();
  }

  /** Whether a cloth lies over a point. */
  covered(point) {
    const { x, y, z, w } = this.skin.material.uniforms.drape.value;
    return point.x * x + point.y * y + point.z * z > w;
  }

  hide() {
    if (this.skin) {
      this.scene.remove(this.skin);
      this.skin.geometry.dispose();
      this.skin.material.dispose();
      this.skin = null;
    }
    for (const name of [...this.layers.keys()]) this.clear(name);
    this.draw();
  }

  seeThrough(ratio) {
    if (!this.skin) return;
    this.skin.material.transparent = ratio < 1;
    this.skin.material.uniforms.opacity.value = ratio;
    this.skin.material.depthWrite = ratio >= 1;
    this.skin.material.needsUpdate = true;
    this.draw();
  }

  // ---------------------------------------------------------------- where it is seen from

  look(name, { lean = 0, tip = 0, zoom = null, focus = null } = {}) {
    const { yaw, pitch } = LOOKS[name];
    this.yaw = yaw + lean;
    this.pitch = pitch + tip;
    if (zoom !== null) this.zoom = zoom;
    if (focus !== null) this.focus = vector(focus);
    this.draw();
  }

  turn(dx, dy) {
    const per = 0.42 / Math.sqrt(this.zoom);
    this.yaw = ((this.yaw - dx * per + 540) % 360) - 180;
    this.pitch = Math.max(-60, Math.min(89, this.pitch + dy * per));
    this.draw();
  }

  zoomBy(factor, focus = null) {
    this.zoom = Math.max(0.8, Math.min(6, this.zoom * factor));
    if (focus) this.focus = focus.clone();
    this.draw();
  }

  /** Turn so that a point of the skin faces the eye, if it lies near the rim of what is seen. */
  follow(point, normal, most = 0.55) {
    const toEye = this.toEye();
    if (normal.dot(toEye) >= most) return;
    const away = point.clone().sub(this.centre).normalize();
    const wanted = away.lerp(normal, 0.5).normalize();
    const next = toEye.lerp(wanted, 0.25).normalize();
    this.pitch = Math.max(-60, Math.min(89, (Math.asin(next.z) * 180) / Math.PI));
    if (Math.hypot(next.x, next.y) > 0.05) this.yaw = (Math.atan2(next.x, next.y) * 180) / Math.PI;
    this.draw();
  }

  toEye() {
    const yaw = radians(this.yaw);
    const pitch = radians(this.pitch);
    return new Vector3(
      Math.sin(yaw) * Math.cos(pitch), Math.cos(yaw) * Math.cos(pitch), Math.sin(pitch),
    );
  }

  /** Directions of the page in the world: to the right, up, and to the eye. */
  pageAxes() {
    const eye = this.toEye();
    const right = new Vector3().crossVectors(UP, eye).normalize();
    return { right, up: new Vector3().crossVectors(eye, right).normalize(), eye };
  }

  /** In words: what lies at the left and the right edge, and where it is seen from. */
  words() {
    const { right } = this.pageAxes();
    const sides = right.x > 0 ? ["PATIENT'S LEFT", "PATIENT'S RIGHT"]
      : ["PATIENT'S RIGHT", "PATIENT'S LEFT"];
    const ends = right.y > 0 ? ["BACK", "FRONT"] : ["FRONT", "BACK"];
    const edges = Math.abs(right.x) >= Math.abs(right.y) ? sides : ends;
    const eye = this.toEye();
    const from = [];
    if (Math.abs(eye.y) > 0.35) from.push(eye.y > 0 ? "in front" : "behind");
    if (Math.abs(eye.x) > 0.35) from.push(eye.x > 0 ? "the PATIENT'S RIGHT" : "the PATIENT'S LEFT");
    if (eye.z > 0.35) from.push("above");
    if (eye.z < -0.35) from.push("below");
    return { edges, from: from.join(" and ") || "in front" };
  }

  // ---------------------------------------------------------------- picking

  /** The skin under a place of the page (in the canvas' own pixels), or null. */
  pick(x, y) {
    if (!this.skin) return null;
    this.place();
    const box = this.canvas.getBoundingClientRect();
    const at = new Vector2((2 * (x - box.left)) / box.width - 1, 1 - (2 * (y - box.top)) / box.height);
    this.ray.setFromCamera(at, this.camera);
    return this.hit();
  }

  /** The skin nearest to a point, looked for along a direction from outside. */
  drop(point, outward, reach = 60) {
    if (!this.skin) return null;
    const from = point.clone().addScaledVector(outward, reach);
    this.ray.set(from, outward.clone().negate());
    return this.hit();
  }

  hit() {
    const hits = this.ray.intersectObject(this.skin, false);
    if (!hits.length) return null;
    const [first] = hits;
    const normal = this.smoothNormal(first);
    return { point: first.point.clone(), normal };
  }

  smoothNormal(hit) {
    const normals = this.skin.geometry.getAttribute("normal");
    const sum = new Vector3();
    for (const i of [hit.face.a, hit.face.b, hit.face.c]) {
      sum.add(new Vector3(normals.getX(i), normals.getY(i), normals.getZ(i)));
    }
    return sum.normalize();
  }

  onPage(point) {
    this.place();
    const at = point.clone().project(this.camera);
    const box = this.canvas.getBoundingClientRect();
    return { x: box.left + ((at.x + 1) / 2) * box.width, y: box.top + ((1 - at.y) / 2) * box.height };
  }

  // ---------------------------------------------------------------- what is drawn on the skin

  clear(name) {
    const layer = this.layers.get(name);
    if (!layer) return;
    layer.traverse((part) => {
      part.geometry?.dispose();
      part.material?.dispose();
    });
    this.drawn.remove(layer);
    this.layers.delete(name);
    for (const tag of this.tags.get(name) ?? []) tag.element.remove();
    this.tags.delete(name);
    this.draw();
  }

  layer(name) {
    this.clear(name);
    const group = new Group();
    this.layers.set(name, group);
    this.drawn.add(group);
    this.tags.set(name, []);
    this.draw();
    return group;
  }

  flat(colour, { through = false } = {}) {
    return new MeshBasicMaterial({ color: this.colours[colour], depthTest: !through });
  }

  /** A point: a ball for the trainee's own, a diamond for the truth. */
  mark(name, mm, { colour = "own", shape = "ball", label = "", size = 2.4 } = {}) {
    const group = this.layer(name);
    const body = shape === "diamond" ? new OctahedronGeometry(size * 1.5)
      : new SphereGeometry(size, 16, 12);
    const mesh = new Mesh(body, this.flat(colour));
    mesh.position.copy(vector(mm));
    group.add(mesh);
    if (label) this.tag(name, mm, label, shape);
  }

  tag(name, mm, text, kind = "ball") {
    const element = document.createElement("span");
    element.className = `tag tag-${kind}`;
    element.textContent = text;
    this.overlay.append(element);
    const strong = Number(text) % 5 === 0;
    this.tags.get(name).push({
      element, point: vector(mm), size: [element.offsetWidth, element.offsetHeight],
      rank: kind !== "tick" ? 0 : strong ? 1 : 2, number: kind === "tick" ? Number(text) : this.told++,
    });
  }

  /** A line along the skin; `dashed` for what is true, plain for what was laid by hand. */
  line(name, points, { colour = "tape", width = 0.9, dashed = false, ticks = [], label = "" } = {}) {
    const group = this.layer(name);
    if (points.length < 2) return;
    const material = this.flat(colour);
    for (const part of dashed ? dashes(points, 4, 3) : [points]) {
      if (part.length < 2) continue;
      const curve = new CatmullRomCurve3(part.map(vector), false, "centripetal");
      const pieces = Math.min(240, Math.max(2, 2 * part.length));
      group.add(new Mesh(new TubeGeometry(curve, pieces, width, 6, false), material));
    }
    for (const tick of ticks) {
      const ball = new Mesh(new SphereGeometry(tick.strong ? 2 : 1.4, 10, 8), this.flat(colour));
      ball.position.copy(vector(tick.mm));
      group.add(ball);
      if (tick.text) this.tag(name, tick.mm, tick.text, "tick");
    }
    if (label) this.tag(name, points[points.length - 1], label, "line");
  }

  /** A drill that stands on the skin, pointing along a direction into the head. */
  drill(name, mm, inward, { colour = "drill", ghost = false, label = "" } = {}) {
    const group = this.layer(name);
    const outward = vector(inward).normalize().negate();
    const turned = new Quaternion().setFromUnitVectors(new Vector3(0, 1, 0), outward);
    const bit = new Mesh(new CylinderGeometry(ghost ? 0.9 : 1.5, ghost ? 0.9 : 1.2, 62, 12),
      this.flat(colour));
    bit.position.set(0, 31, 0);
    const parts = [bit];
    if (!ghost) {
      const stop = new Mesh(new CylinderGeometry(5, 5, 2.5, 20), this.solid(colour));
      stop.position.set(0, 20, 0);
      const body = new Mesh(new CylinderGeometry(8, 7, 44, 20), this.solid(colour));
      body.position.set(0, 84, 0);
      parts.push(stop, body);
    }
    const whole = new Group();
    whole.add(...parts);
    whole.quaternion.copy(turned);
    whole.position.copy(vector(mm));
    group.add(whole);
    if (label) this.tag(name, plain(vector(mm).addScaledVector(outward, ghost ? 62 : 108)), label, "line");
  }

  solid(colour) {
    return new MeshLambertMaterial({ color: this.colours[colour] });
  }

  /** The cursor of the keyboard: a ring that lies on the skin. */
  cursor(point, normal) {
    const group = this.layer("cursor");
    const material = new MeshBasicMaterial({
      color: this.colours.cursor, side: DoubleSide, depthTest: false,
    });
    const ring = new Mesh(new RingGeometry(3.2, 4.4, 28), material);
    ring.quaternion.setFromUnitVectors(new Vector3(0, 0, 1), normal);
    ring.position.copy(point).addScaledVector(normal, 0.8);
    ring.renderOrder = 5;
    const dot = new Mesh(new SphereGeometry(0.8, 8, 6), material.clone());
    dot.position.copy(point);
    dot.renderOrder = 5;
    group.add(ring, dot);
  }

  // ---------------------------------------------------------------- drawing

  resize() {
    const box = this.canvas.parentElement.getBoundingClientRect();
    if (!box.width || !box.height) return;
    this.renderer.setPixelRatio(1);
    this.renderer.setSize(box.width, box.height, false);
    this.camera.aspect = box.width / box.height;
    this.draw();
  }

  place() {
    const tangent = Math.tan(radians(FIELD_OF_VIEW_DEG / 2));
    const fit = Math.min(1, this.camera.aspect);
    const away = (FIT * this.radius) / (tangent * fit) / this.zoom;
    const share = Math.min(1, Math.max(0, (this.zoom - 1) / 1.5));
    const target = this.focus ? this.centre.clone().lerp(this.focus, share) : this.centre;
    const eye = this.toEye();
    this.camera.position.copy(target).addScaledVector(eye, away);
    this.camera.near = Math.max(20, away - 3 * this.radius);
    this.camera.far = away + 3 * this.radius;
    this.camera.lookAt(target);
    this.camera.updateProjectionMatrix();
    this.camera.updateMatrixWorld();
    const { right, up } = this.pageAxes();
    this.lamp.position.copy(eye).multiplyScalar(1.0).addScaledVector(up, 0.9)
      .addScaledVector(right, -0.8);
  }

  /** Ask for a picture: plain while things move, sharper once they rest. */
  draw() {
    clearTimeout(this.settling);
    this.settling = setTimeout(
      () => this.render(Math.max(RESTING_RATIO, Math.min(devicePixelRatio || 1, 2))), SETTLED_MS);
    if (this.pending) return;
    this.pending = true;
    requestAnimationFrame(() => {
      this.pending = false;
      this.render(MOVING_RATIO);
    });
  }

  render(ratio) {
    if (this.renderer.getPixelRatio() !== ratio) {
      const box = this.canvas.parentElement.getBoundingClientRect();
      this.renderer.setPixelRatio(ratio);
      this.renderer.setSize(box.width, box.height, false);
    }
    this.place();
    this.renderer.render(this.scene, this.camera);
    this.frames.push(performance.now());
    if (this.frames.length > 240) this.frames.shift();
    this.placeTags();
    this.onframe();
  }

  /** Words beside points: hidden behind the head, and kept from lying on each other. */
  placeTags() {
    const eye = this.camera.position;
    const width = this.overlay.clientWidth;
    const height = this.overlay.clientHeight;
    const taken = [];
    const wanted = [];
    for (const tags of this.tags.values()) wanted.push(...tags);
    // Names before centimetres, the newest name first.
    wanted.sort((a, b) => (a.rank === b.rank ? b.number - a.number : a.rank - b.rank));
    for (const { element, point, size } of wanted) {
      const at = point.clone().project(this.camera);
      const outward = point.clone().sub(this.centre).normalize();
      const seen = outward.dot(eye.clone().sub(point).normalize()) > 0.02 && at.z < 1;
      const x = ((at.x + 1) / 2) * width;
      const y = ((1 - at.y) / 2) * height;
      const [w, h] = size;
      const spots = [[8, -h - 2], [8, 2], [-w - 8, -h - 2], [-w - 8, 2], [8, -2 * h - 4], [8, h + 4],
        [-w - 8, h + 4], [-w - 8, -2 * h - 4]];
      const tick = element.classList.contains("tag-tick");
      const tried = tick ? [[9, -h / 2]] : spots;
      const spot = seen ? tried.find(([dx, dy]) => free(taken, x + dx, y + dy, w, h, width, height))
        : undefined;
      element.hidden = spot === undefined;
      if (spot === undefined) continue;
      taken.push([x + spot[0], y + spot[1], w, h]);
      element.style.transform = `translate(${x + spot[0]}px, ${y + spot[1]}px)`;
    }
  }
}

/** Whether a box lies on the page and on no other box. */
function free(taken, x, y, w, h, width, height) {
  if (x < 24 || y < 0 || x + w > width - 24 || y + h > height) return false;
  return taken.every(([x0, y0, w0, h0]) => x + w < x0 || x0 + w0 < x || y + h < y0 || y0 + h0 < y);
}

/** A polyline cut into dashes, mm. */
function dashes(points, on, off) {
  const parts = [];
  let part = [points[0]];
  let left = on;
  let drawing = true;
  for (let i = 1; i < points.length; i += 1) {
    let from = vector(points[i - 1]);
    const to = vector(points[i]);
    let step = from.distanceTo(to);
    while (step > left) {
      from = from.lerp(to, left / step);
      step = from.distanceTo(to);
      if (drawing) {
        part.push(plain(from));
        parts.push(part);
      }
      drawing = !drawing;
      part = [plain(from)];
      left = drawing ? on : off;
    }
    left -= step;
    if (drawing) part.push(points[i]);
  }
  if (drawing) parts.push(part);
  return parts;
}
