// Puts the instrument view together: trace, raster, results and figures of one recording.

import { errorBox, say } from '../js/api.js';
import { Crank, Tiles, askJson, ask, base, excludeQuery } from './data.js';
import { keyboard, wheelAndDrag } from './hands.js';
import { Polar } from './polar.js';
import { Raster } from './raster.js';
import { Trace, number } from './trace.js';

const root = document.getElementById('instrument');
const id = root.dataset.recording;
const $ = (name) => document.getElementById(name);
const stretches = new URLSearchParams(location.search).getAll('exclude').map((t) => t.split(':').map(Number)).filter(([a, b]) => a < b);
let trace;
let raster;

function fail(error, where = $('trouble')) {
  if (error.name === 'AbortError') return;
  where.replaceChildren(errorBox(error.told ?? { wrong: error.message }));
}

function seconds(t) { return `${t.toFixed(4)} s`; }

function readout() {
  const parts = trace.cursors.map((t, n) => {
    if (t === null) return null;
    const angle = trace.crank?.cycles.length ? trace.crank.angleAt(t) : null;
    return { name: 'AB'[n], t, angle, text: `${'AB'[n]}: ${(1000 * (t - trace.info.start_s)).toFixed(2)} ms${angle ? `, ${angle.angle.toFixed(1)}\u00b0 of cycle ${angle.cycle}` : ''}` };
  });
  const [a, b] = parts;
  const texts = parts.filter(Boolean).map((p) => p.text);
  if (a && b) {
    let text = `A to B: ${(1000 * (b.t - a.t)).toFixed(2)} ms`;
    if (a.angle && b.angle) text += `, ${((b.angle.cycle - a.angle.cycle) * trace.crank.cycle_deg + b.angle.angle - a.angle.angle).toFixed(1)}\u00b0`;
    texts.push(text);
  }
  const words = texts.join('   ') || 'No cursor yet. Tap or click in the trace, or press a and b.';
  if ($('readout').textContent !== words) $('readout').textContent = words;
  $('exclude').disabled = !(a && b && a.t !== b.t);
}

// the raster and the circle follow a trace that moves, but not with every frame of it
const FOLLOWS_MS = 90;
let follows;
function follow() {
  follows = undefined;
  const cycle = trace.crank?.cycles.length ? trace.crank.cycleAt(trace.cursors[trace.active] ?? (trace.start + trace.stop) / 2) : -1;
  if (raster && trace.follow !== false) raster.mark(cycle, trace.cursors[trace.active] === null ? null : trace.crank?.angleAt(trace.cursors[trace.active])?.angle ?? null);
}

let later;
function changed() {
  readout();
  follows ??= setTimeout(follow, FOLLOWS_MS);
  root.dataset.start = trace.start;
  root.dataset.stop = trace.stop;
  clearTimeout(later);
  later = setTimeout(table, 250);
}

// the same as the canvas, in words
function table() {
  const rows = trace.info.lanes.map((lane, n) => {
    const [low, high] = shownRange(n);
    return [lane.title, lane.name, low === null ? 'no samples here' : `${number(low)} to ${number(high)}${lane.unit === '1' ? '' : ` ${lane.unit}`}`, lane.rate_hz ? `${lane.rate_hz} per second` : 'changes of level'];
  });
  fill($('shown-rows'), rows);
  const c = trace.crank;
  const first = c?.cycles.length ? c.cycles.findIndex((k) => k.stop_s > trace.start) : -1;
  let words = `Shown is ${seconds(trace.start)} to ${seconds(trace.stop)} of ${seconds(trace.info.start_s)} to ${seconds(trace.info.stop_s)}.`;
  if (first >= 0 && c.cycles[first].start_s < trace.stop) {
    let last = first;
    while (last + 1 < c.cycles.length && c.cycles[last + 1].start_s < trace.stop) last += 1;
    const dropped = c.cycles.slice(first, last + 1).map((k, i) => (k.dropped ? `${first + i + 1} (${k.dropped})` : null)).filter(Boolean);
    words += ` Cycles ${first + 1} to ${last + 1} of ${c.cycles.length}; dropped: ${dropped.slice(0, 6).join(', ') || 'none'}${dropped.length > 6 ? ` and ${dropped.length - 6} more` : ''}.`;
  }
  if (stretches.length) words += ` Left out: ${stretches.map(([a, b]) => `${seconds(a)} to ${seconds(b)}`).join(', ')}.`;
  $('shown-words').textContent = words;
}

