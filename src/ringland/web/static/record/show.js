// What runs, drawn from what the server tells: levels, speed, cylinders, time to enough, verdict.

const percent = (share) => `${(100 * share).toFixed(share < 0.1 ? 1 : 0)}\u00a0%`;
const rpm = (value) => `${Math.round(value)} rpm`;
const clean = (text) => text.replaceAll('_', ' ');

export function made(tag, text = '', attributes = {}) {
  const element = document.createElement(tag);
  if (text) element.textContent = text;
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  return element;
}

const put = (element, text) => { if (element.textContent !== text) element.textContent = text; };
const at = (element, property, value) => element.style.setProperty(property, `${value}%`);
const within = (value) => Math.max(0, Math.min(100, value));

let shown = null; // the parts of the live view, made once for each recording

function frame(told) {
  const live = document.getElementById('live');
  const parts = { id: told.id, lines: new Map(), rows: [] };
  parts.where = made('p', '', { class: 'muted' });
  parts.vehicle = made('p');
  parts.now = made('p', '', { class: 'now' });
  parts.clock = made('b');
  parts.speed = made('b');
  parts.steady = made('span');
  parts.disk = made('span', '', { class: 'muted' });
  parts.now.append(parts.clock, parts.speed, parts.steady, parts.disk);
  parts.coach = made('p', '', { class: 'coach' });
  const enough = made('div', '', { class: 'enough' });
  parts.bar = made('progress', '', { max: '1', value: '0', 'aria-label': 'How much of what is needed is recorded' });
  parts.left = made('p');
  enough.append(parts.bar, parts.left);
  const seen = made('div', '', { class: 'seen' });
  const channels = made('section', '', { 'aria-label': 'Channels' });
  parts.channels = made('ul', '', { class: 'lines' });
  channels.append(made('h2', 'Channels'), parts.channels);
  const cylinders = made('section', '', { 'aria-label': 'Cylinders' });
  parts.cylinders = made('ul', '', { class: 'lines cylinders' });
  parts.first = made('p', '', { class: 'muted' });
  cylinders.append(made('h2', 'First estimate, exhaust pulse'), parts.cylinders, parts.first);
  seen.append(channels, cylinders);
  parts.odd = made('div', '', { class: 'odd' });
  live.replaceChildren(parts.now, parts.coach, enough, parts.odd, seen, parts.vehicle, parts.where);
  return parts;
}

function channelLine(parts, meter) {
  let line = parts.lines.get(meter.name);
  if (line) return line;
  const item = made('li');
  const head = made('div', '', { class: 'head' });
  line = { name: made('b', clean(meter.name)), said: made('small'), level: made('div', '', { class: 'level', role: 'img' }), fill: made('i'), looks: made('small') };
  head.append(line.name, line.said);
  line.level.append(line.fill, made('u'));
  item.append(head, line.level, line.looks);
  parts.channels.append(item);
  parts.lines.set(meter.name, line);
  return line;
}

function showChannels(parts, told) {
  const looks = new Map((told.look?.channels ?? []).map((c) => [c.name, c]));
  for (const meter of told.meters) {
    const line = channelLine(parts, meter);
    const clips = meter.used !== null && meter.used >= 0.999;
    line.level.className = `level${clips ? ' clips' : ''}${meter.range ? '' : ' unknown'}`;
    let low = 0;
    let high = 0;
    if (meter.range && meter.low !== null && meter.high !== null) {
      const span = meter.range[1] - meter.range[0];
      low = within((100 * (meter.low - meter.range[0])) / span);
      high = within((100 * (meter.high - meter.range[0])) / span);
    }
    at(line.fill, 'left', low);
    at(line.fill, 'width', high - low);
    const clipped = meter.clipped ? `, ${meter.clipped} samples clipped` : '';
    const level = meter.used === null ? `${number(meter.low)} to ${number(meter.high)} ${meter.unit}` : `${percent(meter.used)} of the range: ${meter.advice}`;
    put(line.said, level + clipped);
    line.level.setAttribute('aria-label', `Level of ${clean(meter.name)}: ${level}${clipped}`);
    const look = looks.get(meter.name);
    put(line.looks, look ? look.says : 'nothing seen yet');
  }
}

