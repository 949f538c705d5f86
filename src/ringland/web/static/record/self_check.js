// A self-check of an instrument: what is chosen here, measured by the server; what it finds comes back
// as a part of the page.

import { ApiError, call, errorBox, refresh, say } from '../js/api.js';
import { addressed, chosenInputs, listInputs, listInstruments } from './setup.js';

const form = document.getElementById('setup');
const act = document.getElementById('act');
const number = (name) => { const text = form.elements[name].value.trim().replace(',', '.'); return text === '' ? null : Number(text); };

function failed(error) {
  form.querySelector(':scope > .error')?.remove();
  const box = errorBox(error instanceof ApiError ? error.told : { wrong: error.message });
  box.tabIndex = -1;
  form.prepend(box);
  box.focus();
}

async function start() {
  act.disabled = true;
  try {
    const what = form.elements.what.value;
    const body = { address: addressed(), what, inputs: chosenInputs() };
    for (const name of ['rate_hz', 'seconds']) if (number(name) !== null) body[name] = number(name);
    const pressure = form.elements.pressure.value.trim();
    if (what === 'step' && pressure) body.pressure = pressure;
    await call('POST', '/api/v1/self-check', body);
    form.querySelector(':scope > .error')?.remove();
    say('The self-check runs.');
    refresh(['self-check']);
    document.getElementById('checked').scrollIntoView({ block: 'start' });
  } catch (error) { failed(error); } finally { act.disabled = false; }
}

if (document.body.dataset.role === 'reader') document.getElementById('self-check').hidden = act.hidden = true;
else {
  form.addEventListener('submit', (event) => { event.preventDefault(); if (!act.disabled && form.reportValidity()) start(); });
  // an instrument that was busy can be asked again
  document.body.addEventListener('ringland:judged-self-check', () => { if (!form.querySelector('[data-input]')) listInputs(); });
  listInstruments();
}