function shownRange(n) {
  const tile = trace.tiles.over(trace.start, trace.stop);
  if (!tile) return [null, null];
  const grain = (tile.stop - tile.start) / tile.width;
  const from = Math.max(0, Math.floor((trace.start - tile.start) / grain));
  const to = Math.min(tile.width, Math.ceil((trace.stop - tile.start) / grain));
  let low = Infinity;
  let high = -Infinity;
  for (let i = from; i < to; i += 1) {
    low = Math.min(low, Number.isNaN(tile.values[2 * n * tile.width + i]) ? Infinity : tile.values[2 * n * tile.width + i]);
    high = Math.max(high, Number.isNaN(tile.values[(2 * n + 1) * tile.width + i]) ? -Infinity : tile.values[(2 * n + 1) * tile.width + i]);
  }
  return low === Infinity ? [null, null] : [low, high];
}

function fill(body, rows) {
  const heads = [...body.closest('table').querySelectorAll('thead th')].map((head) => head.textContent);
  body.replaceChildren(...rows.map((cells) => {
    const row = document.createElement('tr');
    row.append(...cells.map((cell, at) => {
      const made = document.createElement('td');
      if (at > 0) made.dataset.label = heads[at];
      if (cell?.mark) { const mark = document.createElement('i'); mark.className = `mark ${cell.mark}`; mark.ariaHidden = 'true'; made.append(mark); }
      made.append(cell?.text ?? String(cell));
      return made;
    }));
    return row;
  }));
}

function showCycle(index, angle = null, firmly = true) {
  const cycle = trace.crank?.cycles[index];
  if (!cycle) return;
  const span = cycle.stop_s - cycle.start_s;
  trace.marked = index;
  if (angle !== null) { trace.cursors[trace.active] = trace.crank.timeAt(index, angle); }
  if (firmly || cycle.start_s < trace.start || cycle.stop_s > trace.stop) {
    const wide = firmly ? 3 * span : trace.stop - trace.start;
    trace.show(cycle.start_s + span / 2 - wide / 2, cycle.start_s + span / 2 + wide / 2);
  } else trace.draw();
}

function stepCycle(by) {
  if (!trace.crank?.cycles.length) return;
  const now = trace.crank.cycleAt((trace.start + trace.stop) / 2);
  const index = Math.min(Math.max(now + by, 0), trace.crank.cycles.length - 1);
  showCycle(index);
  say(`Cycle ${index + 1}`);
}

function exclude() {
  const [a, b] = trace.cursors;
  if (a === null || b === null || a === b) { say('Set both cursors first: a and b.'); return; }
  if (stretches.length >= 20) { say('At most 20 stretches can be left out.'); return; }
  stretches.push([Math.min(a, b), Math.max(a, b)]);
  recompute();
}

function include() {
  if (!stretches.length) return;
  stretches.pop();
  recompute();
}

function recompute() {
  trace.stretches = stretches;
  trace.draw();
  const query = excludeQuery(stretches);
  history.replaceState(null, '', query ? `?${query}` : location.pathname);
  $('include').disabled = !stretches.length;
  loadJudged();
}

let running;
async function loadJudged() {
  running?.abort();
  running = new AbortController();
  const { signal } = running;
  const query = excludeQuery(stretches);
  try {
    say('Judging the cycles', 0);
    trace.crank = new Crank(await askJson(`${base(id)}/cycles?${query}`, { signal }));
    trace.draw();
    if (!trace.crank.cycles.length) throw Object.assign(new Error(), { told: { wrong: 'The engine cycle was not found.', got: trace.crank.not_judged, remedy: 'The trace can still be read in milliseconds.' } });
    await loadRaster(signal);
    await loadResults(signal, query);
    const html = await (await ask(`/recordings/${id}/figures?${query}`, { signal })).text();
    $('figures').innerHTML = html;
    $('trouble').replaceChildren();
    say(stretches.length ? 'Judged without the stretches left out' : 'Judged');
    root.dataset.ready = query || 'all';
  } catch (error) { if (error.name !== 'AbortError') say('', 1); fail(error); }
}

