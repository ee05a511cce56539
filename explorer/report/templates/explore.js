/* Exploring: what the reader can afford and has marked, in the table and in all plots at once. */
/* Which designs remain, and how the rest fades */
const kept = row => goals.every(g => {
  const limit = state.limits[g.name];
  return limit == null || (g.name === "delivered_energy_J" ? g.values[row] >= limit : g.values[row] <= limit);
});
const offered = row => state.all || D.reading[row];

function refresh() {
  const order = goals.find(g => g.name === state.sort).values;
  shown = [];
  let left = 0;
  const remaining = [];
  for (let row = 0; row < N; row++) {
    if (!offered(row)) continue;
    if (kept(row)) { left++; remaining.push(row); }
    if (!state.marked.size || state.marked.has(row)) shown.push(row);
  }
  const fade = row => kept(row) ? 0 : 1;
  shown.sort((a, b) => fade(a) - fade(b) || (state.down ? order[b] - order[a] : order[a] - order[b]) || a - b);
  const marked = state.marked.size ? shown.filter(row => kept(row)) : remaining;
  $("status").textContent = `${left.toLocaleString("en")} designs remain` +
    (state.marked.size ? `, ${state.marked.size.toLocaleString("en")} marked.` : ".");
  share(marked);
  parallel(marked);
  $("unmark").disabled = !state.marked.size;
  table();
  paint();
}

function share(rows) {
  const box = $("shared");
  box.replaceChildren();
  if (!rows.length) { box.append(el("p", {}, "Nothing is left: ask for a little less.")); return; }
  const same = [], often = [], between = [];
  for (const l of D.links) {
    const count = new Map();
    for (const row of rows) count.set(l.used[row], (count.get(l.used[row]) || 0) + 1);
    const [best, times] = [...count].sort((a, b) => b[1] - a[1])[0];
    const text = `${l.label}: ${l.parts[best].name}`;
    if (times === rows.length) same.push(text);
    else if (times >= 0.75 * rows.length) often.push(`${text} (${Math.round(100 * times / rows.length)} %)`);
  }
  for (const s of D.settings) {
    const values = rows.map(row => s.values[row]);
    const [low, high] = [Math.min(...values), Math.max(...values)];
    if (low === high) same.push(`${s.label}: ${withUnit(low, s.unit)}`);
    else if (new Set(s.values).size > MOST_VALUES) between.push(`${s.label} from ${say(low)} to ${withUnit(high, s.unit)}`);
  }
  const of = state.marked.size ? "marked" : "remaining";
  const group = (title, lines) => box.append(el("p", {}, title), el("ul", {}, ...lines.map(t => el("li", {}, t))));
  if (same.length) group(`All of the ${of} ones use:`, same);
  if (often.length) group(`At least three in four of them use:`, often);
  if (between.length) box.append(el("p", {}, `They differ in ${between.join(", ")}.`));
  if (!same.length && !often.length) box.append(el("p", {}, `The ${of} ones share no choice.`));
}

/* What the time-stepped session says of a design's energy: a mark with words for whoever cannot see it */
const stepped = D.readings.find(c => c.name === "session_energy_J");
function apart(row) {
  const told = stepped && stepped.values[row], energy = goals[0].values[row];
  return told == null || !energy ? null : Math.abs(told / energy - 1);
}
const gapPercent = gap => gap < 0.001 ? "less than 0.1 %" : `${say(100 * gap, 2)} %`;
function confirmed(row) {
  const gap = apart(row);
  if (gap == null) return el("span", { class: "seal" });
  const differs = gap > data.apart, words = `stepped through time ${say(stepped.values[row])} J, ${gapPercent(gap)} apart`;
  return el("span", { class: differs ? "seal apart" : "seal", title: words }, el("span", { "aria-hidden": "true" }, differs ? "≠" : "✓"), el("span", { class: "hidden" }, ` ${words}`));
}

function table() {
  const pages = Math.max(1, Math.ceil(shown.length / ROWS));
  state.page = Math.min(state.page, pages - 1);
  const body = $("front").tBodies[0];
  const cells = setting("cells_series"), wide = setting("cells_parallel");
  body.replaceChildren(...shown.slice(state.page * ROWS, (state.page + 1) * ROWS).map(row => {
    const id = D.ids[row], letter = letters.get(row);
    const count = (cells[row] || 1) * (wide[row] || 1);
    return el("tr", { class: [state.marked.has(row) && "marked", !kept(row) && "faded"].filter(Boolean).join(" ") || null, "data-id": id, onmouseenter: () => hover(row) },
      el("td", {}, el("input", { type: "checkbox", "aria-label": `Mark design ${id}`, checked: state.marked.has(row), onchange: event => {
        state.marked[event.target.checked ? "add" : "delete"](row); sendMarks(); refresh();
        const again = body.querySelector(`tr[data-id="${CSS.escape(id)}"] input`);
        if (again) again.focus();
      } })),
      el("th", { scope: "row" }, el("a", { href: `#design-${id}`, onfocus: () => hover(row) }, id), letter ? ` ${letter}` : null, D.locked[row] ? " (locked)" : null),
      ...goals.map(g => el("td", { class: "n" }, goalText(g, g.values[row]), g.name === "delivered_energy_J" ? confirmed(row) : null)),
      el("td", {}, D.regimes[row] + (kept(row) ? "" : " (faded)")), el("td", {}, partName(link("generator"), row)), el("td", {}, partName(link("gearing"), row)),
      el("td", {}, `${count} × ${partName(link("cell"), row)}`));
  }));
  $("caption").textContent = state.marked.size ? `: the ${shown.length.toLocaleString("en")} marked ones` : "";
  $("pages").textContent = `page ${state.page + 1} of ${pages}`;
  $("back").disabled = state.page === 0;
  $("on").disabled = state.page >= pages - 1;
  for (const head of document.querySelectorAll("#front th[data-key]"))
    head.setAttribute("aria-sort", head.dataset.key === state.sort ? (state.down ? "descending" : "ascending") : "none");
}

