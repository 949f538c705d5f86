// Every cycle a row, the newest at the bottom; pointing at a row shows that cycle in the trace.

import { canvasOf, colours, number } from './trace.js';

const LEFT = 92;
const TOP = 24;
const BOTTOM = 26;
const bytes = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0));

export class Raster {
  constructor(canvas, pointed) {
    Object.assign(this, { canvas, pointed, content: null, row: -1, angle: null, marked: () => {} });
    new ResizeObserver(() => this.paint()).observe(canvas);
    new MutationObserver(() => this.paint()).observe(document.documentElement, { attributes: true, attributeFilter: ['data-theme'] });
    const at = (event) => this.point(this.rowAt(event.offsetY), this.angleAt(event.offsetX), event.type === 'pointerdown');
    canvas.addEventListener('pointerdown', at);
    canvas.addEventListener('pointermove', (event) => { if (event.pointerType === 'mouse' || event.buttons) at(event); });
    canvas.addEventListener('keydown', (event) => this.key(event));
  }

  set(content) {
    this.content = content;
    const values = new Float32Array(bytes(content.values).buffer);
    this.values = values;
    const palette = bytes(content.colours);
    const steps = palette.length / 3 - 1;
    const image = new ImageData(content.columns, content.rows);
    values.forEach((value, i) => {
      if (Number.isNaN(value)) return;
      const level = Math.round(steps * Math.min(Math.max((value - content.low) / (content.high - content.low || 1), 0), 1));
      image.data.set([palette[3 * level], palette[3 * level + 1], palette[3 * level + 2], 255], 4 * i);
    });
    this.picture = document.createElement('canvas');
    this.picture.width = content.columns;
    this.picture.height = content.rows;
    this.picture.getContext('2d').putImageData(image, 0, 0);
    this.dropped = [];
    for (let r = 0; r < content.rows; r += 1) if (Number.isNaN(values[r * content.columns])) this.dropped.push(r);
    this.row = Math.min(this.row, content.rows - 1);
    this.paint();
  }

  // one cycle, level taken out; null for a dropped one
  valuesOf(row) {
    const { columns } = this.content;
    return this.dropped.includes(row) ? null : this.values.subarray(row * columns, (row + 1) * columns);
  }

  get wide() { return this.canvas.clientWidth - LEFT - 8; }
  get tall() { return this.canvas.clientHeight - TOP - BOTTOM; }
  rowAt(y) { return Math.min(Math.max(Math.floor(((y - TOP) / this.tall) * this.content.rows), 0), this.content.rows - 1); }
  angleAt(x) { return Math.min(Math.max((x - LEFT) / this.wide, 0), 0.9999) * this.content.cycle_deg; }

  point(row, angle, firmly) {
    if (!this.content) return;
    this.row = Math.min(Math.max(row, 0), this.content.rows - 1);
    this.angle = angle;
    this.paint();
    this.pointed(this.content.row_cycle[this.row] - 1, angle, firmly);
  }

  // from the trace: the row of a cycle (or the one nearest to it)
  mark(cycle, angle) {
    if (!this.content) return;
    const rows = this.content.row_cycle;
    let best = -1;
    if (cycle >= 0) rows.forEach((c, r) => { if (best < 0 || Math.abs(c - 1 - cycle) < Math.abs(rows[best] - 1 - cycle)) best = r; });
    if (best === this.row && angle === this.angle) return;
    this.row = best;
    this.angle = angle;
    this.paint();
  }

  key(event) {
    const step = event.shiftKey ? 10 : 1;
    const moves = { ArrowUp: [-step, 0], ArrowDown: [step, 0], ArrowLeft: [0, -2 * step], ArrowRight: [0, 2 * step], Enter: [0, 0] };
    const move = moves[event.key];
    if (!move || !this.content) return;
    event.preventDefault();
    const whole = this.content.cycle_deg;
    const angle = (((this.angle ?? 0) + move[1]) % whole + whole) % whole;
    this.point(Math.max(this.row, 0) + move[0], angle, event.key === 'Enter');
  }

