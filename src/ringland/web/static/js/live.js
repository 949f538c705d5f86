// What the server says while a page is open: progress, changes made elsewhere, and that it is there.

import { call, refresh, say, windowId } from './api.js';

const lost = document.getElementById('lost');
const silence = 15000;
let source = null;
let last = Date.now();
let isLost = false;
let isAway = false;

function there() {
  last = Date.now();
  if (!isLost) return;
  isLost = false;
  lost.hidden = true;
  say('The server is back.');
  document.dispatchEvent(new CustomEvent('ringland:back'));
}

function gone() {
  if (isLost || isAway) return;
  isLost = true;
  lost.textContent = 'The server does not answer. What is on this page stays; what you type is kept here and sent when it is back. If Ringland was closed, start it again with: ringland serve';
  lost.hidden = false;
  document.dispatchEvent(new CustomEvent('ringland:lost')); // heard here too, where it changes nothing
}

// the server is there and does not know this browser any more
function away(told) {
  if (isAway) return;
  isAway = true;
  leave();
  const link = document.createElement('a');
  link.href = '/';
  link.textContent = told.error === 'NotPaired' ? 'Pair it again' : 'What to do';
  lost.replaceChildren(`${told.wrong.replace('not paired', 'no longer paired')} What is on this page stays, and what you type is kept here. `, link);
  lost.hidden = false;
}

// why the messages broke off: sent away, or no server
async function whatHappened() {
  let answer;
  try { answer = await fetch('/api/v1/settings', { headers: { Accept: 'application/json' } }); } catch { gone(); return; }
  if (answer.status === 403) away(await answer.json());
}

// What ended while nobody listened (a sleeping tablet, a page just opened) is looked up.
let met = false;
function meet() {
  if (met || document.querySelector('[data-job-of]:not([hidden])')) refresh(['judged', 'care']);
  met = true;
}

function follow() {
  if (source || document.hidden || isAway) return;
  source = new EventSource('/api/v1/events');
  source.addEventListener('hello', () => { there(); meet(); document.dispatchEvent(new CustomEvent('ringland:hello')); });
  source.addEventListener('beat', there);
  source.addEventListener('job', (event) => { there(); job(JSON.parse(event.data)); });
  source.addEventListener('live', (event) => { there(); document.dispatchEvent(new CustomEvent('ringland:live', { detail: JSON.parse(event.data) })); });
  source.addEventListener('changed', (event) => { there(); changed(JSON.parse(event.data)); });
  source.addEventListener('away', whatHappened);
  source.onerror = () => {
    whatHappened();
    if (source?.readyState === EventSource.CLOSED) { leave(); setTimeout(follow, 2000); }
  };
}

function leave() {
  source?.close();
  source = null;
}

function job(told) {
  for (const place of document.querySelectorAll(`[data-job-of="${CSS.escape(told.subject)}"]`)) {
    place.hidden = told.state !== 'waiting' && told.state !== 'working';
    const bar = place.querySelector('progress');
    if (bar) bar.value = told.fraction;
    const text = place.querySelector('[data-said]');
    if (text) text.textContent = `${told.said} (${Math.round(100 * told.fraction)}\u00a0%)`;
    const stop = place.querySelector('button[data-stop]');
    if (stop) stop.dataset.stop = told.id;
  }
  const over = ['done', 'failed', 'stopped'].includes(told.state);
  if (over) {
    say(`${told.title}: ${told.said}`);
    refresh(['judged', `judged-${told.subject}`]);
  }
}

function changed(told) {
  if (told.window === windowId) return;
  refresh([`changed-${told.kind}`]);
  const watched = document.body.dataset.rows?.split(' ') ?? [];
  if (watched.includes(told.id)) say('This page was changed in another window. Load it again to see that.', 0);
}

document.addEventListener('ringland:lost', gone);
document.addEventListener('ringland:refused', whatHappened);
document.addEventListener('visibilitychange', () => { if (document.hidden) leave(); else { last = Date.now(); follow(); } });
addEventListener('pagehide', leave);
document.addEventListener('click', async (event) => {
  const button = event.target.closest('button[data-stop]');
  if (!button?.dataset.stop) return;
  await call('DELETE', `/api/v1/jobs/${button.dataset.stop}`);
});
setInterval(() => { if (source && Date.now() - last > silence) gone(); }, 3000);
follow();
