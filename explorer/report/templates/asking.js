/* What the reader asks for beside limits: a part, the axes of the large plot; and what is still within reach. */
const uses = row => !state.only || D.links[state.only[0]].used[row] === state.only[1];
function partChoice() {
  const choice = $("only");
  D.links.forEach((l, k) => {
    const taken = new Set(l.used);
    const parts = l.parts.map((part, n) => [part.name, n]).filter(([, n]) => taken.has(n));
    if (parts.length > 1) choice.append(el("optgroup", { label: l.label }, ...parts.map(([name, n]) => el("option", { value: `${k} ${n}` }, name))));
  });
  choice.addEventListener("change", () => { state.only = choice.value ? choice.value.split(" ").map(Number) : null; state.page = 0; refresh(); });
}

/* Of all designs of the page, those that a limit leaves: from where to where each goal still goes. None left: the design that misses by least, each miss counted by the goal's whole span. */
function reach() {
  const spans = goals.map(g => { let low = Infinity, high = -Infinity; for (let row = 0; row < N; row++) if (kept(row)) { if (g.values[row] < low) low = g.values[row]; if (g.values[row] > high) high = g.values[row]; } return [low, high]; });
  if (spans[0][0] <= spans[0][1])
    return [`Within reach: ${goals.map((g, k) => `${g.label.toLowerCase()} ${goalText(g, spans[k][0])} to ${goalText(g, spans[k][1])} ${g.unit}`).join(", ")}.`, null];
  const asked = goals.filter(g => state.limits[g.key] != null);
  const miss = (g, row) => Math.max(0, (g.more_is_better ? 1 : -1) * (state.limits[g.key] - g.values[row]));
  let best = null, least = Infinity;
  for (let row = 0; row < N; row++) {
    if (!uses(row)) continue;
    const sum = asked.reduce((all, g) => all + miss(g, row) / (wholeSpan.get(g.key) || 1), 0);
    if (sum < least) [best, least] = [row, sum];
  }
  if (best == null) return ["No design of this page uses that part.", null];
  const missed = asked.filter(g => miss(g, best) > 0).map(g => `${g.label.toLowerCase()} by ${goalText(g, miss(g, best))} ${g.gap_unit}`);
  return [`Nothing is within all limits. The nearest misses ${missed.join(" and ")}: `, best];
}
const wholeSpan = new Map(goals.map(g => [g.key, Math.max(...g.values) - Math.min(...g.values)]));
let reachNow = null;
function showReach() {
  const [words, row] = reach(), now = `${words} ${row}`;
  if (now === reachNow) return;
  reachNow = now;
  $("reach").replaceChildren(words, ...(row == null ? [] : [el("a", { href: `#design-${D.ids[row]}` }, nameOf(D.ids[row])), "."]));
}

/* The axes of the large plot. Its columns keep the names that it was drawn with, whatever they hold. */
const axisText = g => `${g.label}, ${g.unit} (${g.more_is_better ? "more" : "less"} is better)`;
function axes() {
  const [across, up] = [$("across"), $("up")];
  for (const one of [across, up]) one.replaceChildren(...goals.map(g => el("option", { value: g.key }, g.label)));
  [across.value, up.value] = [goals[0].key, goals[1].key];
  for (const [one, other] of [[across, up], [up, across]]) {
    let before = one.value;
    one.addEventListener("change", () => {
      if (one.value === other.value) other.value = before; /* the two change places */
      showAxes();
    });
    one.addEventListener("focus", () => { before = one.value; });
  }
}
function showAxes() {
  const plot = plots[0];
  if (!plot) return;
  const [g, h] = [$("across"), $("up")].map(one => goals.find(goal => goal.key === one.value));
  const [x, y] = [g, h].map(goal => Float64Array.from(goal.values)), [first, second] = Object.keys(plot.fields);
  Object.assign(plot, { x, y, fields: { [first]: x, [second]: y, mark: plot.fields.mark } });
  plot.root.below[0].axis_label = axisText(g);
  plot.root.left[0].axis_label = axisText(h);
  document.querySelector(".plot.large").setAttribute("aria-label", `${h.label} against ${g.label.toLowerCase()}, one mark a design; the table holds the same`);
  whenPainted = () => { placeLetters(plot); point(); };
  paint();
}
