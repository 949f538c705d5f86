// Forms that send JSON. Drafts are kept in this browser until the server has them; a change made
// elsewhere is never overwritten unseen.
//
//   <form data-method="PATCH" data-path="/api/v1/visits/..." data-version="3" data-save="typing">
//     data-save   "typing": saves by itself a moment after the last key; else on the button
//     data-saying what is said meanwhile; an answer with "said" is told as it is
//     data-then   where to go afterwards, {id} is replaced; data-refresh: parts to load again;
//     data-reload: the page
//   A field's data-kind: number, json-null (empty means null), list, flag

import { ApiError, ServerLost, call, clock, errorBox, refresh, say } from './api.js';
import { remember } from './undo.js';

const pause = 900;
const drafts = 'ringland-draft:';

function valueOf(field) {
  if (field.type === 'checkbox') return field.checked;
  const text = field.value.trim();
  if (field.dataset.kind === 'number') return text === '' ? null : Number(text.replace(',', '.'));
  if (field.dataset.kind === 'whole') return text === '' ? null : Number.parseInt(text, 10);
  if (field.dataset.kind === 'maybe') return text === '' ? null : text;
  return field.value;
}

export function collect(form) {
  const body = {};
  for (const field of form.elements) {
    if (!field.name || field.disabled || (field.type === 'radio' && !field.checked)) continue;
    const parts = field.name.split('.');
    let place = body;
    while (parts.length > 1) place = place[parts.shift()] ??= {};
    place[parts[0]] = valueOf(field);
  }
  const joined = form.dataset.json; // kept as JSON text, without what was left empty
  if (joined) body[joined] = JSON.stringify(Object.fromEntries(Object.entries(body[joined]).filter(([, v]) => v !== null && v !== '')));
  return body;
}

// What the server had when the form was made; a change sends only what differs from it.
const bases = new WeakMap();
const inner = (body) => body.fields ?? body; // a draft has its fields inside
const same = (a, b) => JSON.stringify(a ?? null) === JSON.stringify(b ?? null);

function changedOnly(form, body) {
  const base = bases.get(form);
  if (!base || !['PATCH', 'PUT'].includes(form.dataset.method)) return body;
  const wanted = inner(body);
  const own = inner(base);
  for (const name of Object.keys(wanted)) if (same(wanted[name], own[name])) delete wanted[name];
  return body;
}

const draftKey = (form) => `${drafts}${form.dataset.draft ?? form.dataset.path}`;

function keepDraft(form) {
  if (form.dataset.draft === 'no') return;
  const fields = {};
  for (const field of form.elements) {
    if (!field.name || field.type === 'password') continue;
    if (field.type === 'checkbox') fields[field.name] = field.checked;
    else if (field.type !== 'radio') fields[field.name] = field.value;
    else if (field.checked) fields[field.name] = field.value;
  }
  try { localStorage.setItem(draftKey(form), JSON.stringify({ version: form.dataset.version ?? '', base: bases.get(form), fields })); } catch { /* full or not allowed */ }
}

const dropDraft = (form) => { try { localStorage.removeItem(draftKey(form)); } catch { /* not allowed */ } };

function takeDraft(form) {
  let kept;
  try { kept = JSON.parse(localStorage.getItem(draftKey(form)) ?? 'null'); } catch { kept = null; }
  if (!kept) return;
  let differs = false;
  for (const field of form.elements) {
    if (!field.name || !(field.name in kept.fields)) continue;
    const value = kept.fields[field.name];
    if (field.type === 'checkbox') { differs ||= field.checked !== value; field.checked = value; }
    else if (field.type === 'radio') { differs ||= field.checked !== (field.value === value); field.checked = field.value === value; }
    else { differs ||= field.value !== value; field.value = value; }
  }
  if (!differs) { dropDraft(form); return; }
  if (kept.version) form.dataset.version = kept.version;
  if (kept.base) bases.set(form, kept.base);
  say('What you typed before was kept and is back in the form.', 12);
  if (form.dataset.save === 'typing') schedule(form);
}

function showError(form, told) {
  form.querySelector('.error')?.remove();
  const box = errorBox(told);
  box.tabIndex = -1;
  form.prepend(box);
  if (form.dataset.save !== 'typing') box.focus();
}

const words = (value) => (value === null || value === undefined || value === '' ? '(nothing)' : String(value));

// Two writers met. What only one of them touched is kept as it is; of the rest both are shown.
async function settle(form, sent, current) {
  const body = inner(sent);
  const base = inner(bases.get(form) ?? {});
  const theirs = (n) => words(current[n]) !== words(base[n]);
  const names = Object.keys(body).filter((n) => n !== 'version' && theirs(n) && words(body[n]) !== words(current[n]));
  if (names.length === 0) { form.dataset.version = current.version; return 'again'; }
  const dialog = document.getElementById('conflict');
  const text = (row) => names.map((n) => `${n.replaceAll('_', ' ')}: ${words(row[n])}`).join('\n');
  document.getElementById('conflict-mine').textContent = text(body);
  document.getElementById('conflict-theirs').textContent = text(current);
  dialog.returnValue = '';
  dialog.showModal();
  const choice = await new Promise((done) => {
    dialog.addEventListener('close', () => done(dialog.returnValue || 'later'), { once: true });
  });
  if (choice === 'mine') { form.dataset.version = current.version; return 'again'; }
  if (choice === 'theirs') { dropDraft(form); location.reload(); }
  return 'later';
}

