"use strict";
(() => {
const data = JSON.parse(document.getElementById("page-data").textContent);
const D = data.designs, N = D.ids.length, ROWS = 15;
const byId = new Map(D.ids.map((id, row) => [id, row]));
const letters = new Map(data.cards.map(c => [byId.get(c.design_id), c.letter]));
const goals = D.objectives;
const base = byId.has(data.balanced_id) ? byId.get(data.balanced_id) : null;
const state = { all: false, marked: new Set(), limits: {}, sort: goals[0].name, down: true, page: 0, open: null };
let shown = [], source = null;

const $ = id => document.getElementById(id);
/* All text goes in as text nodes, so a part's name can never become markup. */
function el(tag, attributes, ...children) {
  const node = document.createElement(tag);
  fill(node, attributes, children);
  return node;
}
function svg(tag, attributes, ...children) {
  const node = document.createElementNS("http://www.w3.org/2000/svg", tag);
  fill(node, attributes, children);
  return node;
}
function fill(node, attributes, children) {
  for (const [key, value] of Object.entries(attributes || {})) {
    if (key.startsWith("on")) node.addEventListener(key.slice(2), value);
    else if (value !== false && value != null) node.setAttribute(key, value === true ? "" : value);
  }
  node.append(...children.filter(child => child != null));
}
function say(value, digits = 3) {
  if (value == null) return "none";
  if (value === 0) return "0";
  const rounded = Number(value.toPrecision(digits));
  return rounded.toLocaleString("en", { maximumSignificantDigits: digits }).replace("-", "−");
}
const withUnit = (value, unit, digits) => unit ? `${say(value, digits)} ${unit}` : say(value, digits);
const money = value => value.toLocaleString("en", { minimumFractionDigits: 2, maximumFractionDigits: 2 });
const goalText = (goal, value) => goal.name === "cost" ? money(value) : say(value);
const partName = (link, row) => link.parts[link.used[row]].name;
const link = name => D.links.find(l => l.name === name);
const setting = name => (D.settings.find(s => s.name === name) || { values: [] }).values;

const scroll = (label, child) => el("div", { class: "table-scroll", tabindex: 0, role: "region", "aria-label": label }, child);

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
  table();
  paint();
}

function share(rows) {
  const box = $("shared");
  box.replaceChildren();
  if (!rows.length) { box.append(el("p", {}, "Nothing is left: ask for a little less.")); return; }
  const same = [], often = [];
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
  }
  const of = state.marked.size ? "marked" : "remaining";
  const group = (title, lines) => box.append(el("p", {}, title), el("ul", {}, ...lines.map(t => el("li", {}, t))));
  if (same.length) group(`All of the ${of} ones use:`, same);
  if (often.length) group(`At least three in four of them use:`, often);
  if (!same.length && !often.length) box.append(el("p", {}, `The ${of} ones share no choice.`));
}

