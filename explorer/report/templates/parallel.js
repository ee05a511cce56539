/* The parallel view: one bar a choice, cut to how many of the remaining designs take each part, with bands that show which parts go together. */
const MOST_VALUES = 12, LEAST_WIDTH = 0.035, BAND = 24;
const choices = [
  ...D.links.map(l => ({ name: l.name, label: l.label, of: row => l.used[row], text: v => l.parts[v].name })),
  ...D.settings.map(s => ({ name: s.name, label: s.label, of: row => s.values[row], text: v => withUnit(v, s.unit) })),
].map(c => ({ ...c, values: [...new Set(D.ids.map((_, row) => c.of(row)))].sort((a, b) => a - b) }))
  .filter(c => c.values.length > 1 && c.values.length <= MOST_VALUES)
  /* `code` is which of its values a design takes: numbers that count faster than keys. */
  .map(c => ({ ...c, code: Uint8Array.from(D.ids, (_, row) => c.values.indexOf(c.of(row))) }));

/* Where each value lies on its bar, from 0 to 1; small ones are widened so that they can be hit. */
function cut(choice, rows) {
  const count = new Int32Array(choice.values.length), { code } = choice;
  for (const row of rows) count[code[row]]++;
  const taken = [...count.keys()].filter(k => count[k]);
  const wide = taken.map(k => Math.max(count[k] / rows.length, LEAST_WIDTH)), whole = wide.reduce((a, b) => a + b, 0);
  let left = 0;
  return taken.map((of, k) => {
    const piece = { of, value: choice.values[of], count: count[of], left, width: wide[k] / whole };
    left += piece.width;
    return piece;
  });
}
function bands(upper, lower, above, below, rows) {
  const many = lower.values.length, joint = new Int32Array(upper.values.length * many);
  for (const row of rows) joint[upper.code[row] * many + lower.code[row]]++;
  const drawing = svg("svg", { class: "bands", viewBox: `0 0 100 ${BAND}`, preserveAspectRatio: "none", "aria-hidden": "true" });
  const spent = new Int32Array(many), half = BAND / 2, at = v => v.toFixed(2);
  let shape = "";
  for (const a of above) {
    let gone = 0;
    for (const b of below) {
      const both = joint[a.of * many + b.of];
      if (!both) continue;
      const top = 100 * (a.left + a.width * gone / a.count), wide = 100 * a.width * both / a.count;
      const bottom = 100 * (b.left + b.width * spent[b.of] / b.count), narrow = 100 * b.width * both / b.count;
      gone += both;
      spent[b.of] += both;
      shape += `M${at(top)} 0C${at(top)} ${half} ${at(bottom)} ${half} ${at(bottom)} ${BAND}H${at(bottom + narrow)}C${at(bottom + narrow)} ${half} ${at(top + wide)} ${half} ${at(top + wide)} 0Z`;
    }
  }
  drawing.append(svg("path", { d: shape }));
  return drawing;
}
function parallel(rows) {
  const box = $("parallel"), held = document.activeElement && document.activeElement.dataset.piece;
  box.replaceChildren();
  let before = null;
  for (const choice of rows.length ? choices : []) {
    const pieces = cut(choice, rows);
    if (before) box.append(bands(before.choice, choice, before.pieces, pieces, rows));
    box.append(el("div", { class: "choice", role: "group", "aria-label": choice.label }, el("span", { class: "name" }, choice.label),
      el("div", { class: "pieces" }, ...pieces.map(piece => {
        const share = Math.round(100 * piece.count / rows.length), all = piece.count === rows.length;
        const words = `${choice.text(piece.value)}: ${all ? "all" : `${piece.count.toLocaleString("en")} of ${rows.length.toLocaleString("en")}`}`;
        return el("button", { type: "button", class: all ? "all" : null, style: `width:${(100 * piece.width).toFixed(3)}%`, title: words,
          "aria-label": `${words}. Mark ${all ? "them" : "only these"}`, "data-piece": `${choice.name}|${piece.value}`, onclick: () => {
            state.marked = new Set(rows.filter(row => choice.of(row) === piece.value));
            state.page = 0;
            refresh();
          } }, all ? `all: ${choice.text(piece.value)}` : `${choice.text(piece.value)} (${share} %)`);
      }))));
    before = { choice, pieces };
  }
  const again = held && box.querySelector(`[data-piece="${CSS.escape(held)}"]`);
  if (again) again.focus({ preventScroll: true });
}