const number = (value) => (value === null ? 'nothing' : Number(value.toPrecision(3)).toString());

function showCylinders(parts, told) {
  const rows = told.look?.cylinders ?? [];
  while (parts.rows.length > rows.length) parts.rows.pop().item.remove();
  while (parts.rows.length < rows.length) {
    const row = { item: made('li'), who: made('b'), track: made('div', '', { class: 'track', 'aria-hidden': 'true' }), bar: made('i'), dot: made('b'), value: made('span', '', { class: 'value' }) };
    row.track.append(made('u'), row.bar, row.dot);
    row.item.append(row.who, row.track, row.value);
    parts.cylinders.append(row.item);
    parts.rows.push(row);
  }
  rows.forEach((one, i) => {
    const row = parts.rows[i];
    put(row.who, one.cylinder ? `Cylinder ${one.cylinder}` : `Position ${one.position}`);
    const known = one.strength !== null;
    const half = one.half_width ?? 0;
    row.dot.hidden = !known;
    row.bar.hidden = !known || one.half_width === null;
    at(row.dot, 'left', within(50 * (one.strength ?? 0)));
    at(row.bar, 'left', within(50 * ((one.strength ?? 0) - half)));
    at(row.bar, 'width', Math.min(100, 100 * half));
    put(row.value, known ? `${(100 * one.strength).toFixed(0)}${one.half_width === null ? '' : ` ± ${(100 * half).toFixed(half < 0.1 ? 1 : 0)}`}\u00a0%` : 'not known');
  });
  const why = told.look?.speed_rpm.reason;
  put(parts.first, rows.length ? '100\u00a0% is the usual pulse (the line in the middle); the truth is inside the bar 19 times in 20.' : why ? `Not yet: ${why}.` : 'Comes after a few seconds.');
}

function showSpeed(parts, told) {
  const look = told.look;
  put(parts.speed, look?.speed_now_rpm == null ? 'no speed yet' : rpm(look.speed_now_rpm));
  const mean = look?.speed_rpm;
  const wanders = look?.steadiness == null ? '' : `, wandered ${percent(look.steadiness)}`;
  put(parts.steady, mean?.value == null ? '' : `mean ${Math.round(mean.value)} (${Math.round(mean.low)} to ${Math.round(mean.high)})${wanders}`);
}

// What the vehicle says of its own speed, or why it says nothing.
function vehicleWords(vehicle) {
  if (!vehicle) return '';
  if (vehicle.median_rpm === undefined) return `The vehicle’s own speed: ${vehicle.trouble ?? 'not read yet'}.`;
  const lost = vehicle.trouble ? ` Not read any more: ${vehicle.trouble}.` : '';
  return `The vehicle says ${rpm(vehicle.median_rpm)} (${Math.round(vehicle.lowest_rpm)} to ${Math.round(vehicle.highest_rpm)} in ${vehicle.count} readings).${lost}`;
}

function showEnough(parts, told) {
  const look = told.look;
  const waits = ['snap', 'cranking'].includes(told.condition);
  if (waits) {
    put(parts.left, told.state === 'waiting' ? 'Nothing is kept yet but the last three seconds.' : 'Stops by itself seven seconds after it began.');
    parts.bar.value = told.event_s === null ? 0 : within((100 * told.event_s) / 7) / 100;
    return;
  }
  const reached = look?.half_width == null ? 'precision not known yet' : `every cylinder within ± ${percent(look.half_width)} (wanted ${percent(told.wanted)})`;
  const left = look?.remaining_s == null ? '' : look.remaining_s > 0.5 ? `, about ${Math.ceil(look.remaining_s)} s to go` : ', enough';
  put(parts.left, `${reached}${left}. At most ${told.longest_s} s.`);
  parts.bar.value = look?.remaining_s == null ? 0 : told.seconds / Math.max(told.seconds + Math.max(look.remaining_s, 0), 0.1);
}

