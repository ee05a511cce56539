/* Setting up: sliders, headings and addresses first, the plots once the page is painted. */
function sliders() {
  for (const g of goals) {
    const more = g.more_is_better, low = Math.min(...g.values), high = Math.max(...g.values);
    const id = `limit-${g.key}`, steps = 200, none = more ? 0 : steps;
    const text = el("output", { for: id });
    const input = el("input", { id, type: "range", min: 0, max: steps, step: 1, value: none });
    const update = () => {
      const place = Number(input.value), value = low + (high - low) * place / steps, free = place === none;
      state.limits[g.key] = free ? null : value;
      text.textContent = free ? "no limit" : `${goalText(g, value)} ${g.unit}`;
      input.setAttribute("aria-valuetext", text.textContent);
    };
    input.addEventListener("input", () => { update(); refreshSoon(); });
    input.addEventListener("clear", () => { input.value = none; update(); });
    update();
    $("sliders").append(el("div", { class: "slide" }, el("label", { for: id }, `${g.label}, at ${more ? "least" : "most"}`), input, text));
  }
}
function headings() {
  for (const head of document.querySelectorAll("#front th[data-key]")) {
    const label = head.querySelector(".label").textContent;
    head.replaceChildren(el("button", { type: "button", onclick: () => {
      const same = state.sort === head.dataset.key;
      state.down = same ? !state.down : goals.find(g => g.key === head.dataset.key).more_is_better;
      state.sort = head.dataset.key; state.page = 0;
      refresh();
    } }, label));
  }
}
function address() {
  const id = decodeURIComponent(location.hash).replace("#design-", "");
  if (!location.hash.startsWith("#design-")) { reveal(location.hash && $(location.hash.slice(1))); return; }
  if (byId.has(id)) open(byId.get(id), true);
  else { $("full").replaceChildren(el("p", {}, `No design ${id} is on this page.`)); reveal($("design")); }
}
/* A folded answer opens when somebody goes there. */
function reveal(node) { for (; node; node = node.parentElement) if (node.tagName === "DETAILS") node.open = true; }
function run(text) { const script = document.createElement("script"); script.textContent = text; document.body.append(script); }

sliders();
headings();
partChoice();
axes();
$("all").addEventListener("change", event => { state.all = event.target.checked; state.marked = new Set([...state.marked].filter(offered)); refresh(); });
$("reset").addEventListener("click", () => {
  for (const input of document.querySelectorAll("#sliders input")) input.dispatchEvent(new Event("clear"));
  state.marked.clear(); state.all = $("all").checked = false; state.only = null; $("only").value = ""; state.page = 0; refresh();
});
$("unmark").addEventListener("click", () => { state.marked.clear(); state.page = 0; refresh(); });
$("back").addEventListener("click", () => { state.page--; table(); });
$("on").addEventListener("click", () => { state.page++; table(); });
addEventListener("hashchange", address);
/* Paper has no folds. Browsers that do not know `::details-content` need them opened. */
let opened = [];
addEventListener("beforeprint", () => { opened = [...document.querySelectorAll(".fold:not([open])")]; for (const one of opened) one.open = true; });
addEventListener("afterprint", () => { for (const one of opened) one.open = false; opened = []; });
addEventListener("afterprint", () => document.documentElement.classList.remove("one"));
refresh();
open(base ?? 0, false);
address();
document.documentElement.dataset.ready = "table";
/* Painted first, plotted second. */
requestAnimationFrame(() => setTimeout(async () => { ownSheets(); run(await library); run($("plot-script").textContent); connect(); }, 0));
