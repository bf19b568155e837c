// Mouse, touch and pen on the head: a tap marks, a drag turns, two fingers bring it nearer.
const STILL_PX = 7; // a finger never lies quite still

/**
 * @param view   the HeadView
 * @param hands  { grab(x, y, reach) -> bool, drag(x, y), drop(), tap(hit, x, y) }
 */
export function listen(view, hands) {
  const { canvas } = view;
  const down = new Map();
  let mode = null;
  let start = null;
  let spread = null;

  canvas.addEventListener("pointerdown", (event) => {
    canvas.focus({ preventScroll: true });
    canvas.setPointerCapture(event.pointerId);
    down.set(event.pointerId, { x: event.clientX, y: event.clientY });
    if (down.size === 2) {
      if (mode === "hold") hands.drop();
      mode = "pinch";
      spread = between(down);
      return;
    }
    if (down.size > 2) return;
    start = { x: event.clientX, y: event.clientY };
    const reach = event.pointerType === "mouse" ? 14 : 30;
    mode = event.button === 0 && hands.grab(start.x, start.y, reach) ? "hold" : "still";
  });

  canvas.addEventListener("pointermove", (event) => {
    const last = down.get(event.pointerId);
    if (!last) return;
    const now = { x: event.clientX, y: event.clientY };
    down.set(event.pointerId, now);
    if (mode === "pinch") {
      const next = between(down);
      if (spread > 0 && next > 0) view.zoomBy(next / spread);
      view.turn((now.x - last.x) / 2, (now.y - last.y) / 2);
      spread = next;
      return;
    }
    if (mode === "hold") {
      hands.drag(now.x, now.y);
      return;
    }
    if (mode === "still") {
      if (Math.hypot(now.x - start.x, now.y - start.y) <= STILL_PX) return;
      mode = "turn";
      view.turn(now.x - start.x, now.y - start.y);
      return;
    }
    view.turn(now.x - last.x, now.y - last.y);
  });

  const up = (event) => {
    if (!down.delete(event.pointerId)) return;
    if (mode === "hold") hands.drop();
    if (mode === "still" && event.type === "pointerup" && event.button === 0) {
      hands.tap(view.pick(event.clientX, event.clientY));
    }
    if (down.size === 0) mode = null;
    else if (mode === "pinch") mode = "turn";
  };
  canvas.addEventListener("pointerup", up);
  canvas.addEventListener("pointercancel", up);
  canvas.addEventListener("wheel", (event) => {
    event.preventDefault();
    const hit = event.deltaY < 0 ? view.pick(event.clientX, event.clientY) : null;
    view.zoomBy(Math.exp(-event.deltaY / 700), hit?.point);
  }, { passive: false });
}

function between(down) {
  const [a, b] = [...down.values()];
  return b ? Math.hypot(a.x - b.x, a.y - b.y) : 0;
}
