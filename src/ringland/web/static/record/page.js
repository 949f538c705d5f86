// Record: set up, start, watch, stop, verdict. What is shown comes from the server alone, so that a
// page loaded again, a second window and a server that comes back all show the same.

import { ApiError, call, errorBox, refresh, say } from '../js/api.js';
import { listInstruments, wanted } from './setup.js';
import { made, showLive, showVerdict } from './show.js';

const place = document.getElementById('record');
const act = document.getElementById('act');
const [form, live, verdict] = ['setup', 'live', 'verdict'].map((id) => document.getElementById(id));
const limits = { crankS: Number(place?.dataset.crankS), restS: Number(place?.dataset.restS), attempts: Number(place?.dataset.attempts) };
const running = (told) => told && !['done', 'failed'].includes(told.state);
const dismissed = 'ringland-record-seen';
let told = null; // the recording that runs, or the last one
let announced = '';
let resting = null;
const settlingMs = 1000; // a press meant for Stop, just as it ends by itself, is not Record another
let endedAt = -settlingMs;

const own = (id) => { try { return sessionStorage.getItem(`ringland-live-${id}`) === '1'; } catch { return false; } };
const store = (key, value) => { try { sessionStorage.setItem(key, value); } catch { /* not allowed */ } };
const recall = (key) => { try { return sessionStorage.getItem(key); } catch { return null; } };

function button(text, disabled = false) {
  act.textContent = text;
  act.disabled = disabled;
}

function setUp() {
  told = null;
  clearInterval(resting);
  form.hidden = false;
  live.hidden = true;
  verdict.hidden = true;
  button('Start recording');
  listInstruments();
}

function afterwards() {
  const nodes = [];
  const mine = told;
  if (told.error) nodes.push(errorBox(told.error));
  if (told.recording_id) {
    const work = made('div', '', { 'data-job-of': told.recording_id });
    work.append(made('p', 'Judging each cylinder …', { 'data-said': '' }), made('progress', '', { max: '1', value: '0', 'aria-label': 'Judging the recording' }));
    const links = made('p', '', { class: 'row' });
    links.append(made('a', 'To the recordings of this visit', { href: `/visits/${place.dataset.visit}/recordings`, class: 'button' }), made('a', 'What each cylinder does', { href: `/visits/${place.dataset.visit}/cylinders?recording=${told.recording_id}`, class: 'button' }));
    nodes.push(made('p', 'The recording is in the visit; its original is kept unchanged.'), work, links);
    const outcome = async () => {
      const latest = told?.id === mine.id ? told : mine; // by now another one may be set up
      const job = await call('GET', `/api/v1/jobs/${latest.job_id}`).catch(() => null);
      work.hidden = !['waiting', 'working'].includes(job?.state);
      if (!job || !work.hidden || links.dataset.judged) return;
      links.dataset.judged = job.state;
      work.after(job.error ? errorBox(job.error) : made('p', job.state === 'done' ? 'It has been judged.' : job.said));
    };
    document.body.addEventListener(`ringland:judged-${told.recording_id}`, outcome);
    outcome();
  }
  if (told.condition === 'cranking') nodes.unshift(rest());
  return nodes;
}

// The starter's rest, counted down from the end of the recording.
function rest() {
  const line = made('p', '', { class: 'coach' });
  const until = Date.parse(told.ended_utc) + 1000 * limits.restS;
  const tick = () => {
    const left = Math.ceil((until - Date.now()) / 1000);
    line.classList.toggle('warned', left > 0);
    line.textContent = left > 0 ? `Let the starter rest: ${left} s more. At most ${limits.attempts} attempts; the engine maker’s limits come first.` : 'The starter has had its rest.';
  };
  clearInterval(resting);
  resting = setInterval(tick, 500);
  tick();
  return line;
}

function show(next) {
  if (told && next.id !== told.id && running(told) && !running(next)) return; // an older one
  const before = told;
  told = next;
  form.hidden = true;
  heard();
  const ended = !running(told);
  if (ended && running(before)) endedAt = performance.now();
  const out = [live.hidden, verdict.hidden];
  live.hidden = ended || Boolean(told.verdict);
  verdict.hidden = !ended && !told.verdict;
  if ((out[0] && !live.hidden) || (out[1] && !verdict.hidden)) scrollTo(0, 0); // the set-up was longer
  if (!live.hidden) {
    showLive(told, limits);
    extras();
  }
  if (!verdict.hidden && JSON.stringify([before?.id, before?.state]) !== JSON.stringify([told.id, told.state])) showVerdict(told, ended ? afterwards() : [made('p', 'Putting it into the visit …')]);
  announce();
  if (!ended) button(['judging', 'keeping'].includes(told.state) ? 'Judging …' : told.state === 'setting-up' ? 'Setting up …' : 'Stop recording', !['waiting', 'recording'].includes(told.state));
  else button(told.verdict?.fit ? 'Record another' : 'Record again');
}