/* Plots: one shared source, so that a mark in one shows in all */
let queued = false, free = 0;
/* Drawing six plots of thousands of marks takes a while on a slow machine: it gets a third of the time at most, so that a slider follows the hand. */
function paint() {
  if (!source || queued) return;
  queued = true;
  setTimeout(() => requestAnimationFrame(() => {
    queued = false;
    const begun = performance.now();
    const strength = new Float64Array(N), size = new Float64Array(N);
    for (let row = 0; row < N; row++) {
      strength[row] = !offered(row) ? 0 : kept(row) ? 0.75 : 0.1;
      size[row] = !offered(row) ? 0 : 5;
    }
    source.data = { ...source.data, strength, size };
    requestAnimationFrame(() => requestAnimationFrame(() => { free = performance.now() + 2 * (performance.now() - begun); }));
  }), Math.max(0, free - performance.now()));
}
let sending = false;
function sendMarks() {
  if (!source) return;
  sending = true;
  source.selected.indices = [...state.marked];
  sending = false;
}
function sameMarks(rows) {
  return rows.length === state.marked.size && rows.every(row => state.marked.has(row));
}

function colours(doc) {
  const css = getComputedStyle(document.documentElement);
  const of = name => css.getPropertyValue(name).trim();
  const tone = { steady: of("--blue"), cycling: of("--verm"), flooded: of("--green"), chattering: of("--ink"), starved: of("--soft") };
  source.data = { ...source.data, colour: D.regimes.map(regime => tone[regime] || of("--blue")) };
  for (const root of doc.roots()) {
    for (const axis of [...root.below, ...root.left]) {
      Object.assign(axis, { axis_label_text_color: of("--ink"), major_label_text_color: of("--ink"), axis_line_color: of("--soft"),
        major_tick_line_color: of("--soft"), minor_tick_line_color: null });
    }
    for (const grid of root.center.filter(m => m.grid_line_color !== undefined)) grid.grid_line_color = of("--line");
    for (const renderer of root.renderers) {
      if (renderer.name === "letters") renderer.glyph.text_color = of("--sheet");
      if (renderer.name === "discs") { renderer.glyph.fill_color = of("--ink"); renderer.glyph.line_color = of("--sheet"); }
    }
  }
}
function touch(doc) {
  const coarse = matchMedia("(pointer: coarse)").matches && !$("finger").checked;
  for (const root of doc.roots()) for (const tool of root.toolbar.tools) if (tool.name === "brush") tool.active = !coarse;
}
function connect() {
  const doc = window.Bokeh && Bokeh.documents[0];
  if (!doc || doc.roots().length < document.querySelectorAll(".holder").length) { requestAnimationFrame(connect); return; }
  source = doc.get_model_by_name("designs");
  source.selected.properties.indices.change.connect(() => {
    const rows = [...source.selected.indices].filter(offered);
    if (sending || sameMarks(rows)) return;
    state.marked = new Set(rows);
    state.page = 0;
    if (rows.length !== source.selected.indices.length) sendMarks();
    refresh();
    if (rows.length === 1) open(rows[0], false);
  });
  source.inspect.connect(() => hover(source.inspected.indices.filter(offered)[0]));
  colours(doc);
  touch(doc);
  for (const holder of document.querySelectorAll(".holder")) untab(holder);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => requestAnimationFrame(() => colours(doc)));
  $("finger").addEventListener("change", () => touch(doc));
  sendMarks();
  paint();
  document.documentElement.dataset.ready = "plots";
}
/* A plot does nothing with keys, so it is no stop on the keyboard's way to the table. */
function untab(node) {
  for (const inner of node.querySelectorAll("*")) {
    if (inner.tabIndex >= 0) inner.tabIndex = -1;
    if (inner.shadowRoot) untab(inner.shadowRoot);
  }
}
function differences(row) {
  const parts = [];
  for (const g of goals) {
    const gap = g.values[row] - g.values[base];
    if (gap) parts.push(gapText(g, gap));
  }
  const changes = D.links.filter(l => l.used[row] !== l.used[base]).map(l => `${l.label}: ${partName(l, row)}`);
  for (const s of D.settings) if (s.values[row] !== s.values[base]) changes.push(`${s.label} ${withUnit(s.values[row], s.unit)}`);
  return `${parts.join(", ") || "no difference in the goals"}; ${changes.join(", ") || "same choices"}`;
}
function hover(row) {
  if (row == null) return;
  const name = letters.has(row) ? `${letters.get(row)} (${D.ids[row]})` : D.ids[row];
  $("hover").textContent = base == null ? name : row === base ? `${name} is the balanced design itself.` : `${name} against the balanced design: ${differences(row)}.`;
}
