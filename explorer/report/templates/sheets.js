/* Plots style their elements by texts that they make as they draw, for which no policy has a hash.
   Each becomes a sheet that a script makes: a policy counts that as the script's, whose hash it has. */
function ownSheets() {
  const sheets = new WeakMap(), texts = new WeakMap(), roots = new WeakMap();
  const append = DocumentFragment.prototype.append, remove = Element.prototype.remove;
  const sheet = style => sheets.get(style) ?? sheets.set(style, new CSSStyleSheet()).get(style);
  Object.defineProperty(HTMLStyleElement.prototype, "textContent", {
    get() { return texts.get(this) ?? ""; },
    set(text) { texts.set(this, text); sheet(this).replaceSync(text); },
  });
  HTMLStyleElement.prototype.remove = function () {
    const root = roots.get(this);
    if (root) root.adoptedStyleSheets = root.adoptedStyleSheets.filter(one => one !== sheet(this));
    roots.delete(this);
    remove.call(this);
  };
  ShadowRoot.prototype.append = function (...nodes) {
    for (const style of nodes.filter(node => node instanceof HTMLStyleElement)) {
      style.remove();
      this.adoptedStyleSheets = [...this.adoptedStyleSheets, sheet(style)];
      roots.set(style, this);
    }
    append.apply(this, nodes.filter(node => !(node instanceof HTMLStyleElement)));
  };
}
