/* One design in full: bill, settings, margins, flow of joules, curves and neighbours. */
function open(row, move) {
  state.open = row;
  const id = D.ids[row], letter = letters.get(row);
  const box = $("full");
  const bill = D.bills[row].map(k => D.bill_lines[k]);
  const near = D.margins.map(m => ({ ...m, value: m.values[row] })).filter(m => m.value != null)
    .map(m => ({ ...m, closeness: m.value / (m.near || 1) })).sort((a, b) => a.closeness - b.closeness);
  box.replaceChildren(
    el("h3", {}, `Design ${nameOf(id)}` + (letter ? `: ${letter}, ${data.cards.find(c => c.letter === letter).title}` : "")),
    el("p", { class: "step" },
      el("button", { type: "button", onclick: () => step(-1) }, "One before"), el("button", { type: "button", onclick: () => step(1) }, "One after"),
      el("button", { type: "button", onclick: () => { document.documentElement.classList.add("one"); print(); } }, "Print this design")),
    el("p", {}, ...goals.flatMap((g, k) => [k ? ", " : "", el("b", {}, `${goalText(g, g.values[row])} ${g.unit}`), ` ${g.label.toLowerCase()}`]), "."),
    el("p", {}, D.ledger_of[row] ? `${D.ledger_of[row]}: ` : "", el("b", {}, D.regimes[row]), `: ${data.words.regimes[D.regimes[row]] || ""}.`),
    el("div", { class: "full" },
      el("div", {},
        scroll("Bill of materials", el("table", {}, el("caption", {}, "Bill of materials"),
          el("thead", {}, el("tr", {}, ...["Part", "Pieces", data.yours, `Each, ${data.currency}`, `Sum, ${data.currency}`, "Price of"].map(t => el("th", { scope: "col" }, t)))),
          el("tbody", {}, ...bill.map(line => el("tr", {}, el("th", { scope: "row" }, line.name), el("td", { class: "n" }, String(line.quantity)), el("td", { class: "n" }, line.owned ? String(line.owned) : ""),
            el("td", { class: "n" }, money(line.unit_price)), el("td", { class: "n" }, money(line.amount)), el("td", { class: "day" }, line.price_dated))),
            el("tr", {}, el("th", { scope: "row" }, el("b", {}, "Together")), el("td", {}), el("td", {}), el("td", {}), el("td", { class: "n" }, el("b", {}, money(spent.values[row]))), el("td", {}))))),
        el("table", {}, el("caption", {}, "Settings and readings"), el("tbody", {}, ...[...D.settings, ...D.readings].filter(c => c.values[row] != null || c.name === "time_to_first_charge_s").map(c =>
          el("tr", {}, el("th", { scope: "row" }, c.label), el("td", { class: "n" }, c.values[row] == null ? "never" : withUnit(c.values[row], c.unit)))))),
        cases(row)),
      el("div", {}, el("h3", {}, "Where each joule goes" + (D.joules_of[row] ? `: ${D.joules_of[row]}` : "")), flow(row), ...curves(id))),
    el("div", { class: "full" },
      el("div", {}, el("h3", {}, "Distance to each limit"),
        el("p", { class: "fine" }, "A bar is the room left, on a scale of its own. A striped bar that ends before the dashed line is close."),
        el("ul", { class: "limits" }, ...near.map(m => el("li", { class: m.closeness < 1 ? "close" : null },
          el("span", {}, m.label + (m.closeness < 1 ? " (close)" : "")), el("b", { class: "n" }, withUnit(m.value, m.unit, 2)),
          el("span", { class: "gap", "aria-hidden": "true" }, el("i", { style: `width:${(100 * Math.max(m.closeness, 0) / (Math.max(m.closeness, 0) + 1)).toFixed(1)}%` })))))),
      el("div", {}, neighbours(row))));
  if (move) { reveal($("design")); $("h-design").focus({ preventScroll: true }); $("design").scrollIntoView(); }
}
function step(by) {
  const place = shown.indexOf(state.open);
  const next = shown[(place + by + shown.length) % shown.length];
  if (next != null) location.hash = `design-${D.ids[next]}`;
}
function cases(row) {
  if (!D.cases[row].length) return null;
  const own = goals.filter(g => g.by_case);
  return scroll("By person and pack", el("table", {}, el("caption", {}, "By person and pack"),
    el("thead", {}, el("tr", {}, ...["Person", "Pack", ...own.map(g => `${g.label}, ${g.unit}`), "Minutes for 1 %", "First charge, s", "Regime"].map(t => el("th", { scope: "col" }, t)))),
    el("tbody", {}, ...D.cases[row].map(c => el("tr", {}, el("td", {}, c[0]), el("td", {}, c[1]), ...[...own.map((g, k) => goalText(g, c[2][k])), c[5] == null ? "never" : say(c[5], 2), c[4] == null ? "never" : say(c[4])].map(t => el("td", { class: "n" }, t)), el("td", {}, c[3]))))));
}
/* The trunk is the work at the crank; each loss leaves it to the right, to scale. */
function flow(row) {
  const of = name => { const c = D.ledger.find(c => c.name === name); return c ? c.values[row] || 0 : 0; };
  const terms = D.ledger.filter(c => !["crank_work", "delivered"].includes(c.name)).map(c => ({ label: c.label, joules: c.values[row] || 0 }));
  const delivered = of("delivered"), work = of("crank_work") || delivered + terms.reduce((sum, t) => sum + t.joules, 0);
  if (!(work > 0)) return el("p", {}, "No work goes in.");
  /* All terms are rounded to the same step, a hundredth of the work's own leading digits: a small loss is not known better than a large one. */
  const step = 10 ** (Math.floor(Math.log10(work)) - 3), round = joules => say(Math.round(joules / step) * step, 12);
  const percent = joules => joules < 0.001 * work ? "below 0.1 %" : `${say(100 * joules / work, 2)} %`;
  const branches = terms.filter(t => t.joules >= 0.002 * work);
  const small = terms.filter(t => t.joules > 0 && t.joules < 0.002 * work);
  if (small.length) branches.push({ label: `${small.length} small ones`, joules: small.reduce((sum, t) => sum + t.joules, 0) });
  const wide = 104, gap = 12, pass = wide + 14;
  let x = wide, y = 26, edge = "";
  const sides = [], texts = [svg("text", { x: 0, y: 14 }, `work at the crank ${round(work)} J`)];
  for (const t of branches) {
    const w = wide * t.joules / work, thick = Math.max(w, 1), top = y + gap, bottom = top + thick, next = Math.max(bottom + 4, y + 28);
    sides.push(svg("path", { class: "side", d: `M${x - thick} ${y}H${x}Q${x} ${top} ${x + gap} ${top}H${pass}V${bottom}H${x - thick + gap}Q${x - thick} ${bottom} ${x - thick} ${Math.max(bottom - gap, y)}Z` }));
    texts.push(svg("text", { x: pass + 6, y: (top + bottom) / 2 + 5 }, `${t.label} ${round(t.joules)} J (${percent(t.joules)})`));
    x -= w;
    edge += `H${x}V${next}`;
    y = next;
  }
  const shapes = [svg("path", { class: "trunk", d: `M0 26H${wide}${edge}H0Z` }), ...sides, ...texts,
    svg("path", { class: "end", d: `M0 ${y - .5}H${x}V${y + 16}L${x / 2} ${y + 30}L0 ${y + 16}Z` }),
    svg("text", { x: Math.max(x, 8) + 10, y: y + 18, "font-weight": "bold" }, `into the pack ${round(delivered)} J (${percent(delivered)})`)];
  const words = `Of ${round(work)} J at the crank, ${round(delivered)} J reach the pack. ` + branches.map(t => `${t.label} ${round(t.joules)} J`).join(", ") + ".";
  return svg("svg", { class: "flow", viewBox: `0 0 385 ${y + 34}`, role: "img", "aria-label": words }, ...shapes);
}
function curves(id) {
  if (!data.curves.some(t => t.design_id === id))
    return [el("p", { class: "fine" }, "Its curve over the session and over cadence is kept for the designs that a launch looks at closely: the picks, those next in line and the locked ones. A launch adds it for today's.")];
  const rpm = setting("cadence_rpm")[byId.get(id)];
  return data.curves.filter(t => t.design_id === id).map(t => el("div", { class: t.screen_only ? "on-screen" : null }, el("h3", {}, t.title), t.sentence ? el("p", {}, t.sentence) : null, ...t.curves.map((c, k) =>
    curve(t.x, c, k ? [] : t.levels, t.x.name === "cadence_rpm" && rpm != null ? [k ? "" : `its own ${withUnit(rpm, "rpm")}`, rpm] : null))));
}
/* Round values for an axis, at most `most` steps between its ends. */
function ticks(low, high, most) {
  const raw = (high - low) / most || 1, power = 10 ** Math.floor(Math.log10(raw)), step = [1, 2, 5, 10].map(k => k * power).find(s => s >= raw * 0.9999);
  const found = [];
  for (let k = Math.ceil(low / step - 1e-9); k * step <= high + 1e-9 * step; k++) found.push(Number((k * step).toPrecision(6)));
  return found;
}
/* Words of level lines, [words, height], each where least of the curve runs under it and no other words stand: right, left or between, above its line or below. */
function labelled(levels, curve, left, right) {
  const path = curve.flatMap((p, k) => k ? [0.2, 0.4, 0.6, 0.8, 1].map(s => [curve[k - 1][0] + s * (p[0] - curve[k - 1][0]), curve[k - 1][1] + s * (p[1] - curve[k - 1][1])]) : [p]);
  const taken = levels.map(([, height]) => [left, right, height, height]);
  return levels.map(([words, height], k) => {
    const wide = 7.2 * words.length, room = right - wide - left;
    const spots = [1, 0, 0.5, 0.25, 0.75].flatMap(share => (k ? [-4, 14] : [14, -4]).map(up => [left + share * room, height + up]));
    const cost = ([x, base]) => {
      const box = [x - 2, x + wide + 2, base - 12, base + 3];
      return path.filter(p => p[0] > box[0] && p[0] < box[1] && p[1] > box[2] && p[1] < box[3]).length
        + 1000 * taken.filter(t => t[0] < box[1] && t[1] > box[0] && t[2] < box[3] && t[3] > box[2]).length;
    };
    const [x, base] = spots.reduce((best, one) => cost(one) < cost(best) ? one : best);
    taken.push([x, x + wide, base - 12, base + 3]);
    return svg("text", { x, y: base }, words);
  });
}
/* `levels` are [words, y]: the window; `own` is [words, x]. */
function curve(x, y, levels, own) {
  const W = 470, H = 176, L = 44, T = 20, B = 34, points = x.values.map((v, k) => [v, y.values[k]]).filter(p => p[0] != null && p[1] != null);
  if (!points.length) return null;
  const xs = points.map(p => p[0]), ys = points.map(p => p[1]).concat(levels.map(l => l[1]));
  const [x0, x1] = [Math.min(...xs), Math.max(...xs)], [y0, y1] = [Math.min(0, ...ys), 1.08 * Math.max(...ys) || 1];
  const px = v => L + (W - L - 12) * (v - x0) / (x1 - x0 || 1), py = v => T + (H - B - T) * (1 - (v - y0) / (y1 - y0 || 1));
  const line = points.map((p, k) => `${k ? "L" : "M"}${px(p[0]).toFixed(1)} ${py(p[1]).toFixed(1)}`).join("");
  return svg("svg", { class: "curve", viewBox: `0 0 ${W} ${H}`, role: "img", "aria-label": `${y.label} against ${x.label}, from ${withUnit(points[0][1], y.unit)} to ${withUnit(points[points.length - 1][1], y.unit)}` },
    svg("text", { x: 0, y: 11 }, `${y.label}, ${y.unit}`), svg("text", { x: W - 12, y: H - 3, "text-anchor": "end" }, `${x.label}, ${x.unit}`),
    ...ticks(y0, y1, 4).flatMap(v => [svg("path", { class: "grid", d: `M${L - 4} ${py(v).toFixed(1)}H${W - 12}` }), svg("text", { class: "tick", x: L - 7, y: py(v) + 4, "text-anchor": "end" }, say(v))]),
    ...ticks(x0, x1, 6).flatMap(v => [svg("path", { class: "axis", d: `M${px(v).toFixed(1)} ${H - B}v4` }), svg("text", { class: "tick", x: px(v), y: H - B + 16, "text-anchor": "middle" }, say(v, 4))]),
    svg("path", { class: "axis", d: `M${L} ${T}V${H - B}H${W - 12}` }),
    own && own[1] >= x0 && own[1] <= x1 ? svg("path", { class: "own", d: `M${px(own[1]).toFixed(1)} ${T}V${H - B}` }) : null,
    svg("path", { class: "a", d: line }),
    ...levels.map(([, v]) => svg("path", { class: "level", d: `M${L} ${py(v)}H${W - 12}` })),
    ...labelled(levels.map(([name, v]) => [`${name} ${withUnit(v, y.unit)}`, py(v)]), points.map(p => [px(p[0]), py(p[1])]), L + 8, W - 14),
    own && own[1] >= x0 && own[1] <= x1 ? svg("text", { x: px(own[1]) + (own[1] > (x0 + x1) / 2 ? -5 : 5), y: H - B - 6, "text-anchor": own[1] > (x0 + x1) / 2 ? "end" : "start" }, own[0]) : null);
}
/* Designs of the page that differ in one part, settings of the bank aside. */
function neighbours(row) {
  const stored = data.swaps[D.ids[row]];
  if (stored) return el("div", {}, el("h3", {}, "One part swapped"),
    el("p", { class: "fine" }, "Looked up among all stored designs: the same chain with one other part."),
    ...[["better", "Better"], ["trade", "A trade"], ["worse", "Worse"]].map(([verdict, title]) => {
      const group = stored.swaps.filter(n => n.verdict === verdict);
      return group.length ? el("div", {}, el("h4", {}, title), el("ul", {}, ...group.map(n => el("li", {},
        byId.has(n.design_id) ? el("a", { href: `#design-${n.design_id}` }, `${n.link}: ${n.part}`) : `${n.link}: ${n.part}`,
        `${n.settings ? ` ${n.settings}` : ""}: ${n.words}${n.why ? `. ${n.why}` : ""}`)))) : null;
    }), stored.sentence ? el("p", { class: "fine" }, stored.sentence) : null);
  const found = [];
  for (let other = 0; other < N && found.length < 400; other++) {
    if (other === row) continue;
    const changed = D.links.filter(l => l.used[other] !== l.used[row]);
    if (changed.length === 1) found.push([changed[0], other]);
  }
  const best = new Map();
  const gain = (a, b) => goals.filter(g => (g.more_is_better ? 1 : -1) * (g.values[a] - g.values[b]) > 0).length;
  for (const [l, other] of found) {
    const key = `${l.name}:${l.used[other]}`;
    if (!best.has(key) || gain(other, row) > gain(best.get(key)[1], row)) best.set(key, [l, other]);
  }
  if (!best.size) return el("p", { class: "fine" }, "No design of this page differs from it in one part only.");
  return el("div", {}, el("h3", {}, "One part swapped"), el("ul", {}, ...[...best.values()].slice(0, 12).map(([l, other]) =>
    el("li", {}, el("a", { href: `#design-${D.ids[other]}` }, `${l.label}: ${partName(l, other)}`), ", ",
      goals.map(g => differs(g, g.values[other], g.values[row]) ? gapText(g, g.values[other] - g.values[row]) : null).filter(Boolean).join(", ") || "no difference that a person would notice"))));
}
