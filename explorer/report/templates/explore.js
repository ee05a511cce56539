/* Exploring: what the reader can afford and has marked, in the table and in all plots at once. */
/* Which designs remain is found once a refresh; the rest fades. */
const keeps = new Uint8Array(N).fill(1);
const kept = row => keeps[row] === 1;
const offered = row => state.all || D.reading[row];
function weigh() {
  keeps.fill(1);
  for (const g of goals) {
    const limit = state.limits[g.key], values = g.values;
    if (limit == null) continue;
    if (g.more_is_better) { for (let row = 0; row < N; row++) if (values[row] < limit) keeps[row] = 0; }
    else for (let row = 0; row < N; row++) if (values[row] > limit) keeps[row] = 0;
  }
  if (state.only) for (let row = 0; row < N; row++) if (!uses(row)) keeps[row] = 0;
}
/* All rows in the order of a heading: sorted once, kept. */
const orders = new Map();
function ordered() {
  const key = `${state.sort} ${state.down}`;
  if (!orders.has(key)) {
    const values = goals.find(g => g.key === state.sort).values, sign = state.down ? -1 : 1;
    orders.set(key, Int32Array.from(D.ids.keys()).sort((a, b) => sign * (values[a] - values[b]) || a - b));
  }
  return orders.get(key);
}

/* A hand on a slider asks more often than a screen can show: however often, once a frame is enough. */
let requested = 0, resting = 0;
function refreshSoon() {
  requested ||= requestAnimationFrame(refresh);
  /* While it moves, what is out of sight waits, and the plots show no more than what a person can distinguish. */
  clearTimeout(resting);
  resting = setTimeout(() => { resting = 0; refresh(); }, 160);
}
const sights = new Map(), watch = new IntersectionObserver(all => { for (const one of all) sights.set(one.target, one.isIntersecting); });
const wanted = node => !resting || sights.get(node) !== false;
function refresh() {
  cancelAnimationFrame(requested);
  requested = 0;
  weigh();
  const remaining = [], faded = [];
  let left = 0;
  shown = [];
  for (const row of ordered()) {
    if (!offered(row) || !uses(row)) continue;
    if (kept(row)) left++;
    if (!state.marked.size || state.marked.has(row)) (kept(row) ? remaining : faded).push(row);
  }
  shown = remaining.concat(faded);
  $("status").textContent = `${left.toLocaleString("en")} designs remain` +
    (state.marked.size ? `, ${state.marked.size.toLocaleString("en")} marked.` : ".");
  showReach();
  share(remaining);
  if (wanted($("parallel"))) parallel(remaining);
  $("unmark").disabled = !state.marked.size;
  if (wanted($("front"))) table();
  paint();
}

const varied = new Map(D.settings.map(s => [s.name, new Set(s.values).size > MOST_VALUES]));
function shared(rows) {
  const same = [], often = [], between = [];
  for (const l of D.links) {
    const count = new Int32Array(l.parts.length);
    for (const row of rows) count[l.used[row]]++;
    const times = Math.max(...count), best = count.indexOf(times);
    const text = `${l.label}: ${l.parts[best].name}`;
    if (times === rows.length) same.push(text);
    else if (times >= 0.75 * rows.length) often.push(`${text} (${Math.round(100 * times / rows.length)} %)`);
  }
  for (const s of D.settings) {
    let low = Infinity, high = -Infinity;
    for (const row of rows) { const value = s.values[row]; if (value < low) low = value; if (value > high) high = value; }
    if (low === high) same.push(`${s.label}: ${withUnit(low, s.unit)}`);
    else if (varied.get(s.name)) between.push(`${s.label} from ${say(low)} to ${withUnit(high, s.unit)}`);
  }
  const of = state.marked.size ? "marked" : "remaining";
  return [[same.length && `All of the ${of} ones use:`, same], [often.length && "At least three in four of them use:", often],
    [between.length && `They differ in ${between.join(", ")}.`, []], [!same.length && !often.length && `The ${of} ones share no choice.`, []]];
}
let sharedNow = null;
function share(rows) {
  const found = rows.length ? shared(rows).filter(([title]) => title) : [["Nothing is left: ask for a little less.", []]];
  const now = JSON.stringify(found);
  if (now === sharedNow) return;
  sharedNow = now;
  $("shared").replaceChildren(...found.flatMap(([title, lines]) =>
    [el("p", {}, title), lines.length ? el("ul", {}, ...lines.map(line => el("li", {}, line))) : null].filter(Boolean)));
}

