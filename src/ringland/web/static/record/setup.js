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

export const condition = () => form.elements.condition.value;

function showHow() {
  for (const part of form.querySelectorAll('[data-how]')) part.hidden = part.dataset.how !== condition();
}

export async function listInstruments() {
  const box = document.getElementById('instruments');
  let found;
  try { found = await call('GET', '/api/v1/instruments'); } catch (error) {
    box.replaceChildren(errorBox(error instanceof ApiError ? error.told : { wrong: error.message }));
    return;
  }
  const list = made('div', '', { class: 'found', role: 'radiogroup', 'aria-label': 'Instruments' });
  for (const one of found) {
    const label = made('label');
    const radio = made('input', '', { type: 'radio', name: 'instrument', value: one.address });
    radio.disabled = !one.usable;
    label.append(radio, made('b', `${one.title}${one.usable ? '' : ': not usable'}`), made('small', `${one.address} — ${one.says}`));
    list.append(label);
  }
  const again = made('button', 'Look again', { type: 'button', class: 'plain' });
  again.addEventListener('click', listInstruments);
  box.replaceChildren(list, again);
  const before = form.elements.address.value || remembered().address;
  const first = [...list.querySelectorAll('input:not(:disabled)')];
  const chosen = first.find((r) => before === r.value || before?.startsWith(`${r.value}?`)) ?? (before ? null : first[0]);
  if (chosen) chosen.checked = true;
  if (!form.elements.address.value) form.elements.address.value = before || chosen?.value || '';
  await listInputs();
}

let asked = 0;
export async function listInputs() {
  const box = document.getElementById('inputs');
  const address = form.elements.address.value.trim();
  if (!address) { box.replaceChildren(made('p', 'Choose an instrument first.')); return; }
  const mine = asked += 1;
  const query = new URLSearchParams({ address, condition: condition() });
  let found;
  try { found = await call('GET', `/api/v1/visits/${place.dataset.visit}/instrument?${query}`); } catch (error) {
    if (mine === asked) box.replaceChildren(errorBox(error instanceof ApiError ? error.told : { wrong: error.message }));
    return;
  }
  if (mine !== asked) return; // another one was chosen meanwhile
  const before = remembered().inputs?.[address.split('?')[0]] ?? {};
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
  box.replaceChildren(made('p', found.title), ...found.notes.map((n) => made('p', n, { class: 'muted' })), list);
  const range = found.rates_hz ? `, ${found.rates_hz[0]} to ${found.rates_hz[1]} possible` : '';
  document.getElementById('rate-hint').textContent = `${found.planned_rate_hz} when empty, as planned${range}`;
}

const number = (name) => {
  const text = form.elements[name].value.trim().replace(',', '.');
  return text === '' ? null : Number(text);
};

// What the API takes; remembers it for the next time on this computer.
export function wanted() {
  const address = form.elements.address.value.trim();
  const inputs = {};
  const chosen = {};
  for (const select of form.querySelectorAll('[data-input]')) {
    chosen[select.dataset.input] = select.value;
    if (!select.value) continue;
    if (inputs[select.value]) throw new ApiError(422, { wrong: `Two inputs are called ${select.value.replaceAll('_', ' ')}.`, got: `${inputs[select.value]}, ${select.dataset.input}`, allowed: 'each once', remedy: 'Say what the other one is, or that it is not recorded.' });
    inputs[select.value] = select.dataset.input;
  }
  remember({ address, inputs: { ...remembered().inputs, [address.split('?')[0]]: chosen } });
  const body = { address, condition: condition(), inputs };
  for (const name of ['rate_hz', 'precision_percent', 'shortest_s', 'longest_s', 'speed_rpm']) if (number(name) !== null) body[name] = number(name);
  const obd = form.elements.obd.value.trim();
  if (obd) body.obd = obd;
  remember({ obd });
  return body;
}

form?.addEventListener('change', (event) => {
  if (event.target.name === 'instrument') form.elements.address.value = event.target.value;
  if (event.target.name === 'condition') showHow();
  if (['instrument', 'condition', 'address'].includes(event.target.name)) listInputs();
});
if (form) {
  showHow();
  form.elements.obd.value = remembered().obd ?? '';
}