// Waiting can be cut short; a second window says that it only watches.
function extras() {
  let line = document.getElementById('extra');
  if (!line) {
    line = made('p', '', { class: 'row', id: 'extra' });
    live.append(line);
  }
  const wanted = `${told.state}${own(told.id)}`;
  if (line.dataset.shown === wanted) return;
  line.dataset.shown = wanted;
  line.replaceChildren();
  if (told.state === 'waiting') {
    const go = made('button', 'Do not wait, record now', { type: 'button' });
    go.addEventListener('click', () => change(`/api/v1/live/${told.id}/go`));
    line.append(go);
  }
  if (!own(told.id)) line.append(made('span', 'Started in another window; here you watch.'));
}

// While something is recorded the server speaks five times a second. What it last said is never left
// looking alive: after a moment of silence the page says so.
const silenceMs = 3000;
let heardAt = performance.now();
let still = false;

function heard() {
  heardAt = performance.now();
  if (!still) return;
  still = false;
  live.classList.remove('stale');
  announced = '';
}

function standsStill() {
  if (!running(told) || still) return;
  still = true;
  live.classList.add('stale');
  say('The server does not answer: these values stand still. What was shown as recorded is on the disk.', 0);
}

function announce() {
  const words = { waiting: 'Ready; it begins by itself.', recording: 'Recording.', judging: 'Stopped. Judging …' };
  const fit = told.verdict && (told.verdict.fit ? `Fit to judge. ${told.verdict.why}` : `Not fit to judge. ${told.verdict.why}`);
  const text = told.error ? told.error.wrong : fit || words[told.state] || '';
  if (text === announced) return;
  announced = text;
  say(text, 0);
  if (told.verdict && document.activeElement === document.body) verdict.focus({ preventScroll: true });
}

function failed(error) {
  const lost = !(error instanceof ApiError);
  const what = lost ? { wrong: error.message, remedy: 'What was recorded until then is on the disk.' } : error.told;
  place.querySelectorAll(':scope > .error').forEach((e) => e.remove());
  const box = errorBox(what);
  box.tabIndex = -1;
  place.prepend(box);
  box.focus();
  say(what.wrong, 0);
  if (what.current?.visit === place.dataset.visit) show(what.current);
  else if (what.current) box.append(made('a', `Watch it: ${what.current.vehicle}`, { href: `/visits/${what.current.visit}/record`, class: 'button' }));
}

async function change(path, body) {
  try {
    const answer = await call('POST', path, body);
    place.querySelectorAll(':scope > .error').forEach((e) => e.remove());
    return answer;
  } catch (error) {
    failed(error);
    return null;
  }
}

async function start() {
  if (!form.reportValidity()) return;
  button('Setting up …', true);
  let body;
  try { body = wanted(); } catch (error) { failed(error); button('Start recording'); return; }
  const answer = await change(`/api/v1/visits/${place.dataset.visit}/live`, body);
  if (!answer) { if (!running(told)) button('Start recording'); return; }
  store(`ringland-live-${answer.id}`, '1');
  if (told?.id !== answer.id) show(answer); // unless the stream was faster
  else extras();
}

async function stop() {
  button('Judging …', true);
  const answer = await change(`/api/v1/live/${told.id}/stop`);
  if (answer && answer.id === told.id) show(answer);
  else if (running(told)) button('Stop recording');
}

// From the server, whenever it is there (again): what runs, else what was left behind.
async function look() {
  const had = told;
  let rows;
  try { rows = await call('GET', `/api/v1/live?visit_id=${place.dataset.visit}`); } catch { return; }
  const newest = rows[0];
  if (newest && (running(newest) || recall(dismissed) !== newest.id)) { show(newest); return; }
  if (had && running(had)) {
    say('The program was started anew; what was recorded until then is offered above.', 0);
    for (const seconds of [0, 6]) setTimeout(() => refresh(['left']), 1000 * seconds);
    setUp();
  } else if (!had && form.hidden) setUp();
}

if (place) {
  act.addEventListener('click', () => {
    if (!told) start();
    else if (running(told)) stop();
    else if (performance.now() - endedAt >= settlingMs) { store(dismissed, told.id); setUp(); }
  });
  form.addEventListener('submit', (event) => { event.preventDefault(); if (!act.disabled) start(); });
  document.addEventListener('ringland:live', (event) => { if (event.detail.visit === place.dataset.visit && (running(event.detail) || event.detail.id === told?.id)) show(event.detail); });
  document.addEventListener('ringland:hello', look);
  document.addEventListener('ringland:lost', standsStill);
  setInterval(() => {
    if (document.hidden) heardAt = performance.now(); // a page out of sight does not listen
    else if (['waiting', 'recording'].includes(told?.state) && performance.now() - heardAt > silenceMs) standsStill();
  }, 500);
  document.addEventListener('visibilitychange', () => { heardAt = performance.now(); });
  look();
}