const busy = new WeakMap();

export async function send(form) {
  if (busy.get(form)) { busy.set(form, 'again'); return; }
  busy.set(form, 'busy');
  const whole = collect(form);
  const body = changedOnly(form, structuredClone(whole));
  if (form.dataset.version) body.version = Number(form.dataset.version);
  let again = false;
  try {
    say(form.dataset.saying ?? 'Saving …', 0);
    const answer = await call(form.dataset.method ?? 'POST', form.dataset.path, body);
    form.querySelector('.error')?.remove();
    dropDraft(form);
    if (answer?.row?.version) { form.dataset.version = answer.row.version; bases.set(form, whole); }
    remember(answer?.undo);
    say(answer?.said ?? `Saved at ${clock()}`, answer?.said ? 0 : 8);
    if (form.dataset.after) await call('POST', form.dataset.after);
    if (form.dataset.then) location.assign(form.dataset.then.replace('{id}', answer?.row?.id ?? answer?.id ?? ''));
    else if (form.dataset.refresh) refresh(form.dataset.refresh.split(' '));
    else if ('reload' in form.dataset) location.reload();
  } catch (error) {
    keepDraft(form);
    if (error instanceof ApiError && error.status === 409 && error.told.current) {
      say('Changed in another window; nothing was overwritten.', 0);
      again = (await settle(form, body, error.told.current)) === 'again';
    } else if (error instanceof ApiError) {
      say('Not saved; what you typed is kept.', 0);
      showError(form, error.told);
    } else if (error instanceof ServerLost) {
      form.dataset.waiting = '1';
      say('The server does not answer. What you typed is kept here and sent when it is back.', 0);
    } else throw error;
  } finally {
    again ||= busy.get(form) === 'again';
    busy.delete(form);
  }
  if (again) await send(form);
}

const timers = new WeakMap();
function schedule(form) {
  clearTimeout(timers.get(form));
  timers.set(form, setTimeout(() => send(form), pause));
}

document.addEventListener('submit', (event) => {
  const form = event.target.closest('form[data-path]');
  if (!form) return;
  event.preventDefault();
  clearTimeout(timers.get(form));
  send(form);
});
document.addEventListener('input', (event) => {
  const form = event.target.form; // a field may stand outside of its form
  if (!form?.dataset.path) return;
  keepDraft(form);
  if (form.dataset.save === 'typing') schedule(form);
});
// what was being typed is saved when the window is left
addEventListener('pagehide', () => {
  for (const form of document.querySelectorAll('form[data-save="typing"]')) if (localStorage.getItem(draftKey(form))) keepDraft(form);
});
document.addEventListener('ringland:back', () => {
  for (const form of document.querySelectorAll('form[data-waiting]')) { delete form.dataset.waiting; send(form); }
});

// a button that makes one change: <button data-method data-path data-body='{...}' data-refresh data-sure>
document.addEventListener('click', async (event) => {
  const button = event.target.closest('button[data-path]');
  if (!button) return;
  event.preventDefault();
  if (button.disabled) return;
  button.disabled = true;
  try {
    const answer = await call(button.dataset.method ?? 'POST', button.dataset.path, button.dataset.body ? JSON.parse(button.dataset.body) : null);
    remember(answer?.undo);
    say(button.dataset.said ?? `Saved at ${clock()}`);
    if (button.dataset.then) location.assign(button.dataset.then.replace('{id}', answer?.row?.id ?? answer?.id ?? ''));
    else if (button.dataset.refresh) refresh(button.dataset.refresh.split(' '));
    else location.reload();
  } catch (error) {
    const told = error instanceof ApiError ? error.told : { wrong: error.message, remedy: 'Try again when the server is back.' };
    say(told.wrong, 0);
    document.getElementById('main').prepend(errorBox(told));
  } finally {
    button.disabled = false;
  }
});

// a picture put in the place of another: <input type="file" data-put>
document.addEventListener('change', async (event) => {
  const [file] = event.target.matches?.('input[data-put]') ? event.target.files : [];
  if (!file) return;
  try {
    await call('PUT', event.target.dataset.put, file, { type: file.type || 'application/octet-stream' });
    location.reload();
  } catch (error) {
    event.target.closest('section').append(errorBox(error instanceof ApiError ? error.told : { wrong: error.message }));
  }
});

// A reader changes nothing: what the server would refuse is not offered.
function readOnly(root) {
  if (document.body.dataset.role !== 'reader') return;
  for (const form of root.querySelectorAll('form[data-path]')) {
    for (const field of form.elements) { field.disabled = true; if (field.type === 'submit') field.hidden = true; }
  }
  const acting = 'button[data-path]:not([data-own]), button[data-stop], .drop, a[href="/vehicles/new"], a[href^="/vehicles/"][href$="/visit"], a[href$="/record"]';
  for (const element of root.querySelectorAll(acting)) element.hidden = true;
}

function prepare(root) {
  readOnly(root);
  for (const form of root.querySelectorAll('form[data-path]')) {
    if (bases.has(form)) continue;
    bases.set(form, collect(form));
    if (form.dataset.draft !== 'no') takeDraft(form);
  }
}
prepare(document);
document.addEventListener('htmx:after:swap', (event) => prepare(event.target instanceof Element ? event.target : document));
