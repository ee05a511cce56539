/* What all scripts of the page share: its data, what the reader has chosen, and how nodes and numbers are made. */
if (!document.documentElement.classList.contains("live")) return;
/* What is large comes packed, a third of its size. */
async function unpack(id) {
  const text = atob(document.getElementById(id).textContent), bytes = new Uint8Array(text.length);
  for (let k = 0; k < text.length; k++) bytes[k] = text.charCodeAt(k);
  return new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"))).text();
}
const [data, library] = [JSON.parse(await unpack("page-data")), unpack("plot-library")];
const D = data.designs, N = D.ids.length, ROWS = 15;
const byId = new Map(D.ids.map((id, row) => [id, row]));
/* The name of a design, as the program makes it of its id. */
const LETTERS = "23456789ACDEFGHJKMNPQRTUVWXY";
function nameOf(id) {
  if (!/^[0-9a-f]{12}$/.test(id)) return id;
  let rest = (BigInt(`0x${id}`) * 28n ** 8n) >> 48n, word = "";
  for (let k = 0; k < 8; k++) { word = LETTERS[Number(rest % 28n)] + word; rest /= 28n; }
  return `${word.slice(0, 4)}-${word.slice(4)}`;
}
const letters = new Map(data.cards.map(c => [byId.get(c.design_id), c.letter]));
/* The objectives: their words and senses, with a column of values each. */
const goals = data.goals.map((goal, k) => ({ ...goal, values: D.objectives[k].values }));
const energy = goals.find(g => g.key === data.energy), spent = goals.find(g => g.is_money);
const base = byId.has(data.recommended_id) ? byId.get(data.recommended_id) : null;
const state = { all: false, marked: new Set(), limits: {}, only: null, sort: goals[0].key, down: true, page: 0, open: null };
let shown = [];

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
    else if (key === "style") node.style.cssText = value; /* the page's policy refuses the attribute */
    else if (value !== false && value != null) node.setAttribute(key, value === true ? "" : value);
  }
  node.append(...children.filter(child => child != null));
}
/* Making a formatter takes far longer than using one. */
const formatters = new Map();
function formatter(digits) {
  if (!formatters.has(digits)) formatters.set(digits, new Intl.NumberFormat("en", { maximumSignificantDigits: digits }));
  return formatters.get(digits);
}
function say(value, digits = 3) {
  if (value == null) return "none";
  if (value === 0) return "0";
  return formatter(digits).format(Number(value.toPrecision(digits))).replace("-", "−");
}
const withUnit = (value, unit, digits) => {
  const text = say(value, digits), one = text === "1" ? unit.replace(/points$/, "point") : unit;
  return unit ? `${text} ${one}` : text;
};
const cents = new Intl.NumberFormat("en", { minimumFractionDigits: 2, maximumFractionDigits: 2 });
const money = value => cents.format(value);
const goalText = (goal, value) => goal.is_money ? money(value) : say(value, goal.digits);
/* Money is counted; of the rest a person notices no less, and the model knows no better. */
const differs = (goal, a, b) => goal.is_money ? a !== b : Math.abs(a - b) > data.equal_within * Math.max(Math.abs(a), Math.abs(b));
const gapText = (goal, gap) => `${gap > 0 ? "+" : "−"}${goalText(goal, Math.abs(gap))} ${goal.gap_unit}`;
const partName = (link, row) => link.parts[link.used[row]].name;
const link = name => D.links.find(l => l.name === name);
const setting = name => (D.settings.find(s => s.name === name) || { values: [] }).values;

const scroll = (label, child) => el("div", { class: "table-scroll", tabindex: 0, role: "region", "aria-label": label }, child);
