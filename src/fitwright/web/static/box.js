// The rider's box in the loupe's picture: drawn with a pointer or a finger, or typed; a first guess begins in it.
"use strict";

const boxPart = one("#rider-box");
const edges = ["left", "top", "right", "bottom"].map((name) => root.elements[`box.${name}`]);
const drawing = one("[data-box-draw]");
const away = one("[data-box-away]");
let corner = null; // where a drag began
let keeping = Promise.resolve(); // what is sent waits for what was sent before
const written = () => edges.map((edge) => edge.value).join();
let boxSent = written();

function boxNow() {
  const at = edges.map((edge) => Number.parseFloat(edge.value.replace(",", ".")));
  return at.every(Number.isFinite) ? at : null;
}

function setBox(values) {
  edges.forEach((edge, i) => { edge.value = values[i] ?? ""; });
  draw();
}

function toggle(on) {
  drawing.setAttribute("aria-pressed", String(on));
  stage.classList.toggle("drawing-box", on);
  if (!on) return;
  stage.focus({ preventScroll: true });
  stage.scrollIntoView({ block: "nearest" });
}

const drawn = () => drawing.getAttribute("aria-pressed") === "true";

// The studio keeps it, or says what is wrong with it; then the guess looks again. One after another: what was typed
// last is kept last, and nothing is said of what has been changed since.
function keepBox() {
  if (written() !== boxSent) one("[data-box-said]").textContent = "";
  keeping = keeping.then(sendBox, sendBox);
}

async function sendBox() {
  const now = written();
  if (now === boxSent) return;
  const body = new FormData(root);
  const told = await fetch(boxPart.dataset.box, { method: "POST", body, headers: { Accept: "application/json" } })
    .then((answer) => answer.json()).catch(() => ({ problem: worded("The studio did not answer.") }));
  const wrong = Boolean(told.problem);
  if (!wrong) boxSent = now;
  if (now !== written()) return;
  for (const edge of edges) edge.toggleAttribute("aria-invalid", wrong);
  one("[data-box-said]").textContent = told.problem ?? told.said;
  away.disabled = edges.every((edge) => edge.value === "");
  if (!wrong && root.dataset.guesses) guess();
}

// A drag from one corner to the other, before the loupe takes it for a point.
function corners(event) {
  const [a, b] = [corner, within(inPicture(event))];
  return [Math.min(a.x, b.x), Math.min(a.y, b.y), Math.max(a.x, b.x), Math.max(a.y, b.y)].map((x) => String(Math.round(x)));
}

const DRAG = {
  pointerdown(event) {
    if (!drawn() || event.button) return false;
    remember();
    corner = within(inPicture(event));
    stage.setPointerCapture(event.pointerId);
    return true;
  },
  pointermove(event) {
    if (corner) setBox(corners(event));
    return corner;
  },
  pointerup(event) {
    if (!corner) return false;
    setBox(corners(event));
    corner = null;
    toggle(false);
    tell();
    keepBox();
    return true;
  },
  pointercancel() {
    const held = corner;
    corner = null;
    if (held) step(past, []);
    return held;
  },
};
for (const [kind, does] of Object.entries(DRAG)) {
  stage.addEventListener(kind, (event) => {
    if (!does(event)) return;
    event.stopImmediatePropagation();
    event.preventDefault();
  }, { capture: true });
}

stage.addEventListener("keydown", (event) => {
  if (event.key !== "Escape" || !drawn()) return;
  event.stopImmediatePropagation();
  toggle(false);
}, { capture: true });

on(drawing, "click", () => toggle(!drawn()));
on(away, "click", () => { remember(); setBox([]); tell(); keepBox(); });
for (const edge of edges) {
  let before = null;
  on(edge, "focus", () => { before = state(); });
  on(edge, "change", () => { remember("", before); before = state(); draw(); tell(); keepBox(); });
  on(edge, "keydown", (event) => {
    const way = { ArrowUp: 1, ArrowDown: -1 }[event.key];
    if (!way) return;
    event.preventDefault();
    remember(`nudge ${edge.name}`, state());
    const most = /left|right/.test(edge.name) ? picture.naturalWidth : picture.naturalHeight;
    const from = Number.parseFloat(edge.value) || 0;
    edge.value = String(Math.min(Math.max(from + way * (event.shiftKey ? 1 : 10), 0), most));
    before = state();
    draw();
    tell();
  });
  on(edge, "blur", keepBox);
}

// Taken back and done again with the points.
besides.read = () => edges.map((edge) => edge.value);
besides.write = (values) => { if (values) { setBox(values); keepBox(); } };

painters.push((pen) => {
  const at = boxNow();
  if (!at) return;
  const [a, b] = [onStage({ x: at[0], y: at[1] }), onStage({ x: at[2], y: at[3] })];
  pen.beginPath();
  pen.rect(a.x, a.y, b.x - a.x, b.y - a.y);
  inked(pen, devicePixelRatio, 1.6, "#1a1a1a", [8, 4]);
});
draw();
