// Every change goes through the REST API, with the token of the page. One error shape.

const token = document.querySelector('meta[name="ringland-token"]')?.content ?? '';

export const windowId = Math.random().toString(36).slice(2);

export class ApiError extends Error {
  constructor(status, told) {
    super(told.wrong ?? `The server answered ${status}`);
    this.status = status;
    this.told = told;
  }
}

export class ServerLost extends Error {}

export async function call(method, path, body, { type = 'application/json', signal } = {}) {
  const options = { method, signal, headers: { 'X-Ringland-Token': token, 'X-Ringland-Window': windowId, Accept: 'application/json' } };
  if (body !== undefined && body !== null) {
    options.headers['Content-Type'] = type;
    options.body = type === 'application/json' ? JSON.stringify(body) : body;
  }
  let response;
  try {
    response = await fetch(path, options);
  } catch (error) {
    if (error.name === 'AbortError') throw error;
    document.dispatchEvent(new CustomEvent('ringland:lost'));
    throw new ServerLost('The server does not answer.');
  }
  const text = await response.text();
  let content = null;
  try { content = text ? JSON.parse(text) : null; } catch { content = null; }
  if (response.status === 403) document.dispatchEvent(new CustomEvent('ringland:refused'));
  if (!response.ok) throw new ApiError(response.status, content ?? { wrong: `The server answered ${response.status}.` });
  return content;
}

export function errorBox(told) {
  const box = document.createElement('div');
  box.className = 'error';
  box.setAttribute('role', 'alert');
  const first = document.createElement('b');
  first.textContent = told.wrong ?? 'That did not work.';
  box.append(first);
  for (const [label, key] of [['Got', 'got'], ['Allowed', 'allowed'], ['What to do', 'remedy']]) {
    if (!told[key]) continue;
    const line = document.createElement('p');
    line.textContent = `${label}: ${told[key]}`;
    box.append(line);
  }
  return box;
}

const state = document.getElementById('state');
let clearing;

export function say(text, seconds = 8) {
  state.textContent = text;
  clearTimeout(clearing);
  if (seconds) clearing = setTimeout(() => { state.textContent = ''; }, seconds * 1000);
}

export function clock() {
  return new Date().toLocaleTimeString([], { hour: '2-digit', minute: '2-digit' });
}

export function refresh(names) {
  for (const name of names) document.body.dispatchEvent(new CustomEvent(`ringland:${name}`));
}
