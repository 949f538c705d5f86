// What if: a slider in the fault's own unit, and the simulated cycle over the measured one.

import { errorBox, say } from '../js/api.js';
import { askJson, base } from './data.js';
import { number } from './trace.js';

const root = document.getElementById('what-if');
const $ = (name) => document.getElementById(name);
const WIDE = 960;
const TALL = 250;
const narrow = matchMedia('(max-width: 40rem)'); // there the drawing is smaller, so its figures are larger
let shown = null;
let wanted = null;
let running = false;

const svg = (name, attributes) => {
  const made = document.createElementNS('http://www.w3.org/2000/svg', name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  return made;
};

function written(value, unit) {
  if (shown.kind === 'low_compression') return `${value.toFixed(2)} units of the ratio`;
  if (unit === '1') return `${(100 * value).toFixed(0)}\u00a0%`;
  return unit === 'mm2' ? `${value.toFixed(2)} mm\u00b2` : `${value.toFixed(1)}\u00b0 of the crank`;
}

function place() {
  const scope = $('kind').selectedOptions[0].dataset.scope;
  $('first-place').hidden = scope === 'engine';
  $('second-place').hidden = scope !== 'pair';
  if (scope === 'engine') return '';
  return [$('cylinder').value, ...(scope === 'pair' ? [$('other').value] : [])].map((c) => `&cylinder=${c}`).join('');
}

const query = () => `kind=${$('kind').value}${place()}`;

let asking;
async function prepare() {
  asking?.abort();
  asking = new AbortController();
  $('busy').hidden = false;
  $('slide').hidden = true;
  $('trouble').replaceChildren();
  delete root.dataset.ready;
  const asked = query();
  try {
    const content = await askJson(`${base(root.dataset.recording)}/what-if?${asked}`, { signal: asking.signal });
    shown = { ...content, asked };
    wanted = null;
    setUp();
  } catch (error) {
    if (error.name === 'AbortError') return;
    $('trouble').replaceChildren(errorBox(error.told ?? { wrong: error.message }));
    $('curves').replaceChildren();
    $('fits').textContent = '';
  }
  $('busy').hidden = true;
}

function setUp() {
  const slider = $('severity');
  slider.min = shown.least;
  slider.max = shown.most;
  slider.step = (shown.most - shown.least) / 200;
  const found = root.dataset.size; // of the leading cause, until another fault is chosen
  slider.value = found ?? shown.at;
  $('severity-label').textContent = `${shown.name}: ${shown.meaning}`;
  $('slide').hidden = false;
  $('key').hidden = false;
  const { best, unit } = shown;
  $('fits').textContent = best.value === null ? `Which size fits best is not known: ${best.reason}` : `If this is the fault, the recording fits ${written(best.value, unit)} best (90\u00a0% interval ${written(best.low, unit)} to ${written(best.high, unit)}).${shown.geometry_known ? '' : ' Bore and stroke are not described: those of a usual engine were taken.'}`;
  $('curves').replaceChildren(...shown.channels.map(figure));
  size();
  if (found) slide();
  root.dataset.ready = shown.asked;
}

function figure(channel) {
  const made = document.createElement('figure');
  const [left, step, below] = narrow.matches ? [120, 180, 6] : [70, 90, 16];
  const box = svg('svg', { class: 'curve', viewBox: `0 0 ${WIDE} ${TALL}`, role: 'img', 'aria-label': `${channel.title}: measured and simulated cycle` });
  const all = ['measured_low', 'measured_high', 'sound', 'simulated', 'measured'].flatMap((n) => channel[n]);
  const low = Math.min(...all);
  const high = Math.max(...all);
  const pad = 0.25 * (high - low || 1);
  channel.x = (i) => left + (i / channel.angle_deg.length) * (WIDE - left - 10);
  channel.y = (v) => 10 + (1 - (v - low + pad) / (high - low + 2 * pad)) * (TALL - 50);
  const line = (values) => `M${values.map((v, i) => `${channel.x(i).toFixed(1)} ${channel.y(v).toFixed(1)}`).join('L')}`;
  channel.line = line;
  const band = `${line(channel.measured_high)}L${channel.measured_low.map((v, i) => `${channel.x(i).toFixed(1)} ${channel.y(v).toFixed(1)}`).reverse().join('L')}Z`;
  box.append(svg('path', { class: 'band', d: band }), svg('path', { class: 'sound', d: line(channel.sound) }), svg('path', { class: 'measured', d: line(channel.measured) }));
  channel.path = svg('path', { class: 'simulated', d: line(channel.simulated) });
  box.append(channel.path);
  for (let a = 0; a <= shown.cycle_deg; a += step) {
    const x = left + (a / shown.cycle_deg) * (WIDE - left - 10);
    box.append(svg('path', { class: 'frame', d: `M${x} ${TALL - 40}v6` }), text(x - (a === shown.cycle_deg ? left / 3 : 0), TALL - below, `${a}\u00b0`, a === 0 ? 'start' : 'middle'));
  }
  const unit = channel.unit === '1' ? '' : ` ${channel.unit}`;
  box.append(text(left - 8, channel.y(high) + 5, number(high), 'end'), text(left - 8, channel.y(low) + 5, number(low), 'end'));
  const caption = document.createElement('figcaption');
  caption.textContent = `${channel.title} (${channel.channel})${unit ? `, in${unit}` : ''} over the crank angle; measured and simulated both without detail finer than 1/${channel.harmonics} of a cycle.`;
  const heading = document.createElement('h2');
  heading.textContent = channel.title;
  channel.said = document.createElement('p');
  made.append(heading, box, channel.said, caption);
  tell(channel, channel.simulated);
  return made;
}

function text(x, y, words, anchor) {
  const made = svg('text', { x, y, 'text-anchor': anchor });
  made.textContent = words;
  return made;
}

function tell(channel, simulated) {
  let left = 0;
  let whole = 0;
  channel.measured.forEach((m, i) => { left += (m - simulated[i]) ** 2; whole += m ** 2; });
  channel.said.textContent = `Of what the averaged cycle does, ${(100 * Math.max(0, 1 - left / (whole || 1))).toFixed(0)}\u00a0% is explained at this size.`;
}

function size() { $('size').textContent = written(Number($('severity').value), shown.unit); $('severity').setAttribute('aria-valuetext', $('size').textContent); }

// one question at a time, and always the newest size
async function slide() {
  size();
  wanted = Number($('severity').value);
  if (running) return;
  running = true;
  while (wanted !== null) {
    const severity = wanted;
    const of = shown;
    wanted = null;
    const began = performance.now();
    try {
      const content = await askJson(`${base(root.dataset.recording)}/what-if/cycle?${of.asked}&severity=${severity}`);
      if (of !== shown) continue;
      for (const channel of shown.channels) {
        channel.path.setAttribute('d', channel.line(content.simulated[channel.channel]));
        tell(channel, content.simulated[channel.channel]);
      }
      root.dataset.slide = (performance.now() - began).toFixed(1);
      root.dataset.at = severity;
    } catch (error) {
      $('trouble').replaceChildren(errorBox(error.told ?? { wrong: error.message }));
    }
  }
  running = false;
}

$('fault').addEventListener('change', () => { delete root.dataset.size; prepare(); });
$('fault').addEventListener('submit', (event) => event.preventDefault());
$('severity').addEventListener('input', slide);
narrow.addEventListener('change', () => { if (!shown) return; $('curves').replaceChildren(...shown.channels.map(figure)); slide(); });
$('sound').addEventListener('click', () => { $('severity').value = 0; slide(); });
$('best').addEventListener('click', () => { if (shown.best.value === null) { say('Not known'); return; } $('severity').value = shown.best.value; slide(); });
prepare();
