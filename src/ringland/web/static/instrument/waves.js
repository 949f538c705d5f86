// Dense traces, pixel by pixel: each column of the screen is filled from the least to the greatest
// sample that falls into it. A path of the same would be stroked segment by segment, which a
// processor without a graphics card cannot do sixty times a second.

export class Waves {
  constructor() {
    this.canvas = document.createElement('canvas');
    this.context = this.canvas.getContext('2d');
    this.image = null;
  }

  // an empty picture of this many device pixels; memory is taken only when the size changes
  clear(width, height, colour) {
    if (!this.image || this.image.width !== width || this.image.height !== height) {
      this.canvas.width = width;
      this.canvas.height = height;
      this.image = this.context.createImageData(width, height);
      this.pixels = new Uint32Array(this.image.data.buffer);
    } else this.pixels.fill(0);
    if (colour !== this.colour) {
      const [r, g, b] = [1, 3, 5].map((i) => Number.parseInt(colour.slice(i, i + 2), 16));
      this.colour = colour;
      this.ink = (b << 16) | (g << 8) | r; // as the bytes of a pixel lie on every machine with a browser
    }
  }

  // low, high: a value for each bucket, NaN where there is none; bucket(x) is first + x * per;
  // y(value) is zero + value * slope, all in device pixels
  lane({ low, high, first, per, zero, slope, thick, top, bottom }) {
    const { width } = this.image;
    let [lastLow, lastHigh] = [NaN, NaN];
    for (let x = 0; x < width; x += 1) {
      const from = Math.floor(first + x * per);
      const to = Math.max(from + 1, Math.floor(first + (x + 1) * per));
      let least = Infinity;
      let most = -Infinity;
      for (let i = Math.max(from, 0); i < to && i < low.length; i += 1) {
        if (low[i] < least) least = low[i]; // a NaN is never less
        if (high[i] > most) most = high[i];
      }
      if (least > most) { lastLow = NaN; continue; }
      // down to where the column before ended, so that a steep line has no holes
      const a = lastHigh < least ? lastHigh : least;
      const b = lastLow > most ? lastLow : most;
      [lastLow, lastHigh] = [least, most];
      this.column(x, Math.max(zero + b * slope - thick / 2, top), Math.min(zero + a * slope + thick / 2, bottom));
    }
  }

  // from y = upper to y = lower, the ends as dark as they are covered
  column(x, upper, lower) {
    if (!(lower > upper)) return;
    const { pixels, ink } = this;
    const { width, height } = this.image;
    const first = Math.floor(upper);
    const last = Math.min(Math.floor(lower), height - 1);
    const shade = (part) => ((Math.round(255 * part) << 24) | ink) >>> 0;
    if (first >= last) { pixels[first * width + x] = shade(Math.min(lower - upper, 1)); return; }
    pixels[first * width + x] = shade(first + 1 - upper);
    const solid = (0xff000000 | ink) >>> 0;
    for (let row = first + 1, at = row * width + x; row < last; row += 1, at += width) pixels[at] = solid;
    pixels[last * width + x] = shade(Math.min(lower - last, 1));
  }

  drawn() {
    this.context.putImageData(this.image, 0, 0);
    return this.canvas;
  }
}
