// What the server has to say of one recording: lanes, windows of the trace, cycles.

export const base = (id) => `/api/v1/recordings/${id}/instrument`;

export async function ask(path, { signal } = {}) {
  let response;
  try {
    response = await fetch(path, { signal, headers: { Accept: 'application/json' } });
  } catch (error) {
    if (error.name !== 'AbortError') document.dispatchEvent(new CustomEvent('ringland:lost'));
    throw error;
  }
  if (!response.ok) {
    const error = new Error('refused');
    error.told = await response.json().catch(() => ({ wrong: `The server answered ${response.status}.` }));
    throw error;
  }
  return response;
}

export const askJson = async (path, options) => (await ask(path, options)).json();

export const excludeQuery = (stretches) => stretches.map(([a, b]) => `exclude=${a.toFixed(6)}:${b.toFixed(6)}`).join('&');

// A tile is wider than the window, so that panning draws from it while the next is on its way.
export class Tiles {
  constructor(id, numbers, arrived) {
    Object.assign(this, { id, numbers, arrived, tile: null, whole: null, running: null, wanted: null });
  }

  want(start, stop, pixels) {
    const span = stop - start;
    this.shown = [start, stop, pixels];
    this.wanted = { start: start - span, stop: stop + span, width: Math.min(8192, Math.max(300, Math.round(3 * pixels))) };
    if (!this.running && !this.enough()) this.load();
  }

  enough() {
    return (this.tile && ['start', 'stop', 'width'].every((k) => this.tile[k] === this.wanted[k])) || this.fits(...this.shown);
  }

  fits(start, stop, pixels) {
    const t = this.tile;
    if (!t) return false;
    const grain = (t.stop - t.start) / t.width;
    const wanted = (stop - start) / pixels;
    const margin = (stop - start) / 2;
    return t.start <= start - margin && t.stop >= stop + margin && grain <= 1.3 * wanted && grain >= 0.4 * wanted;
  }

  async fetch({ start, stop, width }) {
    const channels = this.numbers.map((n) => `channel=${n}`).join('&');
    const response = await ask(`${base(this.id)}/trace?start_s=${start}&stop_s=${stop}&width=${width}&${channels}`);
    return { start, stop, width, values: new Float32Array(await response.arrayBuffer()) };
  }

  async loadWhole({ start_s: start, stop_s: stop }) {
    this.whole = await this.fetch({ start, stop, width: 4096 });
  }

  async load() {
    const asked = this.wanted;
    this.running = asked;
    const began = performance.now();
    try {
      this.tile = await this.fetch(asked);
      this.arrived(performance.now() - began);
    } catch (error) {
      this.failed?.(error);
      this.running = null;
      return;
    }
    this.running = null;
    if (!this.enough()) this.load();
  }

  // the tile to draw from: the one loaded last, or the whole recording where that does not reach
  over(start, stop) {
    const t = this.tile;
    return t && t.start <= start && t.stop >= stop ? t : this.whole ?? t;
  }
}

// Crank angle by time, from the cycles with their 25 angles each.
export class Crank {
  constructor(content) { Object.assign(this, content); }

  cycleAt(time) {
    let low = 0;
    let high = this.cycles.length - 1;
    while (low <= high) {
      const middle = (low + high) >> 1;
      const c = this.cycles[middle];
      if (time < c.start_s) high = middle - 1;
      else if (time >= c.stop_s) low = middle + 1;
      else return middle;
    }
    return -1;
  }

  angleAt(time) {
    const index = this.cycleAt(time);
    if (index < 0) return null;
    const { times_s: times } = this.cycles[index];
    let i = 1;
    while (i < times.length - 1 && times[i] < time) i += 1;
    const share = (time - times[i - 1]) / Math.max(times[i] - times[i - 1], 1e-12);
    const step = this.cycle_deg / (times.length - 1);
    return { cycle: index + 1, angle: (i - 1 + Math.min(Math.max(share, 0), 1)) * step };
  }

  timeAt(index, angle) {
    const { times_s: times } = this.cycles[index];
    const place = (angle / this.cycle_deg) * (times.length - 1);
    const i = Math.min(Math.floor(place), times.length - 2);
    return times[i] + (place - i) * (times[i + 1] - times[i]);
  }
}