  paint() {
    const theme = colours();
    const { context: c, width, height } = canvasOf(this.canvas);
    c.fillStyle = theme.paper;
    c.fillRect(0, 0, width, height);
    if (!this.content) return;
    const { content, wide, tall } = this;
    c.imageSmoothingEnabled = false;
    c.drawImage(this.picture, LEFT, TOP, wide, tall);
    const one = tall / content.rows;
    c.strokeStyle = theme.ink;
    for (const row of this.dropped) {
      c.save();
      c.beginPath(); c.rect(LEFT, TOP + row * one, wide, one); c.clip();
      c.beginPath();
      for (let x = LEFT - one; x < LEFT + wide; x += 7) { c.moveTo(x, TOP + (row + 1) * one); c.lineTo(x + Math.max(one, 7), TOP + (row + 1) * one - Math.max(one, 7)); }
      c.stroke();
      c.restore();
    }
    c.font = `14px ${theme.sans}`;
    c.fillStyle = theme.ink;
    c.textAlign = 'center';
    for (const [angle, label] of content.marks) c.fillText(`${label} \u25be`, LEFT + (angle / content.cycle_deg) * wide, TOP - 7);
    for (let a = 0; a <= content.cycle_deg; a += wide * 90 > 44 * content.cycle_deg ? 90 : 180) c.fillText(`${a}\u00b0`, Math.min(LEFT + (a / content.cycle_deg) * wide, width - 18), height - 6);
    c.textAlign = 'right';
    this.labelCycles(c, one);
    c.textAlign = 'left';
    c.fillText('Cycle', 4, TOP - 7);
    if (this.row >= 0) this.paintMark(c, theme, one);
    this.marked();
  }

  // the first cycle, then round numbers with room between them
  labelCycles(c, one) {
    const { row_cycle: cycles } = this.content;
    const least = (28 / this.tall) * (cycles.at(-1) - cycles[0] + 1);
    const step = [1, 2, 5].flatMap((m) => [m, 10 * m, 100 * m, 1000 * m]).sort((a, b) => a - b).find((s) => s >= least) ?? 1e4;
    let last = -Infinity;
    let seen = 0;
    cycles.forEach((cycle, r) => {
      const y = TOP + (r + 0.5) * one + 5;
      const turned = Math.floor(cycle / step) > seen;
      if (turned) seen = Math.floor(cycle / step);
      if ((r && !turned) || y - last < 20) return;
      c.fillText(String(cycle), LEFT - 18, y);
      last = y;
    });
  }

  paintMark(c, theme, one) {
    const y = TOP + this.row * one;
    c.lineWidth = 2;
    c.strokeStyle = theme.paper; c.strokeRect(LEFT - 3, y - 3, this.wide + 6, one + 6);
    c.strokeStyle = theme.ink; c.strokeRect(LEFT - 1, y - 1, this.wide + 2, one + 2);
    c.fillStyle = theme.ink;
    c.beginPath(); c.moveTo(LEFT - 4, y + one / 2); c.lineTo(LEFT - 14, y + one / 2 - 6); c.lineTo(LEFT - 14, y + one / 2 + 6); c.fill();
    if (this.angle === null) return;
    const x = LEFT + (this.angle / this.content.cycle_deg) * this.wide;
    c.strokeStyle = theme.paper; c.lineWidth = 3; c.beginPath(); c.moveTo(x, TOP); c.lineTo(x, TOP + this.tall); c.stroke();
    c.strokeStyle = theme.ink; c.lineWidth = 1; c.beginPath(); c.moveTo(x, TOP); c.lineTo(x, TOP + this.tall); c.stroke();
  }

  said() {
    const { content } = this;
    if (!content) return '';
    const unit = content.unit === '1' ? '' : ` ${content.unit}`;
    return `${content.rows} rows, dark ${number(content.low)}${unit} to bright ${number(content.high)}${unit}, level taken out; hatched rows are dropped cycles${content.marks.length ? `; the marks on top are ${content.marks_are}` : ''}${content.thinned ? '; of neighbouring cycles the one least like the average is shown' : ''}.`;
  }
}
