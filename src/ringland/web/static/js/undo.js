// Undo: every change tells how it is taken back; the last ones are kept for this window.

import { call, clock, say, ApiError } from './api.js';

const button = document.getElementById('undo');
const key = 'ringland-undo';
const most = 20;

function read() {
  try { return JSON.parse(sessionStorage.getItem(key) ?? '[]'); } catch { return []; }
}

function write(list) {
  sessionStorage.setItem(key, JSON.stringify(list.slice(-most)));
  show();
}

function show() {
  const list = read();
  button.hidden = list.length === 0;
  if (list.length) button.textContent = `Undo: ${list[list.length - 1].title}`;
}

export function remember(undo) {
  if (undo) write([...read(), undo]);
}

export async function undoLast() {
  const list = read();
  const last = list.pop();
  if (!last) return;
  try {
    await call(last.method, last.path, last.body);
    write(list);
    say(`Taken back: ${last.title}.`);
    setTimeout(() => location.reload(), 60);
  } catch (error) {
    if (error instanceof ApiError) {
      write(list);
      say(`Cannot be taken back: ${error.told.wrong}`);
    } else {
      say(`Not taken back at ${clock()}: the server does not answer.`);
    }
  }
}

button.addEventListener('click', undoLast);
show();
