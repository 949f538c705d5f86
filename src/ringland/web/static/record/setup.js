// What is to be recorded: instrument, what is on its inputs, how the engine is run.

import { ApiError, call, errorBox } from '../js/api.js';

const kept = 'ringland-record';
const roles = ['exhaust', 'exhaust_2', 'crankcase', 'ignition', 'cam', 'crank_tooth', 'intake', 'starter_current', 'sound'];
const form = document.getElementById('setup');
const place = document.getElementById('record');

const remembered = () => { try { return JSON.parse(localStorage.getItem(kept) ?? '{}'); } catch { return {}; } };
function remember(change) {
  try { localStorage.setItem(kept, JSON.stringify({ ...remembered(), ...change })); } catch { /* full or not allowed */ }
}

const made = (tag, text, attributes = {}) => {
  const element = document.createElement(tag);
  if (text) element.textContent = text;
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  return element;
};

// how the engine is run, or what is measured on the bench
const choice = () => (form.elements.condition ? 'condition' : 'what');
const chosen = () => form.elements[choice()].value;

function showHow() {
  for (const part of form.querySelectorAll('[data-how]')) part.hidden = part.dataset.how !== chosen();
}

// what is on the inputs: on the bench another thing for each check
const rememberedAs = () => `${form.elements.what ? `${chosen()}:` : ''}${form.elements.address.value.trim().split('?')[0]}`;

// Where two instruments have one name, which one it is goes along in the address.
export function addressed() {
  const address = form.elements.address.value.trim();
  const label = form.elements.label.value.trim();
  return label && !/[?&]label=/.test(address) ? `${address}${address.includes('?') ? '&' : '?'}label=${label}` : address;
}

export async function listInstruments() {
  const box = document.getElementById('instruments');
  let found;
  try { found = await call('GET', '/api/v1/instruments'); } catch (error) {
    box.replaceChildren(errorBox(error instanceof ApiError ? error.told : { wrong: error.message }));
    return;
  }
  const list = made('div', '', { class: 'found', role: 'radiogroup', 'aria-label': 'Instruments' });
  const aside = made('div', '', { class: 'found' });
  for (const one of found) {
    const label = made('label');
    const radio = made('input', '', { type: 'radio', name: 'instrument', value: one.address });
    radio.disabled = !one.usable;
    label.append(radio, made('b', `${one.title}${one.usable ? '' : ': not usable'}`), made('small', `${one.address} — ${one.says}`));
    (one.usable ? list : aside).append(label);
  }
  const again = made('button', 'Look again', { type: 'button', class: 'plain' });
  again.addEventListener('click', listInstruments);
  const others = made('details');
  others.append(made('summary', `Not usable now: ${aside.children.length}, and why`), aside);
  box.replaceChildren(list, ...(aside.children.length ? [others] : []), again);
  const before = form.elements.address.value || remembered().address;
  const first = [...list.querySelectorAll('input:not(:disabled)')];
  const asBefore = first.find((r) => before === r.value || before?.startsWith(`${r.value}?`)) ?? (before ? null : first[0]);
  if (asBefore) asBefore.checked = true;
  if (!form.elements.address.value) form.elements.address.value = before || asBefore?.value || '';
  await listInputs();
}

let asked = 0;
export async function listInputs() {
  const box = document.getElementById('inputs');
  const address = addressed();
  if (!address) { box.replaceChildren(made('p', 'Choose an instrument first.')); return; }
  const mine = asked += 1;
  const query = new URLSearchParams({ address, [choice()]: chosen() });
  let found;
  try { found = await call('GET', `${place.dataset.inputs}?${query}`); } catch (error) {
    if (mine === asked) box.replaceChildren(errorBox(error instanceof ApiError ? error.told : { wrong: error.message }));
    return;
  }
  if (mine !== asked) return; // another one was chosen meanwhile
  const before = remembered().inputs?.[rememberedAs()] ?? {};
  const list = made('ul', '', { class: 'inputs' });
  found.inputs.forEach((input, i) => {
    const line = made('li');
    const label = made('label', `${input.name}${input.unit ? `, ${input.unit}` : ''}`, { for: `input-${i}` });
    if (input.note) label.append(made('span', input.note, { class: 'hint' }));
    const select = made('select', '', { id: `input-${i}`, 'data-input': input.name });
    const wanted = before[input.name] ?? input.role ?? '';
    for (const role of ['', ...roles]) {
      const option = made('option', role ? role.replaceAll('_', ' ') : 'not recorded', { value: role });
      option.selected = role === wanted;
      select.append(option);
    }
    line.append(label, select);
    list.append(line);
  });
  const known = [made('p', found.known.which && !found.title.includes(found.known.which) ? `${found.title} (${found.known.which})` : found.title), ...found.notes.map((n) => made('p', n, { class: 'muted' }))];
  box.replaceChildren(...known, list, ...whatIsKnown(found));
  if (whichOne(found)) listInputs(); // the only one of its name that is known
  const range = found.rates_hz ? `, ${found.rates_hz[0]} to ${found.rates_hz[1]} possible` : '';
  document.getElementById('rate-hint').textContent = `${found.planned_rate_hz} when empty, as planned${range}`;
}

