// What is wrong with the layout of this page at this size: a list of sentences, empty when all is well.
() => {
  const wrong = [];
  const root = document.documentElement;
  if (root.scrollWidth > root.clientWidth + 1) wrong.push(`the page is ${root.scrollWidth - root.clientWidth} px too wide`);
  const shown = (e) => e.checkVisibility({ checkVisibilityCSS: true }) && e.getClientRects().length > 0;
  const say = (e) => `<${e.tagName.toLowerCase()}> ${(e.innerText || e.getAttribute('aria-label') || e.name || e.id || '').trim().slice(0, 50)}`;
  const acting = [...document.querySelectorAll('a[href], button, input, select, textarea, summary, label.tick')]
    .filter((e) => shown(e) && !e.matches('.skip, .unseen'));
  const boxes = acting.map((e) => [e, e.getBoundingClientRect(), !!e.closest('.foot, .top')]);
  for (const [e, box] of boxes) {
    const inText = e.tagName === 'A' && getComputedStyle(e).display === 'inline';
    const inLabel = e.matches('input[type=radio], input[type=checkbox]') && e.closest('label');
    if (!inText && !inLabel && box.height < 43.5) wrong.push(`${say(e)} is ${box.height.toFixed(0)} px high`);
  }
  for (let i = 0; i < boxes.length; i += 1) {
    for (let j = i + 1; j < boxes.length; j += 1) {
      const [a, p, fixedA] = boxes[i];
      const [b, q, fixedB] = boxes[j];
      if (fixedA !== fixedB || a.contains(b) || b.contains(a)) continue;
      const width = Math.min(p.right, q.right) - Math.max(p.left, q.left);
      const height = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
      if (width > 2 && height > 2) wrong.push(`${say(a)} and ${say(b)} overlap`);
    }
  }
  for (const e of document.querySelectorAll('main *, header *, .foot *')) {
    if (!shown(e) || e.closest('svg, .unseen, .wide-table, figure, .both') || e.matches('textarea, input, select, .path ol')) continue;
    const style = getComputedStyle(e);
    if (style.overflowX === 'hidden' || style.overflowY === 'hidden') {
      if (e.scrollWidth > e.clientWidth + 1 || e.scrollHeight > e.clientHeight + 1) wrong.push(`${say(e)} is cut off`);
    }
    const box = e.getBoundingClientRect();
    if (box.right > root.clientWidth + 1 || box.left < -1) wrong.push(`${say(e)} sticks out`);
  }
  for (const svg of document.querySelectorAll('svg')) {
    if (!shown(svg)) continue;
    const frame = svg.getBoundingClientRect();
    for (const t of svg.querySelectorAll('text')) {
      const box = t.getBoundingClientRect();
      if (box.width && (box.left < frame.left - 3 || box.right > frame.right + 3 || box.top < frame.top - 3 || box.bottom > frame.bottom + 3)) {
        wrong.push(`text "${t.textContent.trim().slice(0, 40)}" leaves its figure`);
      }
    }
  }
  return [...new Set(wrong)];
}