/* A row of the table is made anew only where something of it has changed. */
const rowKey = row => `${row} ${kept(row)} ${state.marked.has(row)}`;
function tableRow(row) {
  const id = D.ids[row], letter = letters.get(row);
  const count = (setting("cells_series")[row] || 1) * (setting("cells_parallel")[row] || 1);
  return el("tr", { class: [state.marked.has(row) && "marked", !kept(row) && "faded"].filter(Boolean).join(" ") || null, "data-id": id, "data-key": rowKey(row), onmouseenter: () => hover(row) },
    el("td", {}, el("input", { type: "checkbox", "aria-label": `Mark design ${nameOf(id)}`, checked: state.marked.has(row), onchange: event => {
      state.marked[event.target.checked ? "add" : "delete"](row); refresh();
      const again = $("front").tBodies[0].querySelector(`tr[data-id="${CSS.escape(id)}"] input`);
      if (again) again.focus();
    } })),
    el("th", { scope: "row" }, el("a", { href: `#design-${id}`, onfocus: () => hover(row) }, nameOf(id)), letter ? ` ${letter}` : null, D.locked[row] ? " (locked)" : null),
    ...goals.map(g => el("td", { class: "n" }, goalText(g, g.values[row]))),
    el("td", {}, D.regimes[row] + (kept(row) ? "" : " (faded)")), el("td", {}, partName(link("generator"), row)), el("td", {}, partName(link("gearing"), row)),
    el("td", {}, `${count} × ${partName(link("cell"), row)}`));
}
function table() {
  const pages = Math.max(1, Math.ceil(shown.length / ROWS));
  state.page = Math.min(state.page, pages - 1);
  const body = $("front").tBodies[0], had = new Map([...body.rows].map(tr => [tr.dataset.key, tr]));
  const rows = shown.slice(state.page * ROWS, (state.page + 1) * ROWS);
  if (rows.length !== body.rows.length || rows.some((row, k) => body.rows[k].dataset.key !== rowKey(row)))
    body.replaceChildren(...rows.map(row => had.get(rowKey(row)) || tableRow(row)));
  $("caption").textContent = state.marked.size ? `: the ${shown.length.toLocaleString("en")} marked ones` : "";
  $("pages").textContent = `page ${state.page + 1} of ${pages}`;
  $("back").disabled = state.page === 0;
  $("on").disabled = state.page >= pages - 1;
  for (const head of document.querySelectorAll("#front th[data-key]"))
    head.setAttribute("aria-sort", head.dataset.key === state.sort ? (state.down ? "descending" : "ascending") : "none");
}

/* Plots: drawing thousands of marks takes a while, so a change reaches one plot a frame, in turn, and the hand is never kept waiting for all of them. A change in the midst of a round begins the round anew where it is, so that every plot gets its turn. */
let plots = [], waiting = new Set(), turn = 0, painting = 0, look = null, whenPainted = null;
/* What is not a number is not drawn at all. */
const [few, every] = [row => D.reading[row], () => true].map(drawn => Float32Array.from(D.ids, (_, row) => drawn(row) ? 5 : NaN));
function looks() {
  const strength = new Float32Array(N);
  for (let row = 0; row < N; row++) strength[row] = kept(row) ? 0.75 : 0.1;
  return { strength, size: resting || !state.all ? few : every };
}
function paint() {
  look = null;
  waiting = new Set(plots.filter(plot => wanted(plot.holder)));
  if (waiting.size && !painting) painting = requestAnimationFrame(paintNext);
}
let sending = false;
function paintNext() {
  painting = 0;
  if (!waiting.size) return;
  while (!waiting.has(plots[turn])) turn = (turn + 1) % plots.length;
  const plot = plots[turn];
  turn = (turn + 1) % plots.length;
  waiting.delete(plot);
  /* The library draws in the next frame, which has enough to do with that while a hand moves. */
  const then = () => { painting = waiting.size ? requestAnimationFrame(paintNext) : 0; };
  if (resting) painting = requestAnimationFrame(then); else then();
  look ||= looks();
  sending = true;
  if (!sameMarks([...plot.cloud.selected.indices])) plot.cloud.selected.indices = [...state.marked];
  give(plot, { ...plot.fields, colour, ...look });
  sending = false;
  if (!waiting.size && whenPainted) { const then = whenPainted; whenPainted = null; requestAnimationFrame(() => requestAnimationFrame(then)); }
}
/* Where only strengths have changed, all places stand, and the library need not find and sort them anew. */
function give({ root, cloud }, columns) {
  const only = Object.keys(columns).every(name => name === "strength" || columns[name] === cloud.data[name]);
  const plot = only && Bokeh.index.find_one(root), view = plot && plot.views.get_one(root.renderers.find(r => r.name === "cloud"));
  if (!view) { cloud.data = columns; return; }
  cloud.setv({ data: columns }, { silent: true });
  view.set_visuals().then(() => view.request_paint());
}
function sameMarks(rows) {
  return rows.length === state.marked.size && rows.every(row => state.marked.has(row));
}

