// Picks of the loupe that were not saved survive a reload; they are offered, not imposed.
"use strict";

const draft = {
  // The picture and what it is picked for.
  place() {
    const own = [...new FormData(root)].filter(([name]) => !/^(x|y|how|u|box)\.|^(csrfmiddlewaretoken|outline|power)$/.test(name));
    return ["loupe", root.dataset.picture, ...own.map((pair) => pair.join("="))].join(" ");
  },
  named() {
    const points = Object.fromEntries(rows.map((row) => [row.dataset.name, read(row)]).filter(([, point]) => point));
    return { points, outline: Boolean(outline?.checked) };
  },
  keep(more = {}) {
    if (!past.length && !future.length && !more.carry) return; // nothing was done here yet
    try {
      sessionStorage.setItem(this.place(), JSON.stringify({ ...this.named(), time: Date.now(), ...more }));
    } catch { /* full or forbidden: the boxes still hold everything */ }
  },
  forget() {
    sessionStorage.removeItem(this.place());
    one(".earlier").hidden = true;
  },
  bring(kept) {
    remember();
    for (const row of rows) write(row, kept.points[row.dataset.name] ?? null);
    if (outline) outline.checked = kept.outline;
    one(".earlier").hidden = true;
    tell();
  },
  offer() {
    const kept = JSON.parse(sessionStorage.getItem(this.place()) ?? "null");
    if (!kept) return;
    const now = this.named().points;
    const names = new Set([...Object.keys(kept.points), ...Object.keys(now)]);
    const differs = [...names].some((name) => {
      const [a, b] = [kept.points[name], now[name]];
      return !a || !b || !sameAs(a, b, 0.05);
    });
    if (!differs) return this.forget();
    if (kept.carry) return this.bring(kept);
    const when = new Date(kept.time).toLocaleTimeString([], { timeStyle: "short" });
    one(".earlier p").textContent = worded("Picked here at {0}, other than shown now (points: {1}).", when, Object.keys(kept.points).length);
    one(".earlier").hidden = false;
    press("[data-bring]", () => this.bring(kept));
    press("[data-forget]", () => this.forget());
  },
};
