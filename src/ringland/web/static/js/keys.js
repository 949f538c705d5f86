// The keyboard for everything; the glossary by focus as well as by pointer.

import { say } from './api.js';
import { undoLast } from './undo.js';

// where a letter is text; on a tick or a choice the keys still work
const inField = (element) => element.closest?.('input:not([type=checkbox], [type=radio]), textarea, select, [contenteditable]');
const pages = { t: '/', v: '/vehicles', f: '/fleet' };

document.addEventListener('keydown', (event) => {
  if (event.key === 'Escape') {
    hide();
    if (inField(event.target) && !document.querySelector('dialog[open]')) event.target.blur(); // the keys work again
  }
  if (event.defaultPrevented || inField(event.target)) return;
  if ((event.ctrlKey || event.metaKey) && event.key === 'z') { event.preventDefault(); undoLast(); return; }
  if (event.ctrlKey || event.metaKey || event.altKey || document.querySelector('dialog[open]')) return;
  const key = event.key;
  if (key === '/') { event.preventDefault(); document.getElementById('find-text').focus(); }
  else if (key === '?') document.getElementById('keys').showModal();
  else if (key === 'u') undoLast();
  else if (key === 'n') document.querySelector('#next-action a, #next-action button')?.click();
  else if (key in pages) location.assign(pages[key]);
  else if (/^[1-9]$/.test(key)) document.querySelectorAll('.path a')[Number(key) - 1]?.click();
});

let tip = null;
function hide() { tip?.remove(); tip = null; }
function show(term) {
  hide();
  tip = document.createElement('div');
  tip.className = 'tip';
  tip.role = 'tooltip';
  tip.id = 'tip';
  tip.textContent = term.dataset.meaning;
  document.body.append(tip);
  term.setAttribute('aria-describedby', 'tip');
  const box = term.getBoundingClientRect();
  tip.style.left = `${Math.max(8, Math.min(box.left, document.documentElement.clientWidth - tip.offsetWidth - 8)) + scrollX}px`;
  tip.style.top = `${box.bottom + 6 + scrollY}px`;
}
for (const [on, off] of [['pointerover', 'pointerout'], ['focusin', 'focusout']]) {
  document.addEventListener(on, (event) => { const term = event.target.closest?.('.term'); if (term) show(term); });
  document.addEventListener(off, (event) => { if (event.target.closest?.('.term')) hide(); });
}

// a field shows only when the choice it belongs to is made
function apply(select) {
  const form = select.closest('form');
  for (const part of form.querySelectorAll(`[data-when^="${CSS.escape(select.name)}="]`)) {
    const wanted = part.dataset.when.split('=')[1].split('|');
    part.hidden = !wanted.includes(select.value);
    for (const field of part.querySelectorAll('input, select, textarea')) field.disabled = part.hidden;
  }
}
document.addEventListener('change', (event) => { if (event.target.matches?.('select[data-decides]')) apply(event.target); });
const prepare = () => document.querySelectorAll('select[data-decides]').forEach(apply);
prepare();
document.addEventListener('htmx:after:swap', prepare);

// On a phone the steps of a visit are folded into one line.
const unfolded = (path) => path.querySelector('.fold')?.setAttribute('aria-expanded', String(path.classList.contains('open')));
document.addEventListener('click', (event) => {
  const path = event.target.closest?.('.fold')?.closest('.path');
  if (!path) return;
  path.classList.toggle('open');
  unfolded(path);
});
document.addEventListener('htmx:after:swap', () => document.querySelectorAll('.path').forEach(unfolded));

// A part that is loaded again gives the focus back to what had it.
const nameOf = (e) => e && e !== document.body && [e.tagName, e.id || e.name || e.textContent.trim().slice(0, 80)].join(' ');
const typing = (e) => e.matches('textarea, input:not([type=radio], [type=checkbox], [type=file])') && e.value !== e.defaultValue;
let focused = null;
document.addEventListener('htmx:before:swap', (event) => {
  const field = document.activeElement;
  if (!['step', 'care'].includes(event.target.id) || !event.target.contains(field) || !typing(field)) return;
  event.preventDefault(); // nobody is interrupted while typing; the part comes when the field is left
  field.addEventListener('blur', () => document.body.dispatchEvent(new CustomEvent('ringland:judged')), { once: true });
  say('There are newer results. They are shown when you leave the field.');
});
document.addEventListener('htmx:before:swap', () => { focused = nameOf(document.activeElement) || focused; });
document.addEventListener('htmx:after:swap', () => {
  if (!focused || document.activeElement !== document.body) return;
  const found = [...document.querySelectorAll('main a, main button, main input, main select, main textarea, main summary')].find((e) => nameOf(e) === focused);
  (found ?? document.getElementById('main')).focus({ preventScroll: true });
  focused = null;
});