function coaching(told, limits) {
  if (told.state === 'judging') return ['Judging …', false];
  if (told.condition === 'cranking' && told.state === 'recording' && told.event_s !== null) {
    const over = told.event_s >= limits.crankS;
    return [over ? 'Let go of the key: the starter needs its rest.' : `Cranking ${told.event_s.toFixed(0)} s of at most ${limits.crankS} s; the engine maker’s limit comes first.`, over];
  }
  if (told.state === 'waiting') return [told.condition === 'cranking' ? 'Ready: fuel off, clear of belts and fan, then crank.' : 'Ready: one quick full press, at once let go.', false];
  return [told.look?.coaching ?? '', false];
}

function findingBox(finding) {
  const box = made('div', '', { class: 'error' });
  box.append(made('b', `${finding.certain ? '' : 'Maybe '}${clean(finding.kind)}${finding.channel ? `, ${clean(finding.channel)}` : ''}: ${finding.message}`));
  if (finding.action) box.append(made('p', `What to do: ${finding.action}`));
  return box;
}

let oddBefore = '';
export function showLive(told, limits) {
  if (shown?.id !== told.id) { shown = frame(told); oddBefore = ''; }
  put(shown.clock, `${told.seconds.toFixed(1)} s`);
  put(shown.disk, `on the disk${told.lost_samples ? `, ${told.lost_samples} samples never came` : ''}`);
  showSpeed(shown, told);
  const [words, warned] = coaching(told, limits);
  put(shown.coach, words);
  shown.coach.classList.toggle('warned', warned);
  showEnough(shown, told);
  showChannels(shown, told);
  showCylinders(shown, told);
  put(shown.vehicle, vehicleWords(told.vehicle_speed));
  put(shown.where, [`${told.address}, ${told.rate_hz} samples per second.`, ...told.notes].join(' '));
  const odd = JSON.stringify([told.look?.findings ?? [], told.trouble]);
  if (odd !== oddBefore) {
    oddBefore = odd;
    const boxes = (told.look?.findings ?? []).map(findingBox);
    if (told.trouble) boxes.push(made('p', told.trouble));
    shown.odd.replaceChildren(...boxes);
  }
}

export function showVerdict(told, extra) {
  const box = document.getElementById('verdict');
  const nodes = [];
  const verdict = told.verdict;
  if (verdict) {
    const fit = made('p', '', { class: 'fit' });
    fit.append(made('i', '', { class: `mark ${verdict.fit ? 'done' : 'unusable'}`, 'aria-hidden': 'true' }), verdict.fit ? 'Fit to judge' : 'Not fit to judge');
    nodes.push(fit, made('p', verdict.why, { class: 'lead' }), ...verdict.findings.map(findingBox));
    const width = verdict.half_width === null ? '' : ` Every cylinder’s exhaust pulse is known to ± ${percent(verdict.half_width)} (19 times in 20).`;
    nodes.push(made('p', `${told.seconds.toFixed(1)} s recorded${verdict.cycles === null ? '' : `, ${verdict.cycles} engine cycles`}. Ended: ${told.ended}.${told.lost_samples ? ` ${told.lost_samples} samples never came.` : ''}${width}`));
    const named = new Set(verdict.findings.map((f) => f.message));
    const others = verdict.checks.filter((c) => c.verdict !== 'not_checked' && !named.has(c.message));
    if (others.length) {
      const list = made('ul');
      for (const c of others) list.append(made('li', `${c.channel ? `${clean(c.channel)}: ` : ''}${c.message} ${c.action ?? ''}`));
      nodes.push(made('h2', 'Also seen'), list);
    }
  }
  const said = vehicleWords(told.vehicle_speed);
  if (said) nodes.push(made('p', said));
  nodes.push(...extra);
  box.replaceChildren(...nodes);
}
