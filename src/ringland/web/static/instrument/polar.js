// One turn is one engine cycle: the average with its band, and the chosen cycle on top. What is
// pointed at here is chosen in the raster and the trace, and the other way round.

import { canvasOf, colours, number } from './trace.js';

const RIM = 42;
const INNER = 0.2; // of the radius: the least value shown
const OUTER = 0.96;

export class Polar {
  constructor(canvas, raster, said) {
    Object.assign(this, { canvas, raster, said });
    raster.marked = () => this.paint();
    new ResizeObserver(() => this.paint()).observe(canvas);
    const at = (event) => this.point(event);
    canvas.addEventListener('pointerdown', at);
    canvas.addEventListener('pointermove', (event) => { if (event.pointerType === 'mouse' || event.buttons) at(event); });
    canvas.addEventListener('keydown', (event) => raster.key(event));
  }

  get radius() { return Math.max(Math.min(this.canvas.clientWidth, this.canvas.clientHeight) / 2 - RIM, 20); }
  get middle() { return [this.canvas.clientWidth / 2, this.canvas.clientHeight / 2]; }

  point(event) {
    if (!this.raster.content) return;
    const [x, y] = this.middle;
    const turn = Math.atan2(event.offsetX - x, y - event.offsetY) / (2 * Math.PI);
    const angle = ((turn + 1) % 1) * this.raster.content.cycle_deg;
    this.raster.point(Math.max(this.raster.row, 0), angle, event.type === 'pointerdown');
  }

  scale() {
    const { content } = this.raster;
    const least = Math.min(content.low, ...content.mean_low.filter((v) => v !== null));
    const most = Math.max(content.high, ...content.mean_high.filter((v) => v !== null));
    const span = most - least || 1;
    return (value) => this.radius * Math.min(Math.max(INNER + (OUTER - INNER) * (value - least) / span, 0), 1);
  }

  at(angle, radius) {
    const turn = (angle / this.raster.content.cycle_deg) * 2 * Math.PI;
    return [this.middle[0] + radius * Math.sin(turn), this.middle[1] - radius * Math.cos(turn)];
  }

  around(c, values, scale) {
    const { angle_deg: angles } = this.raster.content;
    let open = true;
    for (let i = 0; i <= angles.length; i += 1) {
      const value = values[i % angles.length];
      if (value === null || Number.isNaN(value)) { open = true; continue; }
      const place = this.at(angles[i % angles.length], scale(value));
      if (open) c.moveTo(...place); else c.lineTo(...place);
      open = false;
    }
  }

  paint() {
    const theme = colours();
    const { context: c, width, height } = canvasOf(this.canvas);
    c.fillStyle = theme.paper;
    c.fillRect(0, 0, width, height);
    const { content, row, angle } = this.raster;
    if (!content) return;
    const scale = this.scale();
    this.paintRim(c, theme, scale);
    c.fillStyle = theme.band;
    c.beginPath(); this.around(c, content.mean_high, scale); this.around(c, content.mean_low, scale); c.fill('evenodd');
    c.strokeStyle = theme.ink; c.lineWidth = 2;
    c.beginPath(); this.around(c, content.mean, scale); c.stroke();
    const one = row < 0 ? null : this.raster.valuesOf(row);
    if (one) { c.strokeStyle = theme.blue; c.lineWidth = 3; c.beginPath(); this.around(c, one, scale); c.stroke(); }
    if (angle !== null) {
      c.strokeStyle = theme.ink; c.lineWidth = 1; c.setLineDash([6, 3]);
      c.beginPath(); c.moveTo(...this.middle); c.lineTo(...this.at(angle, this.radius)); c.stroke();
      c.setLineDash([]);
    }
    const words = this.words(one);
    if (this.said.textContent !== words) this.said.textContent = words;
  }

  paintRim(c, theme, scale) {
    const { content } = this.raster;
    c.lineWidth = 1;
    c.strokeStyle = theme.rule;
    c.beginPath(); c.arc(...this.middle, this.radius, 0, 2 * Math.PI); c.stroke();
    c.setLineDash([2, 4]);
    c.beginPath(); c.arc(...this.middle, scale(0), 0, 2 * Math.PI); c.stroke();
    c.setLineDash([]);
    c.font = `14px ${theme.sans}`;
    c.fillStyle = theme.ink;
    c.textAlign = 'center';
    c.textBaseline = 'middle';
    for (let a = 0; a < content.cycle_deg; a += content.cycle_deg / 8) {
      c.beginPath(); c.moveTo(...this.at(a, this.radius - 5)); c.lineTo(...this.at(a, this.radius)); c.stroke();
      c.fillText(`${a}\u00b0`, ...this.at(a, this.radius + 27));
    }
    for (const [angle, label] of content.marks) {
      const [x, y] = this.at(angle, this.radius + 8);
      c.beginPath(); c.arc(x, y, 3, 0, 2 * Math.PI); c.fill();
      this.markLabel(c, theme, label, angle);
    }
    c.textBaseline = 'alphabetic';
    c.textAlign = 'left';
  }

  markLabel(c, theme, label, angle) {
    const [x, y] = this.at(angle, this.radius - 22);
    const wide = c.measureText(label).width + 6;
    c.fillStyle = theme.paper; c.fillRect(x - wide / 2, y - 9, wide, 18);
    c.fillStyle = theme.ink; c.fillText(label, x, y);
  }

  words(one) {
    const { content, row, angle } = this.raster;
    const unit = content.unit === '1' ? '' : ` ${content.unit}`;
    if (row < 0 || angle === null) return 'Point at an angle, or move with the arrow keys.';
    const i = Math.min(Math.floor((angle / content.cycle_deg) * content.columns), content.columns - 1);
    const own = one ? `${number(one[i])}${unit}` : 'dropped';
    return `Cycle ${content.row_cycle[row]} at ${angle.toFixed(0)}\u00b0: ${own}; average ${number(content.mean[i])}${unit}, 90\u00a0% of the cycles ${number(content.mean_low[i])} to ${number(content.mean_high[i])}${unit}.`;
  }
}