async function loadRaster(signal) {
  const { signals = [] } = trace.crank;
  const select = $('raster-channel');
  if (!select.options.length) select.replaceChildren(...signals.map((name) => new Option(name, name)));
  if (!signals.length) return;
  raster.set(await askJson(`${base(id)}/raster?channel=${encodeURIComponent(select.value)}&${excludeQuery(stretches)}`, { signal }));
  $('raster-words').textContent = raster.said();
  changed();
}

const words = { normal: 'normal', alert: 'alert', alarm: 'ALARM', not_judged: 'not judged' };

async function loadResults(signal, query) {
  const { before, after, changed: isChanged } = await askJson(`${base(id)}/results?${query}`, { signal });
  const strength = (p) => p.strength.map((s, i) => (s ? `${before.channels[i]} ${(100 * s[0]).toFixed(0)}\u00a0% (${(100 * s[1]).toFixed(0)} to ${(100 * s[2]).toFixed(0)}\u00a0%)` : null)).filter(Boolean).join('; ') || 'not measured';
  const cells = (p) => (p ? [{ mark: p.state, text: words[p.state] }, strength(p)] : ['not judged', 'not measured']);
  fill($('result-rows'), before.positions.map((p, i) => [p.label, ...cells(p), ...(isChanged ? cells(after.positions[i]) : ['', ''])]));
  const causes = (s) => s.causes.map((c) => `${c.name}: ${c.often}`).join('; ') || s.not_judged || 'none ranked';
  $('result-words').replaceChildren(...[
    `All cycles: ${before.kept} of ${before.found} used. ${causes(before)}.`,
    isChanged ? `Without the stretches: ${after.kept} of ${after.found} used. ${after.not_judged ?? `${causes(after)}.`}` : null,
  ].filter(Boolean).map((text) => { const p = document.createElement('p'); p.textContent = text; return p; }));
}

async function start() {
  let info;
  try { info = await askJson(`${base(id)}/lanes`); } catch (error) { fail(error); return; }
  info.lanes = info.lanes.slice(0, 16);
  const canvas = $('trace');
  canvas.classList.add(`lanes-${Math.min(info.lanes.length, 6)}`);
  const tiles = new Tiles(id, info.lanes.map((l) => l.number), (ms) => { root.dataset.answer = ms.toFixed(1); trace.draw(); });
  tiles.failed = fail;
  trace = new Trace(canvas, info, tiles);
  trace.stretches = stretches;
  trace.changed = changed;
  raster = new Raster($('raster'), (index, angle, firmly) => showCycle(index, angle, firmly));
  new Polar($('polar'), raster, $('polar-words')).paint();
  trace.pointed = (time) => { const found = trace.crank?.cycles.length ? trace.crank.angleAt(time) : null; if (found) raster.mark(found.cycle - 1, found.angle); };
  wheelAndDrag(trace);
  keyboard(trace, { cycle: stepCycle, exclude, include });
  const press = { 'zoom-in': () => trace.zoom(0.5), 'zoom-out': () => trace.zoom(2), whole: () => trace.show(info.start_s, info.stop_s), earlier: () => trace.pan(-0.5), later: () => trace.pan(0.5), 'cycle-before': () => stepCycle(-1), 'cycle-after': () => stepCycle(1), exclude, include };
  for (const [name, act] of Object.entries(press)) $(name).addEventListener('click', act);
  for (const n of [0, 1]) $(`cursor-${'ab'[n]}`).addEventListener('click', () => trace.cursor(n, trace.cursors[n] ?? trace.start + (0.35 + 0.3 * n) * (trace.stop - trace.start)));
  $('include').disabled = !stretches.length;
  $('raster-channel').addEventListener('change', () => loadRaster().catch(fail));
  addLaneShift(info);
  const span = Math.min(info.stop_s - info.start_s, 1);
  trace.show(info.start_s, info.start_s + span);
  window.ringlandTrace = trace;
  tiles.loadWhole(info).catch(fail);
  loadJudged();
}

// moving one lane in time against the others: for looking only
function addLaneShift(info) {
  const select = $('shift-lane');
  select.replaceChildren(...info.lanes.map((l) => new Option(`${l.title} (${l.name})`, l.number)));
  const field = $('shift-ms');
  select.addEventListener('change', () => { field.value = 1000 * (trace.shift.get(Number(select.value)) ?? 0); });
  field.addEventListener('input', () => {
    const ms = Number(field.value);
    if (!Number.isFinite(ms) || Math.abs(ms) > 10000) return;
    trace.shift.set(Number(select.value), ms / 1000);
    trace.draw();
  });
}

start();
