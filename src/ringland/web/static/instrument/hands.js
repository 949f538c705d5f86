// Wheel, drag, touch and keyboard on the trace.

import { TRACE_LEFT } from './trace.js';

export function wheelAndDrag(trace) {
  const { canvas } = trace;
  const fingers = new Map();
  let moved = 0;
  canvas.addEventListener('wheel', (event) => {
    event.preventDefault();
    const turned = event.deltaMode ? event.deltaY * 30 : event.deltaY;
    if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) trace.pan((event.deltaX || turned) / trace.plot);
    else trace.zoom(Math.exp(Math.max(-1, Math.min(1, turned / 400))), trace.time(event.offsetX));
  }, { passive: false });
  canvas.addEventListener('pointerdown', (event) => {
    canvas.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, { x: event.offsetX, held: heldCursor(trace, event) });
    moved = fingers.size > 1 ? 99 : 0;
  });
  canvas.addEventListener('pointermove', (event) => {
    const finger = fingers.get(event.pointerId);
    if (!finger) { trace.pointed?.(trace.time(event.offsetX)); return; }
    const others = [...fingers.entries()].filter(([id]) => id !== event.pointerId);
    moved += Math.abs(event.offsetX - finger.x);
    if (finger.held !== null) trace.cursor(finger.held, trace.time(event.offsetX));
    else if (others.length) pinch(trace, others[0][1].x, finger.x, event.offsetX);
    else if (moved > 4) trace.pan((finger.x - event.offsetX) / trace.plot);
    finger.x = event.offsetX;
  });
  const done = (event) => {
    const finger = fingers.get(event.pointerId);
    fingers.delete(event.pointerId);
    if (finger && event.type === 'pointerup' && moved <= 4 && event.offsetX >= TRACE_LEFT) trace.cursor(event.shiftKey ? 1 : trace.active, trace.time(event.offsetX));
  };
  canvas.addEventListener('pointerup', done);
  canvas.addEventListener('pointercancel', done);
}

function heldCursor(trace, event) {
  const near = event.pointerType === 'touch' ? 22 : 6;
  const found = trace.cursors.findIndex((t) => t !== null && Math.abs(trace.x(t) - event.offsetX) <= near);
  return found < 0 ? null : found;
}

function pinch(trace, still, before, now) {
  const other = trace.time(still);
  const wide = Math.abs(before - still);
  const wider = Math.abs(now - still);
  if (wide > 10 && wider > 10) trace.zoom(wide / wider, other);
}

export function keyboard(trace, acts) {
  const nudge = (event, way) => {
    const at = trace.cursors[trace.active] ?? (trace.start + trace.stop) / 2;
    trace.cursor(trace.active, at + way * (event.shiftKey || '<>'.includes(event.key) ? 20 : 1) * (trace.stop - trace.start) / trace.plot);
  };
  const keys = {
    ArrowLeft: () => trace.pan(-0.1), ArrowRight: () => trace.pan(0.1),
    ArrowUp: () => trace.zoom(0.8), ArrowDown: () => trace.zoom(1.25), '+': () => trace.zoom(0.8), '=': () => trace.zoom(0.8), '-': () => trace.zoom(1.25),
    Home: () => trace.show(trace.info.start_s, trace.info.start_s + trace.stop - trace.start),
    End: () => trace.show(trace.info.stop_s - trace.stop + trace.start, trace.info.stop_s),
    0: () => trace.show(trace.info.start_s, trace.info.stop_s),
    a: () => trace.cursor(0, (trace.start + trace.stop) / 2), b: () => trace.cursor(1, (trace.start + trace.stop) / 2), c: () => { trace.active = 1 - trace.active; trace.draw(); },
    ',': (e) => nudge(e, -1), '.': (e) => nudge(e, 1), '<': (e) => nudge(e, -1), '>': (e) => nudge(e, 1),
    PageUp: () => acts.cycle(-1), PageDown: () => acts.cycle(1), x: () => acts.exclude(), z: () => acts.include(),
  };
  trace.canvas.addEventListener('keydown', (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || !(event.key in keys)) return;
    event.preventDefault();
    keys[event.key](event);
  });
}