/* What the time-stepped session says of a design's energy: a mark with words for whoever cannot see it */
const stepped = D.readings.find(c => c.name === "session_energy_J");
function apart(row) {
  const told = stepped && stepped.values[row], energy = goals[0].values[row];
  return told == null || !energy ? null : Math.abs(told / energy - 1);
}
function confirmed(row) {
  const gap = apart(row);
  if (gap == null) return el("span", { class: "seal" });
  const differs = gap > data.apart, words = `stepped through time ${say(stepped.values[row])} J, ${say(100 * gap, 2)} % apart`;
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
    return el("tr", { class: [state.marked.has(row) && "marked", !kept(row) && "faded"].filter(Boolean).join(" ") || null, "data-id": id },
      el("td", {}, el("input", { type: "checkbox", "aria-label": `Mark design ${id}`, checked: state.marked.has(row), onchange: event => {
        state.marked[event.target.checked ? "add" : "delete"](row); sendMarks(); refresh();
        const again = body.querySelector(`tr[data-id="${CSS.escape(id)}"] input`);
        if (again) again.focus();
      } })),
      el("th", { scope: "row" }, el("a", { href: `#design-${id}` }, id), letter ? ` ${letter}` : null, D.locked[row] ? " (locked)" : null),
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
let queued = false;
function paint() {
  if (!source || queued) return;
  queued = true;
  requestAnimationFrame(() => {
    queued = false;
    const strength = new Float64Array(N), size = new Float64Array(N);
    for (let row = 0; row < N; row++) {
      strength[row] = !offered(row) ? 0 : kept(row) ? 0.75 : 0.1;
      size[row] = !offered(row) ? 0 : 5;
    }
    source.data = { ...source.data, strength, size };
  });
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
    if (gap) parts.push(`${gap > 0 ? "+" : "−"}${g.name === "cost" ? money(Math.abs(gap)) : say(Math.abs(gap))} ${g.unit}`);
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

/* One design in full */
function open(row, move) {
  state.open = row;
  const id = D.ids[row], letter = letters.get(row);
  const box = $("full");
  const bill = D.bills[row].map(k => D.bill_lines[k]);
  const cost = goals.find(g => g.name === "cost");
  const near = D.margins.map(m => ({ ...m, value: m.values[row] })).filter(m => m.value != null)
    .map(m => ({ ...m, closeness: m.value / (m.near || 1) })).sort((a, b) => a.closeness - b.closeness);
  box.replaceChildren(
    el("h3", {}, `Design ${id}` + (letter ? `: ${letter}, ${data.cards.find(c => c.letter === letter).title}` : "")),
    el("p", { class: "step" },
      el("button", { type: "button", onclick: () => step(-1) }, "One before"), el("button", { type: "button", onclick: () => step(1) }, "One after"),
      el("button", { type: "button", onclick: () => { document.documentElement.classList.add("one"); print(); } }, "Print this design")),
    el("p", {}, ...goals.flatMap((g, k) => [k ? ", " : "", el("b", {}, `${goalText(g, g.values[row])} ${g.unit}`), ` ${g.label.toLowerCase()}`]), "."),
    el("p", {}, el("b", {}, D.regimes[row]), `: ${data.words.regimes[D.regimes[row]] || ""}.`),
    el("p", {}, ...(apart(row) == null ? ["Averaged model only: not stepped through time."] :
      [`Averaged ${say(goals[0].values[row])} J, stepped through time ${say(stepped.values[row])} J, ${say(100 * apart(row), 2)} % apart. `,
        apart(row) > data.apart ? el("b", { class: "apart" }, "≠ more than 3 %: trust the stepped one.") : "✓"])),
    el("div", { class: "full" },
      el("div", {},
        scroll("Bill of materials", el("table", {}, el("caption", {}, "Bill of materials"),
          el("thead", {}, el("tr", {}, ...["Part", "Pieces", `Each, ${data.currency}`, `Sum, ${data.currency}`, "Price of"].map(t => el("th", { scope: "col" }, t)))),
          el("tbody", {}, ...bill.map(line => el("tr", {}, el("th", { scope: "row" }, line.name), el("td", { class: "n" }, String(line.quantity)),
            el("td", { class: "n" }, money(line.unit_price)), el("td", { class: "n" }, money(line.quantity * line.unit_price)), el("td", { class: "day" }, line.price_dated))),
            el("tr", {}, el("th", { scope: "row" }, el("b", {}, "Together")), el("td", {}), el("td", {}), el("td", { class: "n" }, el("b", {}, money(cost.values[row]))), el("td", {}))))),
        el("table", {}, el("caption", {}, "Settings and readings"), el("tbody", {}, ...[...D.settings, ...D.readings].filter(c => c.values[row] != null || c.name === "time_to_first_charge_s").map(c =>
          el("tr", {}, el("th", { scope: "row" }, c.label), el("td", { class: "n" }, c.values[row] == null ? "never" : withUnit(c.values[row], c.unit)))))),
        cases(row)),
      el("div", {}, el("h3", {}, "Where each joule goes"), flow(row), ...curves(id))),
    el("div", { class: "full" },
      el("div", {}, el("h3", {}, "Distance to each limit"),
        el("p", { class: "fine" }, "A bar is the room left, on a scale of its own. A striped bar that ends before the dashed line is close."),
        el("ul", { class: "limits" }, ...near.map(m => el("li", { class: m.closeness < 1 ? "close" : null },
          el("span", {}, m.label + (m.closeness < 1 ? " (close)" : "")), el("b", { class: "n" }, withUnit(m.value, m.unit, 2)),
          el("span", { class: "gap", "aria-hidden": "true" }, el("i", { style: `width:${(100 * m.closeness / (m.closeness + 1)).toFixed(1)}%` })))))),
      el("div", {}, neighbours(row))));
  if (move) { $("h-design").focus({ preventScroll: true }); $("design").scrollIntoView(); }
}
function step(by) {
  const place = shown.indexOf(state.open);
  const next = shown[(place + by + shown.length) % shown.length];
  if (next != null) location.hash = `design-${D.ids[next]}`;
}
function cases(row) {
  if (!D.cases[row].length) return null;
  return scroll("By person and pack", el("table", {}, el("caption", {}, "By person and pack"),
    el("thead", {}, el("tr", {}, ...["Person", "Pack", "Energy, J", "Effort, %", "Regime"].map(t => el("th", { scope: "col" }, t)))),
    el("tbody", {}, ...D.cases[row].map(c => el("tr", {}, el("td", {}, c[0]), el("td", {}, c[1]), el("td", { class: "n" }, say(c[2])), el("td", { class: "n" }, say(c[3])), el("td", {}, c[4]))))));
}
/* The trunk is the work at the crank; each loss leaves it to the right, to scale. */
function flow(row) {
  const of = name => { const c = D.ledger.find(c => c.name === name); return c ? c.values[row] || 0 : 0; };
  const terms = D.ledger.filter(c => !["crank_work", "delivered"].includes(c.name)).map(c => ({ label: c.label, joules: c.values[row] || 0 }));
  const delivered = of("delivered"), work = of("crank_work") || delivered + terms.reduce((sum, t) => sum + t.joules, 0);
  if (!(work > 0)) return el("p", {}, "No work goes in.");
  const percent = joules => `${say(100 * joules / work, 2)} %`;
  const branches = terms.filter(t => t.joules >= 0.002 * work);
  const small = terms.filter(t => t.joules > 0 && t.joules < 0.002 * work);
  if (small.length) branches.push({ label: `${small.length} small ones`, joules: small.reduce((sum, t) => sum + t.joules, 0) });
  const wide = 104, gap = 12, pass = wide + 14;
  let x = wide, y = 26, edge = "";
  const sides = [], texts = [svg("text", { x: 0, y: 14 }, `work at the crank ${say(work)} J`)];
  for (const t of branches) {
    const w = wide * t.joules / work, thick = Math.max(w, 1), top = y + gap, bottom = top + thick, next = Math.max(bottom + 4, y + 28);
    sides.push(svg("path", { class: "side", d: `M${x - thick} ${y}H${x}Q${x} ${top} ${x + gap} ${top}H${pass}V${bottom}H${x - thick + gap}Q${x - thick} ${bottom} ${x - thick} ${Math.max(bottom - gap, y)}Z` }));
    texts.push(svg("text", { x: pass + 6, y: (top + bottom) / 2 + 5 }, `${t.label} ${say(t.joules)} J (${percent(t.joules)})`));
    x -= w;
    edge += `H${x}V${next}`;
    y = next;
  }
  const shapes = [svg("path", { class: "trunk", d: `M0 26H${wide}${edge}H0Z` }), ...sides, ...texts,
    svg("path", { class: "end", d: `M0 ${y - .5}H${x}V${y + 16}L${x / 2} ${y + 30}L0 ${y + 16}Z` }),
    svg("text", { x: Math.max(x, 8) + 10, y: y + 18, "font-weight": "bold" }, `into the pack ${say(delivered)} J (${percent(delivered)})`)];
  const told = `Of ${say(work)} J at the crank, ${say(delivered)} J reach the pack. ` + branches.map(t => `${t.label} ${say(t.joules)} J`).join(", ") + ".";
  return svg("svg", { class: "flow", viewBox: `0 0 385 ${y + 34}`, role: "img", "aria-label": told }, ...shapes);
}
function curves(id) {
  if (!data.traces.some(t => t.design_id === id))
    return [el("p", { class: "fine" }, "Its course over the session, and over cadence, is drawn for the designs that a launch picked; a launch at these prices draws it for today's picks.")];
  return data.traces.filter(t => t.design_id === id).map(t => el("div", {}, el("h3", {}, t.title), t.sentence ? el("p", {}, t.sentence) : null, ...t.curves.map((c, k) =>
    curve(t.x, c, k ? [] : t.levels))));
}
function curve(x, y, levels) {
  const W = 470, H = 170, L = 44, B = 34, points = x.values.map((v, k) => [v, y.values[k]]).filter(p => p[0] != null && p[1] != null);
  if (!points.length) return null;
  const xs = points.map(p => p[0]), ys = points.map(p => p[1]).concat(levels.map(l => l[1]));
  const [x0, x1] = [Math.min(...xs), Math.max(...xs)], [y0, y1] = [Math.min(0, ...ys), 1.08 * Math.max(...ys) || 1];
  const px = v => L + (W - L - 6) * (v - x0) / (x1 - x0 || 1), py = v => 18 + (H - B - 18) * (1 - (v - y0) / (y1 - y0 || 1));
  const line = points.map((p, k) => `${k ? "L" : "M"}${px(p[0]).toFixed(1)} ${py(p[1]).toFixed(1)}`).join("");
  return svg("svg", { class: "curve", viewBox: `0 0 ${W} ${H}`, role: "img", "aria-label": `${y.label} against ${x.label}, from ${withUnit(points[0][1], y.unit)} to ${withUnit(points[points.length - 1][1], y.unit)}` },
    svg("text", { x: 0, y: 11 }, `${y.label}, ${y.unit}`), svg("text", { x: W - 6, y: H - 2, "text-anchor": "end" }, `${x.label}, ${x.unit}`),
    svg("path", { class: "axis", d: `M${L} 18V${H - B}H${W - 6}` }),
    svg("text", { x: L - 6, y: py(y0) + 4, "text-anchor": "end" }, say(y0)), svg("text", { x: L - 6, y: py(y1) + 8, "text-anchor": "end" }, say(y1, 2)),
    svg("text", { x: L, y: H - B + 15 }, say(Math.abs(x0) < (x1 - x0) / 1000 ? 0 : x0)), svg("text", { x: W - 6, y: H - B + 15, "text-anchor": "end" }, say(x1)),
    svg("path", { class: "a", d: line }),
    ...levels.flatMap(([name, v]) => [svg("path", { class: "level", d: `M${L} ${py(v)}H${W - 6}` }), svg("text", { x: W - 8, y: py(v) + (name === "load off below" ? 14 : -4), "text-anchor": "end" }, `${name} ${withUnit(v, y.unit)}`)]));
}
/* Designs of the page that differ in one part, settings of the bank aside */
function neighbours(row) {
  const told = data.around[D.ids[row]];
  if (told) return el("div", {}, el("h3", {}, "One part swapped"),
    el("p", { class: "fine" }, "Looked up among all stored designs: the same chain with one other part."),
    ...[["better", "Better"], ["trade", "A trade"], ["worse", "Worse"]].map(([verdict, title]) => {
      const group = told.neighbours.filter(n => n.verdict === verdict);
      return group.length ? el("div", {}, el("h4", {}, title), el("ul", {}, ...group.map(n => el("li", {},
        byId.has(n.design_id) ? el("a", { href: `#design-${n.design_id}` }, `${n.link}: ${n.part}`) : `${n.link}: ${n.part}`,
        `${n.settings ? ` ${n.settings}` : ""}: ${n.words}${n.why ? `. ${n.why}` : ""}`)))) : null;
    }), told.sentence ? el("p", { class: "fine" }, told.sentence) : null);
  const found = [];
  for (let other = 0; other < N && found.length < 400; other++) {
    if (other === row) continue;
    const changed = D.links.filter(l => l.used[other] !== l.used[row]);
    if (changed.length === 1) found.push([changed[0], other]);
  }
  const best = new Map();
  const gain = (a, b) => goals.filter(g => (g.name === "delivered_energy_J" ? 1 : -1) * (g.values[a] - g.values[b]) > 0).length;
  for (const [l, other] of found) {
    const key = `${l.name}:${l.used[other]}`;
    if (!best.has(key) || gain(other, row) > gain(best.get(key)[1], row)) best.set(key, [l, other]);
  }
  if (!best.size) return el("p", { class: "fine" }, "No design of this page differs from it in one part only.");
  return el("div", {}, el("h3", {}, "One part swapped"), el("ul", {}, ...[...best.values()].slice(0, 12).map(([l, other]) =>
    el("li", {}, el("a", { href: `#design-${D.ids[other]}` }, `${l.label}: ${partName(l, other)}`), ", ",
      goals.map(g => { const gap = g.values[other] - g.values[row]; return gap ? `${gap > 0 ? "+" : "−"}${goalText(g, Math.abs(gap))} ${g.unit}` : null; }).filter(Boolean).join(", ") || "no difference"))));
}

/* Setting up */
function sliders() {
  for (const g of goals) {
    const more = g.name === "delivered_energy_J", low = Math.min(...g.values), high = Math.max(...g.values);
    const id = `limit-${g.name}`, steps = 200, none = more ? 0 : steps;
    const text = el("output", { for: id });
    const input = el("input", { id, type: "range", min: 0, max: steps, step: 1, value: none });
    const update = () => {
      const place = Number(input.value), value = low + (high - low) * place / steps, free = place === none;
      state.limits[g.name] = free ? null : value;
      text.textContent = free ? "no limit" : `${goalText(g, value)} ${g.unit}`;
      input.setAttribute("aria-valuetext", text.textContent);
    };
    input.addEventListener("input", () => { update(); refresh(); });
    input.addEventListener("clear", () => { input.value = none; update(); });
    update();
    $("sliders").append(el("div", { class: "slide" }, el("label", { for: id }, more ? "Energy, at least" : `${g.label}, at most`), input, text));
  }
}
function headings() {
  for (const head of document.querySelectorAll("#front th[data-key]")) {
    const label = head.querySelector(".label").textContent;
    head.replaceChildren(el("button", { type: "button", onclick: () => {
      const same = state.sort === head.dataset.key;
      state.down = same ? !state.down : head.dataset.key === "delivered_energy_J";
      state.sort = head.dataset.key; state.page = 0;
      refresh();
    } }, label));
  }
}
function address() {
  const id = decodeURIComponent(location.hash).replace("#design-", "");
  if (!location.hash.startsWith("#design-")) return;
  if (byId.has(id)) open(byId.get(id), true);
  else $("full").replaceChildren(el("p", {}, `No design ${id} is on this page.`));
}
function run(id) { const script = document.createElement("script"); script.textContent = $(id).textContent; document.body.append(script); }

sliders();
headings();
$("all").addEventListener("change", event => { state.all = event.target.checked; state.marked = new Set([...state.marked].filter(offered)); sendMarks(); refresh(); });
$("reset").addEventListener("click", () => {
  for (const input of document.querySelectorAll("#sliders input")) input.dispatchEvent(new Event("clear"));
  state.marked.clear(); state.all = $("all").checked = false; state.page = 0; sendMarks(); refresh();
});
$("back").addEventListener("click", () => { state.page--; table(); });
$("on").addEventListener("click", () => { state.page++; table(); });
addEventListener("hashchange", address);
addEventListener("afterprint", () => document.documentElement.classList.remove("one"));
refresh();
open(base ?? 0, false);
address();
document.documentElement.dataset.ready = "table";
/* Painted first, plotted second. */
requestAnimationFrame(() => setTimeout(() => { run("plot-library"); run("plot-script"); connect(); }, 0));
})();