// Offered where the instrument does not say itself which one it is.
const offered = new Set();
function whichOne(found) {
  const { labels, serial } = found.known;
  const named = labels.filter(Boolean);
  const field = form.elements.label;
  document.getElementById('which-one').hidden = serial || (Boolean(form.elements.condition) && !named.length && !field.value);
  document.getElementById('labels').replaceChildren(...named.map((n) => made('option', '', { value: n })));
  document.getElementById('label-hint').textContent = named.length ? `known of this name: ${named.join(', ')}; see the label on its case` : 'a label on its case, when there are two of one name';
  if (serial || field.value || labels.length !== 1 || !named.length || offered.has(found.title)) return false;
  offered.add(found.title);
  [field.value] = named;
  return true;
}

function whatIsKnown(found) {
  const { measured, labels, serial, which } = found.known;
  const nodes = [];
  const named = labels.filter(Boolean);
  if (!serial && !which && named.length > 1) nodes.push(made('p', `${named.length} of this name are known (${named.join(', ')}). Say which one it is; until then nothing that was measured is used.`, { class: 'error' }));
  if (measured.length) {
    const details = made('details');
    const old = measured.filter((m) => m.look).length;
    details.append(made('summary', `What was measured of it: ${measured.length} values${old ? `, ${old} of them to look at` : ''}`));
    const rows = made('ul');
    for (const m of measured) rows.append(made('li', `${m.input}: ${m.says} (${m.age})`));
    details.append(rows);
    nodes.push(details);
  } else if (form.elements.condition) nodes.push(made('p', 'Nothing was measured of it: delays between its inputs and reversed sensors are not put right.', { class: 'muted' }));
  if (form.elements.condition) {
    const line = made('p');
    line.append(made('a', 'Self-check of the instrument', { href: '/instruments' }));
    nodes.push(line);
  }
  return nodes;
}

const number = (name) => {
  const text = form.elements[name].value.trim().replace(',', '.');
  return text === '' ? null : Number(text);
};

// What the API takes; remembers it for the next time on this computer.
export function chosenInputs() {
  const address = form.elements.address.value.trim();
  const inputs = {};
  const selected = {};
  for (const select of form.querySelectorAll('[data-input]')) {
    selected[select.dataset.input] = select.value;
    if (!select.value) continue;
    if (inputs[select.value]) throw new ApiError(422, { wrong: `Two inputs are called ${select.value.replaceAll('_', ' ')}.`, got: `${inputs[select.value]}, ${select.dataset.input}`, allowed: 'each once', remedy: 'Say what the other one is, or that it is not recorded.' });
    inputs[select.value] = select.dataset.input;
  }
  remember({ address, inputs: { ...remembered().inputs, [rememberedAs()]: selected } });
  return inputs;
}

export function wanted() {
  const body = { address: addressed(), condition: chosen(), inputs: chosenInputs() };
  for (const name of ['rate_hz', 'precision_percent', 'shortest_s', 'longest_s', 'speed_rpm']) if (number(name) !== null) body[name] = number(name);
  const obd = form.elements.obd.value.trim();
  if (obd) body.obd = obd;
  remember({ obd });
  return body;
}

form?.addEventListener('change', (event) => {
  if (event.target.name === 'instrument') form.elements.address.value = event.target.value;
  if (['instrument', 'address'].includes(event.target.name)) form.elements.label.value = ''; // of the one before
  if (event.target.name === choice()) showHow();
  if (['instrument', choice(), 'address', 'label'].includes(event.target.name)) listInputs();
});
if (form) {
  showHow();
  if (form.elements.obd) form.elements.obd.value = remembered().obd ?? '';
}
