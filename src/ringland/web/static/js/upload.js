// Recordings dropped in: several files or a whole folder, by mouse, finger or keyboard.

import { ApiError, call, errorBox, refresh, say } from './api.js';
import { remember } from './undo.js';

const largest = 2_000_000_000;

async function filesOf(entry) {
  if (entry.isFile) return [await new Promise((done, failed) => entry.file(done, failed))];
  const reader = entry.createReader();
  const found = [];
  for (;;) {
    const some = await new Promise((done, failed) => reader.readEntries(done, failed));
    if (some.length === 0) break;
    for (const one of some) found.push(...await filesOf(one));
  }
  return found;
}

async function dropped(transfer) {
  const entries = [...transfer.items].map((i) => i.webkitGetAsEntry?.()).filter(Boolean);
  if (entries.length === 0) return [...transfer.files];
  return (await Promise.all(entries.map(filesOf))).flat();
}

const skip = (name) => name.startsWith('.') || /\.(toml|json|txt|md|html|pdf|ini|db)$/i.test(name);

// the part of the page may be loaded again while files are sent
const now = (zone) => (zone.isConnected ? zone : document.querySelector('.drop') ?? zone);

async function sendAll(given, files) {
  let zone = given;
  const wanted = files.filter((f) => !skip(f.name));
  const left = files.length - wanted.length;
  zone.parentElement.querySelectorAll(':scope > .error').forEach((e) => e.remove());
  if (wanted.length === 0) { say(left ? 'No recording among these files.' : 'No file was chosen.'); return; }
  let done = 0;
  for (const file of wanted) {
    say(`Keeping ${file.name} (${done + 1} of ${wanted.length}) …`, 0);
    zone = now(zone);
    const options = zone.closest('[data-visit]').dataset;
    const condition = zone.querySelector('[name="condition"]:checked')?.value ?? 'unknown';
    const query = new URLSearchParams({ name: file.name, condition });
    try {
      if (file.size > largest) throw new ApiError(413, { wrong: `${file.name} is too large.`, got: `${file.size} bytes`, allowed: `up to ${largest} bytes` });
      const answer = await call('POST', `/api/v1/visits/${options.visit}/recordings/upload?${query}`, file, { type: 'application/octet-stream' });
      remember(answer.undo);
      done += 1;
    } catch (error) {
      const told = error instanceof ApiError ? error.told : { wrong: error.message };
      zone = now(zone);
      zone.after(errorBox({ ...told, wrong: `${file.name}: ${told.wrong}` }));
    }
  }
  say(`${done} of ${wanted.length} kept.${left ? ` ${left} other files left out.` : ''}`);
  if (done) refresh(['recordings', 'path']); // an error stays where it stands
  now(zone).parentElement?.querySelector(':scope > .error')?.scrollIntoView({ block: 'nearest' });
}

// How the engine was run, as chosen here, outlives the part being loaded again.
let run = null;
document.addEventListener('change', (event) => { if (event.target.matches?.('.drop [name="condition"]')) run = event.target.value; });
document.addEventListener('htmx:after:swap', () => {
  const same = run && document.querySelector(`.drop [name="condition"][value="${CSS.escape(run)}"]`);
  if (same) same.checked = true;
});

function over(event, on) {
  const zone = event.target.closest?.('.drop');
  if (!zone) return;
  event.preventDefault();
  zone.classList.toggle('over', on);
}

document.addEventListener('dragover', (event) => over(event, true));
document.addEventListener('dragleave', (event) => over(event, false));
document.addEventListener('drop', async (event) => {
  const zone = event.target.closest?.('.drop');
  if (!zone) return;
  event.preventDefault();
  zone.classList.remove('over');
  await sendAll(zone, await dropped(event.dataTransfer));
});
document.addEventListener('change', async (event) => {
  const input = event.target.closest?.('.drop input[type="file"]');
  if (!input) return;
  const files = [...input.files];
  input.value = '';
  await sendAll(input.closest('.drop'), files);
});
document.addEventListener('click', (event) => {
  const opener = event.target.closest('[data-choose]');
  if (opener) document.getElementById(opener.dataset.choose).click();
});
