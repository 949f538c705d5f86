// The violations axe-core finds on this page, as sentences. `rules`: those alone, else all of WCAG
// 2.2 A and AA, best practice, and contrast of 7:1.
async (rules) => {
  const tags = ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'];
  const options = rules
    ? { runOnly: { type: 'rule', values: rules } }
    : { runOnly: { type: 'tag', values: tags }, rules: { 'color-contrast-enhanced': { enabled: true } } };
  const found = await axe.run(document, options);
  const shown = (nodes) => nodes.slice(0, 3).map((n) => n.html.slice(0, 160)).join(' | ');
  return found.violations.map((v) => `${v.id}: ${shown(v.nodes)}`);
}
