// What fingers, mouse and pen do on a picture. Up and down scrolls the page (touch-action: pan-y); everything else comes here.
const TAP_MS = 350;
const TAP_PX = 24; // a glove is not a needle
const DRAG_PX = 8;

/**
 * Listen on an element. All places are in its own pixels.
 * point(x, y): somebody points there. leave(): nobody does any more. box(x0, y0, x1, y1): a part was marked with the mouse;
 * pinch(factor, x, y, dx, dy): two fingers around x, y moved apart by a factor and along by dx, dy. reset(): a double tap.
 */
export function listenTo(element, { point, leave, box, pinch, reset }) {
  const down = new Map();
  const frame = element.querySelector(".rv-box");
  let drag = null;
  let tap = null;
  let pinched = false;
  const place = (event) => {
    const area = element.getBoundingClientRect();
    return { x: event.clientX - area.left, y: event.clientY - area.top };
  };

  element.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    const at = place(event);
    down.set(event.pointerId, at);
    pinched = down.size > 1;
    drag = event.pointerType === "mouse" && box ? at : null;
    if (event.pointerType !== "touch") capture(element, event.pointerId);
    point?.(at.x, at.y);
  });

  element.addEventListener("pointermove", (event) => {
    const at = place(event);
    const before = down.get(event.pointerId);
    if (before && down.size === 2 && pinch) {
      const other = [...down].find(([id]) => id !== event.pointerId)[1];
      down.set(event.pointerId, at);
      const was = Math.max(20, Math.hypot(before.x - other.x, before.y - other.y));
      const is = Math.max(20, Math.hypot(at.x - other.x, at.y - other.y));
      pinch(is / was, (at.x + other.x) / 2, (at.y + other.y) / 2, (at.x - before.x) / 2, (at.y - before.y) / 2);
      return;
    }
    if (before) down.set(event.pointerId, at);
    if (drag && Math.hypot(at.x - drag.x, at.y - drag.y) > DRAG_PX) showBox(frame, drag, at);
    if (!pinched || !down.size) point?.(at.x, at.y);
  });

  element.addEventListener("pointerup", (event) => {
    const at = place(event);
    const began = drag;
    drag = null;
    frame.hidden = true;
    down.delete(event.pointerId);
    if (began && Math.hypot(at.x - began.x, at.y - began.y) > DRAG_PX) {
      box(began.x, began.y, at.x, at.y);
      tap = null;
      return;
    }
    if (pinched) {
      if (!down.size) pinched = false;
      tap = null;
      return;
    }
    if (tap && event.timeStamp - tap.atMs < TAP_MS && Math.hypot(at.x - tap.x, at.y - tap.y) < TAP_PX) {
      tap = null;
      reset?.();
    } else tap = { ...at, atMs: event.timeStamp };
  });

  element.addEventListener("pointercancel", (event) => {
    // the browser took the finger to scroll the page
    down.delete(event.pointerId);
    drag = tap = null;
    frame.hidden = true;
    if (!down.size) pinched = false;
  });
  element.addEventListener("pointerleave", (event) => {
    if (event.pointerType === "mouse" && !down.size) leave?.();
  });
}

function capture(element, pointerId) {
  try {
    element.setPointerCapture(pointerId);
  } catch {
    // it is gone already
  }
}

function showBox(frame, from, to) {
  frame.hidden = false;
  frame.style.left = `${Math.min(from.x, to.x)}px`;
  frame.style.top = `${Math.min(from.y, to.y)}px`;
  frame.style.width = `${Math.abs(from.x - to.x)}px`;
  frame.style.height = `${Math.abs(from.y - to.y)}px`;
}
