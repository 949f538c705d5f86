// The trace: one lane per channel on one clock, cycles and firing positions marked, two cursors.

import { Waves } from './waves.js';

const LEFT = 92;
const TOP = 40;
const BOTTOM = 24;

export function canvasOf(canvas) {
  const scale = devicePixelRatio || 1;
  const { clientWidth: width, clientHeight: height } = canvas;
  if (canvas.width !== Math.round(width * scale) || canvas.height !== Math.round(height * scale)) {
    canvas.width = Math.round(width * scale);
    canvas.height = Math.round(height * scale);
  }
  const context = canvas.getContext('2d');
  context.setTransform(scale, 0, 0, scale, 0, 0);
  return { context, width, height };
}

export function colours() {
  const style = getComputedStyle(document.documentElement);
  const of = (name) => style.getPropertyValue(`--${name}`).trim();
  return { paper: of('paper'), ink: of('ink'), muted: of('muted'), rule: of('rule'), hair: of('hair'), band: of('band'), blue: of('blue'), vermillion: of('vermillion'), wash: of('wash'), sans: of('sans') };
}

export function number(value) {
  const size = Math.abs(value);
  return size >= 1e5 || (size < 0.01 && size > 0) ? value.toExponential(1) : String(Number(value.toPrecision(3)));
}

export class Trace {
  constructor(canvas, info, tiles) {
    Object.assign(this, { canvas, info, tiles, crank: null, stretches: [], cursors: [null, null], active: 0, marked: -1, frames: [], shift: new Map() });
    this.start = info.start_s;
    this.stop = info.stop_s;
    this.changed = () => {};
    this.theme = colours();
    this.waves = new Waves();
    new ResizeObserver(() => this.draw()).observe(canvas);
    new MutationObserver(() => { this.theme = colours(); this.draw(); }).observe(document.documentElement, { attributes: true, attributeFilter: ['data-theme'] });
    for (const query of ['(prefers-color-scheme: dark)', '(prefers-contrast: more)']) {
      matchMedia(query).addEventListener('change', () => { this.theme = colours(); this.draw(); });
    }
  }

  get plot() { return Math.max(this.canvas.clientWidth - LEFT, 10); }
  x(time) { return LEFT + ((time - this.start) / (this.stop - this.start)) * this.plot; }
  time(x) { return this.start + ((x - LEFT) / this.plot) * (this.stop - this.start); }

  show(start, stop) {
    const whole = this.info.stop_s - this.info.start_s;
    const rate = Math.max(...this.info.lanes.map((l) => l.rate_hz ?? 0), 1);
    const span = Math.min(Math.max(stop - start, 8 / rate), whole);
    const middle = (start + stop) / 2;
    const first = Math.min(Math.max(middle - span / 2, this.info.start_s), this.info.stop_s - span);
    this.start = first;
    this.stop = first + span;
    this.draw();
  }

  zoom(factor, around = (this.start + this.stop) / 2) {
    const rate = Math.max(...this.info.lanes.map((l) => l.rate_hz ?? 0), 1);
    const least = 8 / rate / (this.stop - this.start);
    const f = Math.max(factor, least);
    this.show(around - (around - this.start) * f, around + (this.stop - around) * f);
  }

  pan(share) {
    const by = share * (this.stop - this.start);
    this.show(this.start + by, this.stop + by);
  }

  cursor(which, time) {
    this.cursors[which] = Math.min(Math.max(time, this.info.start_s), this.info.stop_s);
    this.active = which;
    const t = this.cursors[which];
    if (t < this.start || t > this.stop) this.show(t - (this.stop - this.start) / 2, t + (this.stop - this.start) / 2);
    else this.draw();
  }