const ink = name => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
let colour = [];
function colours() {
  const tone = Object.fromEntries(Object.entries(data.marks).map(([regime, mark]) => [regime, ink(mark.tone)]));
  colour = D.regimes.map(regime => tone[regime] || ink("--blue"));
  const strong = ink("--ink"), sheet = ink("--sheet");
  const over = { tails: { line_color: strong }, stems: { line_color: strong }, feet: { fill_color: strong }, discs: { fill_color: strong, line_color: sheet }, letters: { text_color: sheet }, here: { line_color: strong } };
  for (const { root } of plots) {
    for (const axis of [...root.below, ...root.left]) {
      Object.assign(axis, { axis_label_text_color: strong, major_label_text_color: strong, axis_line_color: ink("--soft"),
        major_tick_line_color: ink("--soft"), minor_tick_line_color: null });
    }
    for (const grid of root.center.filter(m => m.grid_line_color !== undefined)) grid.grid_line_color = ink("--line");
    for (const renderer of root.renderers) if (over[renderer.name]) Object.assign(renderer.glyph, over[renderer.name]);
  }
  paint();
}
function touch() {
  const coarse = matchMedia("(pointer: coarse)").matches && !$("finger").checked;
  for (const { root } of plots) for (const tool of root.toolbar.tools) if (tool.name === "brush") tool.active = !coarse;
}
/* Discs with letters that would cover each other are pushed apart, each joined to its design by a stem. */
function pushApart(places, least, box) {
  const at = places.map(([x, y]) => [x, y]);
  for (let round = 0; round < 100; round++) {
    let moved = false;
    for (let a = 0; a < at.length; a++) for (let b = a + 1; b < at.length; b++) {
      let [dx, dy] = [at[b][0] - at[a][0], at[b][1] - at[a][1]];
      const gap = Math.hypot(dx, dy);
      if (gap >= least - 0.1) continue;
      if (!gap) [dx, dy] = [1, 0]; else [dx, dy] = [dx / gap, dy / gap];
      const push = (least - gap) / 2;
      at[a] = [at[a][0] - push * dx, at[a][1] - push * dy];
      at[b] = [at[b][0] + push * dx, at[b][1] + push * dy];
      moved = true;
    }
    if (!moved) break;
    for (const p of at) { p[0] = Math.min(Math.max(p[0], box.left), box.right); p[1] = Math.min(Math.max(p[1], box.top), box.bottom); }
  }
  return at;
}
/* A line from a pick's promise to what its worst tenth of builds gives. */
const worst = energy && energy.promised ? (D.readings.find(r => r.name === data.worst_tenth) || {}).values : null;
function showTails({ x, y, across, up, tails }) {
  const rows = worst && (across === energy.key || up === energy.key) ? [...letters.keys()].filter(row => worst[row] != null && energy.values[row] != null) : [];
  const end = (key, values) => rows.map(row => key === energy.key ? worst[row] : values[row]);
  tails.data = { x: rows.map(row => x[row]), y: rows.map(row => y[row]), end_x: end(across, x), end_y: end(up, y) };
}
function placeLetters({ root, picked, x, y }) {
  const view = Bokeh.index.find_one(root), rows = [...letters.keys()];
  if (!view || !view.frame) return;
  const xs = view.frame.x_scale, ys = view.frame.y_scale, box = view.frame.bbox, half = data.disc / 2;
  const places = rows.map(row => [xs.compute(x[row]), ys.compute(y[row])]);
  const at = pushApart(places, data.disc + 1, { left: box.left + half, right: box.right - half, top: box.top + half, bottom: box.bottom - half });
  picked.data = { x: rows.map(row => x[row]), y: rows.map(row => y[row]), letter: rows.map(row => letters.get(row)),
    at_x: at.map((p, k) => p[0] === places[k][0] ? x[rows[k]] : xs.invert(p[0])), at_y: at.map((p, k) => p[1] === places[k][1] ? y[rows[k]] : ys.invert(p[1])) };
}
/* The library asks each drawn thing's style for colours and fonts at every drawing, which takes half of it. No style of this page has any. */
function unasked(root) {
  const view = Bokeh.index.find_one(root), axis = view && view.views.get_one(root.below[0]);
  for (let visual = axis && axis.visuals.axis_label_text; visual; visual = Object.getPrototypeOf(visual))
    if (Object.hasOwn(visual, "_get_css_value")) visual._get_css_value = () => "";
}
function connect() {
  const doc = window.Bokeh && Bokeh.documents[0];
  if (!doc || doc.roots().length < document.querySelectorAll(".holder").length || !Bokeh.index.find_one(doc.roots()[0])) { requestAnimationFrame(connect); return; }
  const columns = new Map(goals.map(g => [g.key, Float64Array.from(g.values)]));
  const mark = D.regimes.map(regime => (data.marks[regime] || { live: "circle" }).live);
  const holders = [...document.querySelectorAll(".holder")];
  plots = doc.roots().map((root, k) => {
    const of = name => root.renderers.find(r => r.name === name), { x: { field: across }, y: { field: up } } = of("cloud").glyph;
    const [x, y] = [columns.get(across), columns.get(up)];
    return { root, holder: holders[k], x, y, across, up, tails: of("tails").data_source, fields: { [across]: x, [up]: y, mark }, cloud: of("cloud").data_source, picked: of("discs").data_source, here: of("here").data_source };
  });
  for (const { cloud } of plots) {
    cloud.selected.properties.indices.change.connect(() => marks(cloud));
    cloud.inspect.connect(() => hover(cloud.inspected.indices.filter(offered)[0]));
  }
  plots.forEach(showTails);
  unasked(plots[0].root);
  touch();
  holders.forEach(untab);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => requestAnimationFrame(colours));
  $("finger").addEventListener("change", touch);
  for (const node of [$("parallel"), $("front"), ...holders]) watch.observe(node);
  /* Where a letter stands depends on the plot's width. */
  const letter = () => plots.forEach(placeLetters);
  whenPainted = () => {
    letter();
    point();
    const anew = new ResizeObserver(() => requestAnimationFrame(() => requestAnimationFrame(letter)));
    for (const node of holders) anew.observe(node);
    document.documentElement.dataset.ready = "plots";
  };
  colours();
}
function marks(cloud) {
  const rows = [...cloud.selected.indices].filter(offered);
  if (sending || (sameMarks(rows) && rows.length === cloud.selected.indices.length)) return;
  state.marked = new Set(rows);
  state.page = 0;
  refresh();
  if (rows.length === 1) open(rows[0], false);
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
    if (differs(g, g.values[row], g.values[base])) parts.push(gapText(g, g.values[row] - g.values[base]));
  }
  const changes = D.links.filter(l => l.used[row] !== l.used[base]).map(l => `${l.label}: ${partName(l, row)}`);
  for (const s of D.settings) if (s.values[row] !== s.values[base]) changes.push(`${s.label} ${withUnit(s.values[row], s.unit)}`);
  return `${parts.join(", ") || "no difference in the goals that a person would notice"}; ${changes.join(", ") || "same choices"}`;
}
/* A ring around the design pointed at, in every plot */
let pointed = null;
function point() {
  for (const { here, x, y } of plots) here.data = pointed == null ? { x: [], y: [] } : { x: [x[pointed]], y: [y[pointed]] };
}
function hover(row) {
  if (row == null || row === pointed) return;
  pointed = row;
  point();
  const name = letters.has(row) ? `${letters.get(row)} (${nameOf(D.ids[row])})` : nameOf(D.ids[row]);
  $("hover").classList.add("filled");
  $("hover").textContent = base == null ? name : row === base ? `${name} is the recommended design itself.` : `${name} against the recommended design: ${differences(row)}.`;
}