  draw() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => { this.waiting = false; this.paint(); });
  }

  paint() {
    const began = performance.now();
    const { context: c, width, height } = canvasOf(this.canvas);
    if (width < LEFT + 20) return;
    this.tiles.want(this.start, this.stop, this.plot);
    c.fillStyle = this.theme.paper;
    c.fillRect(0, 0, width, height);
    c.font = `14px ${this.theme.sans}`;
    this.paintCycles(c, height);
    this.paintStretches(c, height);
    const tall = (height - TOP - BOTTOM) / this.info.lanes.length;
    const tile = this.tiles.over(this.start, this.stop);
    this.info.lanes.forEach((lane, n) => this.paintLane(c, lane, TOP + n * tall, tall));
    if (tile) this.paintWaves(c, tall, tile);
    this.paintAxis(c, width, height);
    this.paintCursors(c, height);
    this.frames.push(performance.now() - began);
    if (this.frames.length > 240) this.frames.shift();
    this.changed();
  }

  paintCycles(c, height) {
    if (!this.crank?.cycles.length) return;
    const { cycles, firing } = this.crank;
    let first = 0;
    while (first < cycles.length && cycles[first].stop_s < this.start) first += 1;
    const wide = this.plot * (cycles[Math.min(first, cycles.length - 1)].stop_s - cycles[Math.min(first, cycles.length - 1)].start_s) / (this.stop - this.start);
    c.textAlign = 'left';
    for (let i = first; i < cycles.length && cycles[i].start_s <= this.stop; i += 1) {
      const left = Math.max(this.x(cycles[i].start_s), LEFT);
      const right = Math.min(this.x(cycles[i].stop_s), LEFT + this.plot);
      if (i === this.marked) { c.fillStyle = this.theme.band; c.fillRect(left, TOP, right - left, height - TOP - BOTTOM); }
      if (cycles[i].dropped) this.hatch(c, left, TOP, right - left, height - TOP - BOTTOM, this.theme.rule);
      if (wide > 5) { c.fillStyle = this.theme.rule; c.fillRect(left, 16, 1, height - 16 - BOTTOM); }
      if (wide > 74 && right - left > 30) {
        c.fillStyle = this.theme.ink;
        c.fillText(`${i + 1}${cycles[i].dropped ? ' dropped' : ''}`, left + 4, 13);
      }
      if (wide > 46 * firing.length) this.paintFiring(c, i);
    }
  }

  paintFiring(c, index) {
    c.fillStyle = this.theme.ink;
    c.textAlign = 'center';
    for (const one of this.crank.firing) {
      const x = this.x(this.crank.timeAt(index, one.angle_deg % this.crank.cycle_deg));
      if (x < LEFT || x > LEFT + this.plot) continue;
      c.beginPath();
      c.moveTo(x - 5, TOP - 6); c.lineTo(x + 5, TOP - 6); c.lineTo(x, TOP + 2);
      c.fill();
      c.fillText(one.label, x + (x < LEFT + 24 ? 22 : 0), TOP - 8 + (x < LEFT + 24 ? 3 : 0));
    }
    c.textAlign = 'left';
  }

  hatch(c, x, y, w, h, colour) {
    if (w <= 0) return;
    c.save();
    c.beginPath(); c.rect(x, y, w, h); c.clip();
    c.strokeStyle = colour; c.lineWidth = 1;
    c.beginPath();
    for (let k = Math.floor((x - h) / 9) * 9; k < x + w; k += 9) { c.moveTo(k, y + h); c.lineTo(k + h, y); }
    c.stroke();
    c.restore();
  }

  paintStretches(c, height) {
    for (const [a, b] of this.stretches) {
      const left = Math.max(this.x(a), LEFT);
      const right = Math.min(this.x(b), LEFT + this.plot);
      if (right <= left) continue;
      this.hatch(c, left, TOP, right - left, height - TOP - BOTTOM, this.theme.vermillion);
      c.strokeStyle = this.theme.vermillion; c.lineWidth = 2;
      c.strokeRect(left, TOP, right - left, height - TOP - BOTTOM);
      if (right - left > 60) this.label(c, 'left out', left + 6, height - BOTTOM - 8);
    }
  }

  label(c, text, x, y) {
    const w = c.measureText(text).width;
    c.fillStyle = this.theme.paper; c.fillRect(x - 3, y - 13, w + 6, 18);
    c.fillStyle = this.theme.ink; c.fillText(text, x, y);
  }

  paintLane(c, lane, top, tall) {
    c.fillStyle = this.theme.ink;
    c.font = `700 14px ${this.theme.sans}`;
    c.fillText(lane.title.replace(', second outlet', ' 2').replace(' trigger', '').replace('No role given', lane.name), 4, top + 16, LEFT - 10);
    c.font = `14px ${this.theme.sans}`;
    c.fillStyle = this.theme.muted;
    c.fillText(lane.unit === '1' ? '' : lane.unit, 4, top + 33);
    if (tall > 76) {
      c.textAlign = 'right';
      c.fillText(number(lane.high), LEFT - 6, top + 50); c.fillText(number(lane.low), LEFT - 6, top + tall - 6);
      c.textAlign = 'left';
    }
    c.fillStyle = this.theme.rule;
    c.fillRect(0, top + tall - 1, LEFT + this.plot, 1);
  }

  // what fills a pixel is drawn as pixels; where samples lie apart, a line goes from one to the next
  paintWaves(c, tall, tile) {
    const scale = this.canvas.width / this.canvas.clientWidth;
    const grain = (tile.stop - tile.start) / tile.width;
    const height = Math.round(tall * this.info.lanes.length * scale);
    this.waves.clear(Math.round(this.plot * scale), height, this.theme.ink);
    const apart = [];
    this.info.lanes.forEach((lane, n) => {
      const low = tile.values.subarray(2 * n * tile.width, (2 * n + 1) * tile.width);
      const high = tile.values.subarray((2 * n + 1) * tile.width, (2 * n + 2) * tile.width);
      const at = this.start - (this.shift.get(lane.number) ?? 0) - tile.start;
      const span = lane.high - lane.low || 1;
      if (lane.rate_hz && lane.rate_hz * grain < 1) { apart.push([lane, n, low, high]); return; }
      const slope = -((tall - 9) / span) * scale;
      this.waves.lane({
        low, high, slope, first: at / grain, per: (this.stop - this.start) / grain / (this.plot * scale),
        zero: (n * tall + 4 + tall - 9) * scale - lane.low * slope, thick: scale, top: n * tall * scale, bottom: (n + 1) * tall * scale,
      });
    });
    if (apart.length < this.info.lanes.length) c.drawImage(this.waves.drawn(), LEFT, TOP, this.plot, tall * this.info.lanes.length);
    for (const one of apart) this.paintLine(c, tall, tile, ...one);
  }

  paintLine(c, tall, tile, lane, n, low, high) {
    const top = TOP + n * tall;
    const span = lane.high - lane.low || 1;
    const y = (v) => top + 4 + (1 - (v - lane.low) / span) * (tall - 9);
    const shift = this.shift.get(lane.number) ?? 0;
    const grain = (tile.stop - tile.start) / tile.width;
    const gap = Math.max(1.5 / lane.rate_hz / grain, 1.5);
    const from = Math.max(0, Math.floor((this.start - shift - tile.start) / grain) - Math.ceil(Math.min(gap, 1e4)));
    const to = Math.min(tile.width, Math.ceil((this.stop - shift - tile.start) / grain) + Math.ceil(Math.min(gap, 1e4)));
    c.save();
    c.beginPath(); c.rect(LEFT, top, this.plot, tall); c.clip();
    c.strokeStyle = this.theme.ink; c.lineWidth = 1; c.lineJoin = 'bevel';
    c.beginPath();
    let before = -1;
    const perBucket = this.plot / ((this.stop - this.start) / grain);
    const offset = this.x(tile.start + shift + grain / 2);
    for (let i = from; i < to; i += 1) {
      if (Number.isNaN(low[i])) continue;
      const x = offset + i * perBucket;
      if (before >= 0 && i - before <= gap) c.lineTo(x, y(low[i])); else c.moveTo(x, y(low[i]));
      if (high[i] !== low[i]) c.lineTo(x, y(high[i]));
      before = i;
    }
    c.stroke();
    c.restore();
  }

  paintAxis(c, width, height) {
    const span = this.stop - this.start;
    const steps = [1, 2, 5].flatMap((m) => Array.from({ length: 11 }, (_, k) => m * 10 ** (k - 7))).sort((a, b) => a - b);
    const step = steps.find((s) => (s / span) * this.plot > 90) ?? span;
    const inMs = step < 0.1;
    c.fillStyle = this.theme.ink;
    c.textAlign = 'center';
    for (let t = Math.ceil(this.start / step) * step; t <= this.stop; t += step) {
      const x = this.x(t);
      if (x > width - 26) break;
      c.fillRect(x, height - BOTTOM, 1, 5);
      const decimals = Math.max(0, Math.ceil(-Math.log10(step * (inMs ? 1000 : 1)) - 1e-9));
      if (x > LEFT + 20) c.fillText((inMs ? 1000 * t : t).toFixed(decimals), x, height - 5);
    }
    c.textAlign = 'left';
    c.fillText(inMs ? 'ms' : 's', 4, height - 5);
  }

  paintCursors(c, height) {
    this.cursors.forEach((time, n) => {
      if (time === null || time < this.start || time > this.stop) return;
      const x = this.x(time);
      c.strokeStyle = this.theme.blue; c.lineWidth = n === this.active ? 3 : 2;
      c.setLineDash(n ? [7, 4] : []);
      c.beginPath(); c.moveTo(x, TOP - 2); c.lineTo(x, height - BOTTOM); c.stroke();
      c.setLineDash([]);
      c.font = `700 14px ${this.theme.sans}`;
      this.label(c, 'AB'[n], Math.min(x + 5, LEFT + this.plot - 14), TOP + 14);
      c.font = `14px ${this.theme.sans}`;
    });
  }
}

export const TRACE_LEFT = LEFT;
