// The loupe: pick named points in a picture with a lens, a mouse, a finger or only the keyboard.
// The number boxes of the form are the truth; this script only moves them. What a finder proposes is dashed until taken.
"use strict";

const root = document.querySelector(".loupe");
const one = (selector, within = root) => within.querySelector(selector);
const stage = one("canvas.picture");
const lens = one("canvas.lens");
const status = one(".status");
const outline = root.elements.outline;
const rows = all(".points li");
const spots = all(".diagram [data-point]");
const places = all("[data-place]");
const picture = new Image();
const REACH = 32; // screen pixels within which a finger takes hold of the current point
const NEAREST = 24; // times nearer than the whole picture
const GUESS = "a guess"; // what the finder says of the least sure
const [GUESSED, CONFIRMED] = ["guessed", "confirmed"]; // by a network, then by a hand
const ORIGINS = JSON.parse(root.dataset.origins); // how → sign, words, what they mean
const LOOKING = {
  dot: worded("Looking for the nearest dot…"), edge: worded("Looking for the nearest edge…"), corner: worded("Looking for the nearest corner…"),
};

let current = Math.max(0, rows.findIndex((row) => boxes(row)[0].value === ""));
let pointer = null; // where the lens looks while the mouse is over the picture
let power = 4; // screen pixels for one pixel of the picture, in the lens
let view = { zoom: 1, x: 0, y: 0 }; // the picture's place in the stage's middle
let found = { points: {}, outline_px: [], notes: [] };
let past = [];
let future = [];
let [joining, until] = ["", 0]; // the change that more of the same belong to, and how long
const hearers = []; // told the current point after each change
const painters = []; // draw on the stage, beneath the points
const besides = { read: () => null, write() {} }; // what else is taken back with the points

// --- the record: boxes of a row, and the whole of them ---

function boxes(row) {
  return all("input", row); // x, y, how, u
}

function read(row) {
  const [x, y, how, u] = boxes(row).map((box) => box.value);
  const at = [x, y].map((text) => Number.parseFloat(text.replace(",", ".")));
  return at.every(Number.isFinite) ? { x: at[0], y: at[1], how: how || "hand", u } : null;
}

function write(row, point) {
  const tidy = (value) => String(Number(value.toFixed(2)));
  const values = point ? [tidy(point.x), tidy(point.y), point.how ?? "hand", String(point.u ?? "")] : ["", "", "", ""];
  boxes(row).forEach((box, i) => { box.value = values[i]; });
}

function state() {
  return { at: current, rows: rows.map(read), outline: Boolean(outline?.checked), besides: besides.read() };
}

function restore(state) {
  besides.write(state.besides);
  rows.forEach((row, i) => write(row, state.rows[i]));
  if (outline) outline.checked = state.outline;
  joining = "";
  choose(state.at);
}

// Remember what is before a change; small ones of one kind that follow each other are one.
function remember(what = "", before = state()) {
  const now = performance.now();
  if (what === "" || joining !== what || now > until) past.push(before);
  joining = what;
  until = /^nudge/.test(what) ? now + 900 : Infinity; // a drag is one change, however long it takes
  future = [];
}

function step(from, to) {
  if (!from.length) return;
  to.push(state());
  restore(from.pop());
}

function put(point, what = "") {
  remember(what && `${what} ${current}`);
  if (what && point && [GUESSED, CONFIRMED].includes(read(rows[current])?.how)) point = { ...point, how: CONFIRMED };
  write(rows[current], point && { ...point, ...within(point) });
  say("");
  follow();
  tell();
}

function within(point) {
  return {
    x: Math.min(Math.max(point.x, 0), picture.naturalWidth - 1),
    y: Math.min(Math.max(point.y, 0), picture.naturalHeight - 1),
  };
}

function choose(index) {
  current = Math.min(Math.max(index, 0), rows.length - 1);
  pointer = null;
  const part = rows[current].closest("details");
  if (part) part.open = true;
  say("");
  follow();
  tell();
}

// The next point that is looked for: those of a closed part only when something was found for them.
function expected(way) {
  let i = current + way;
  while (rows[i] && rows[i].closest("details:not([open])") && !near(rows[i])) i += way;
  return rows[i] ? i : -1;
}

function onward() {
  const next = expected(1);
  if (next >= 0) choose(next);
}

function nextToDo(from) {
  const left = (i) => i > from && !read(rows[i]);
  const next = rows.findIndex((row, i) => left(i) && near(row));
  return next >= 0 ? next : from;
}

// --- words ---

function origin({ how, u }) {
  const px = Number(u) * (how === GUESSED ? 2 : 1); // a guess with its 95 %
  return (ORIGINS[how] ?? ORIGINS.unknown)[1] + (px ? `, ± ${how === GUESSED ? Math.round(px) : px.toFixed(2)} px` : "");
}

function tell() {
  rows.forEach((row, i) => {
    const point = read(row);
    const it = near(row);
    row.toggleAttribute("data-current", i === current);
    one("button", row).setAttribute("aria-pressed", String(i === current));
    const how = one(".how", row);
    [how.dataset.sign, , how.title] = (point && ORIGINS[point.how]) || ["", "", ""];
    how.textContent = point ? origin(point) : it ? worded("found ({0}): {1}", worded(it.sure), it.by) : "";
  });
  for (const part of all("details.part")) {
    const own = all("li", part);
    one(".count", part).textContent = worded("{0} of {1}", own.filter(read).length, own.length);
  }
  for (const spot of spots) spot.classList.toggle("now", spot.dataset.point === rows[current].dataset.name);
  const { label, name } = rows[current].dataset;
  const point = read(rows[current]);
  const it = near(rows[current]);
  status.textContent = point
    ? `${label}: ${point.x.toFixed(1)}, ${point.y.toFixed(1)} px, ${origin(point)}`
    : `${label}: ${worded("not picked yet")}${it ? `. ${worded("Found ({0})", worded(it.sure))}` : ""}`;
  if (one("[data-take]")) {
    one("[data-take]").disabled = !it || (point && sameAs(point, it));
    const left = takeable().length;
    one("[data-take-all]").disabled = left === 0;
    one("[data-take-all]").textContent = left ? worded("Take all {0}", left) : worded("Take all");
  }
  for (const also of hearers) also(point);
  one("[data-undo]").disabled = past.length === 0;
  one("[data-redo]").disabled = future.length === 0;
  draft.keep();
  draw();
}

function say(words) {
  one(".said").textContent = words;
}

// --- what the finder proposes ---

function sameAs(a, b, px = 0.02) {
  return Math.hypot(a.x - b.x, a.y - b.y) < px;
}

function near(row) {
  const it = found.points[row.dataset.name];
  const how = it?.origin ?? "proposed";
  return it && { x: it.uv_px[0], y: it.uv_px[1], how, u: it.u_px.toFixed(3), sure: it.sure, by: it.how };
}

// What may be taken at once: found for points that are not picked, and more than a guess.
function takeable() {
  return rows.filter((row) => !read(row) && (near(row)?.sure ?? GUESS) !== GUESS);
}

function take() {
  const it = near(rows[current]);
  if (!it) return say(worded("Nothing was found for this point. Pick it by hand."));
  put(it);
  if (it.how !== GUESSED) choose(nextToDo(current));
}

function takeAll() {
  remember();
  for (const row of takeable()) write(row, near(row));
  if (outline && found.outline_px.length) outline.checked = true;
  choose(nextToDo(current));
}

// What the studio answers, or a problem in words.
async function ask(address) {
  try {
    const answer = await fetch(address, { headers: { Accept: "application/json" } });
    const told = await answer.json();
    return answer.ok ? told : { problem: told.problem };
  } catch {
    return { problem: worded("The studio did not answer.") };
  }
}

// An answer that comes at once is not announced by a flash; one that takes long says that nobody has to wait.
async function look() {
  const words = one("[data-found]");
  const busy = [
    [300, worded("Looking for marks…")],
    [5000, worded("Still looking for marks. Pick by hand meanwhile, or leave: picks are kept.")],
  ].map(([ms, text]) => setTimeout(() => { words.dataset.busy = ""; words.textContent = text; }, ms));
  const told = await ask(root.dataset.proposals);
  busy.forEach(clearTimeout);
  delete words.dataset.busy;
  if (told.problem) words.textContent = worded("No marks are proposed: {0} You can pick by hand.", told.problem);
  else {
    found = told;
    const count = rows.filter(near).length;
    words.textContent = count ? worded("{0} points found, drawn dashed.", count)
      : worded("Nothing was found. Pick the points by hand.");
    list(found.notes);
  }
  root.dataset.looked = "";
  tell();
}

function list(notes) {
  for (const note of notes) one(".finder").append(Object.assign(document.createElement("li"), { textContent: note }));
}

async function snap(kind) {
  const at = current;
  const from = read(rows[at]) ?? within(looksAt());
  say(LOOKING[kind]);
  const told = await ask(`${root.dataset.snap}?${new URLSearchParams({ u: from.x, v: from.y, kind })}`);
  const now = read(rows[at]);
  if (current !== at || (now && (now.x !== from.x || now.y !== from.y))) return; // the hand was quicker
  const guess = now ? now.how === GUESSED : near(rows[at])?.sure === GUESS; // was anything found under it?
  if (told.uv_px) put({ x: told.uv_px[0], y: told.uv_px[1], how: `snapped:${kind}`, u: told.u_px.toFixed(3) });
  if (!guess) return say(told.problem ?? told.said);
  say(told.uv_px ? worded("Only a guess stood here. {0}", told.said) : worded("It stays a guess. {0}", told.problem));
}

// --- where the stage looks ---

function fit() {
  return Math.min(stage.width / picture.naturalWidth, stage.height / picture.naturalHeight);
}

function scale() {
  return fit() * view.zoom;
}

// A pixel's centre has whole coordinates, so its square begins half a pixel before.
function onStage(point) {
  return {
    x: (point.x + 0.5 - view.x) * scale() + stage.width / 2,
    y: (point.y + 0.5 - view.y) * scale() + stage.height / 2,
  };
}

function inPicture(event) {
  const frame = stage.getBoundingClientRect();
  return {
    x: ((event.clientX - frame.left) * devicePixelRatio - stage.width / 2) / scale() + view.x - 0.5,
    y: ((event.clientY - frame.top) * devicePixelRatio - stage.height / 2) / scale() + view.y - 0.5,
  };
}

function lookAt(x, y, zoom = view.zoom) {
  view.zoom = Math.min(Math.max(zoom, 1), NEAREST);
  const clamp = (value, whole, shown) =>
    shown >= whole ? whole / 2 : Math.min(Math.max(value, shown / 2), whole - shown / 2);
  view.x = clamp(x, picture.naturalWidth, stage.width / scale());
  view.y = clamp(y, picture.naturalHeight, stage.height / scale());
  draw();
}

// Nearer or farther with one place of the picture kept under the finger.
function zoomAt(event, factor) {
  const kept = inPicture(event);
  lookAt(view.x, view.y, view.zoom * factor);
  const now = inPicture(event);
  lookAt(view.x + kept.x - now.x, view.y + kept.y - now.y);
}

// The stage goes along when the current point is not in it.
function follow() {
  const point = read(rows[current]) ?? near(rows[current]);
  if (!point || !picture.naturalWidth || view.zoom === 1) return;
  const { x, y } = onStage(point);
  const edge = 24 * devicePixelRatio;
  if (x < edge || y < edge || x > stage.width - edge || y > stage.height - edge) lookAt(point.x, point.y);
}

// --- drawing ---

let due = false;

function draw() {
  if (due || !picture.naturalWidth) return;
  due = true;
  requestAnimationFrame(() => { due = false; drawStage(); drawLens(); });
}

// The part of the picture around (x, y) that fills the canvas at `zoom` canvas pixels for one of the picture.
function drawPart(pen, x, y, zoom) {
  const { width, height } = pen.canvas;
  pen.fillStyle = getComputedStyle(root).getPropertyValue("--wash");
  pen.fillRect(0, 0, width, height);
  const left = Math.max(0, x - width / 2 / zoom);
  const top = Math.max(0, y - height / 2 / zoom);
  const across = Math.min(picture.naturalWidth, x + width / 2 / zoom) - left;
  const down = Math.min(picture.naturalHeight, y + height / 2 / zoom) - top;
  if (across <= 0 || down <= 0) return;
  pen.drawImage(picture, left, top, across, down,
    (left - x) * zoom + width / 2, (top - y) * zoom + height / 2, across * zoom, down * zoom);
}

function drawStage() {
  const pen = sized(stage);
  lookAtAgain();
  drawPart(pen, view.x, view.y, scale());
  if (found.outline_px.length) {
    pen.beginPath();
    for (const [x, y] of found.outline_px) {
      const at = onStage({ x, y });
      pen.lineTo(at.x, at.y);
    }
    pen.closePath();
    inked(pen, devicePixelRatio, 1, "#1a1a1a", outline?.checked ? [] : [4, 5], 1.4);
  }
  for (const paint of painters) paint(pen);
  marks((point) => onStage(point), pen, 11, 7, 8);
}

// A canvas that changed its size keeps its place.
function lookAtAgain() {
  due = true;
  lookAt(view.x || picture.naturalWidth / 2, view.y || picture.naturalHeight / 2);
  due = false;
}

function drawLens() {
  const pen = sized(lens);
  const zoom = power * devicePixelRatio;
  const at = looksAt();
  pen.imageSmoothingEnabled = false;
  drawPart(pen, at.x + 0.5, at.y + 0.5, zoom);
  const place = (point) => ({ x: (point.x - at.x) * zoom + lens.width / 2, y: (point.y - at.y) * zoom + lens.height / 2 });
  marks(place, pen, 40, 16, 16);
}

function ink(i) {
  return i === current ? [2, "#b3003c"] : [1.2, "#1a1a1a"];
}

function marks(place, pen, strong, weak, round) {
  const names = [];
  const zoom = place({ x: 1, y: 0 }).x - place({ x: 0, y: 0 }).x;
  const ring = (it, at) => { // as wide as its u
    const r = Math.max(round * devicePixelRatio, it.how === GUESSED ? it.u * zoom : 0);
    pen.moveTo(at.x + r, at.y);
    pen.arc(at.x, at.y, r, 0, 2 * Math.PI);
  };
  for (const i of [...rows.keys()].filter((k) => k !== current).concat(current)) { // the current one on top
    const [point, it] = [read(rows[i]), near(rows[i])];
    if (it && (!point || (i === current && !sameAs(point, it)))) {
      const at = place(it);
      pen.beginPath();
      ring(it, at);
      inked(pen, devicePixelRatio, ...ink(i), it.sure === GUESS ? [1, 3] : [4, 3]);
      if (!point) names.unshift([i, at]);
    }
    if (!point) continue;
    const at = place(point);
    const [arm, gap] = [i === current ? strong : weak, 3].map((length) => length * devicePixelRatio);
    cross(pen, at.x, at.y, gap, arm);
    if (point.how === GUESSED) ring(point, at);
    inked(pen, devicePixelRatio, ...ink(i), point.how === GUESSED ? [1, 3] : []);
    if (pen.canvas === stage || i !== current) names.unshift([i, at]);
  }
  const taken = [];
  for (const [i, at] of names) name(pen, i, at, taken);
}

// A name is left out where it would lie over another.
function name(pen, i, at, taken) {
  const unit = devicePixelRatio;
  const label = rows[i].dataset.short;
  pen.font = `${(i === current ? 15 : 13) * unit}px sans-serif`;
  const [x, y, wide, high] = [at.x + 8 * unit, at.y - 8 * unit, pen.measureText(label).width, 15 * unit];
  if (taken.some((t) => x < t.x + t.wide && t.x < x + wide && y < t.y + high && t.y < y + high)) return;
  taken.push({ x, y, wide });
  pen.lineWidth = 4 * unit;
  pen.strokeStyle = HALO;
  pen.strokeText(label, x, y);
  pen.fillStyle = ink(i)[1];
  pen.fillText(label, x, y);
}

function looksAt() {
  return pointer ?? read(rows[current]) ?? near(rows[current])
    ?? { x: view.x || picture.naturalWidth / 2, y: view.y || picture.naturalHeight / 2 };
}

// --- mouse and fingers ---

const held = new Map(); // pointers that are down
let gesture = null; // what the first of them does: "move" the point, "pan" the picture, or wait to be a "tap"
const NEVER = { timeStamp: -Infinity, clientX: 0, clientY: 0 };
let lastTap = NEVER;

function apart(a, b) {
  return Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY);
}

// How far the current point lies from a pointer, in screen pixels.
function fromPoint(event) {
  const point = read(rows[current]);
  if (!point) return Infinity;
  const there = inPicture(event);
  return Math.hypot(point.x - there.x, point.y - there.y) * scale() / devicePixelRatio;
}

// A gesture that turns out to be another one takes back what it did.
function takeBackGesture() {
  if (!gesture.before) return;
  restore(gesture.before);
  past.length = gesture.past;
  future = gesture.future;
  tell();
}

on(stage, "pointerdown", (event) => {
  if (event.button > 1) return;
  stage.focus({ preventScroll: true });
  stage.setPointerCapture(event.pointerId);
  pointer = null;
  held.set(event.pointerId, event);
  if (held.size === 2) {
    takeBackGesture();
    gesture = { does: "pinch" };
    return;
  }
  const finger = event.pointerType === "touch";
  const does = event.shiftKey || event.button === 1 ? "pan"
    : fromPoint(event) < (finger ? REACH : 10) ? "grab" : finger && view.zoom > 1 ? "tap" : "move";
  gesture = { does, from: event, point: read(rows[current]), before: state(), past: past.length, future: [...future] };
  if (does === "move") put(inPicture(event), "drag");
});

on(stage, "pointermove", (event) => {
  const last = held.get(event.pointerId);
  if (!last) {
    pointer = within(inPicture(event));
    return draw();
  }
  const before = [...held.values()];
  held.set(event.pointerId, event);
  const [a, b] = held.values();
  if (gesture.does === "pinch") {
    pan((event.clientX - last.clientX) / 2, (event.clientY - last.clientY) / 2);
    const middle = { clientX: (a.clientX + b.clientX) / 2, clientY: (a.clientY + b.clientY) / 2 };
    zoomAt(middle, apart(a, b) / Math.max(apart(...before), 1));
  } else if (gesture.does === "pan") pan(event.clientX - last.clientX, event.clientY - last.clientY);
  else if (gesture.does === "tap" && apart(event, gesture.from) > 8) gesture.does = "pan";
  else if (gesture.does === "move") put(inPicture(event), "drag");
  else if (gesture.does === "grab" && (gesture.moved || apart(event, gesture.from) > 3)) {
    gesture.moved = true; // held beside the finger, that does not hide it
    const [to, from] = [inPicture(event), inPicture(gesture.from)];
    put({ x: gesture.point.x + to.x - from.x, y: gesture.point.y + to.y - from.y }, "drag");
  }
});

function pan(dx, dy) {
  const per = devicePixelRatio / scale();
  lookAt(view.x - dx * per, view.y - dy * per);
}

function lift(event) {
  if (!held.delete(event.pointerId)) return;
  if (event.type === "pointercancel") takeBackGesture();
  else if (gesture.does !== "pinch" && gesture.does !== "pan" && !gesture.moved) tapped(event);
  joining = "";
  if (gesture.does === "pinch" && held.size) gesture = { does: "pan" };
  if (event.pointerType === "touch") pointer = null;
}

function tapped(event) {
  const twice = event.pointerType === "touch" && event.timeStamp - lastTap.timeStamp < 350 && apart(event, lastTap) < 30;
  if (twice) {
    takeBackGesture();
    step(past, []); // what the first tap placed
    zoomAt(event, view.zoom > 1 ? 0 : 6);
  } else if (gesture.does !== "move") put(inPicture(event));
  lastTap = twice ? NEVER : event;
}

on(stage, "pointerup pointercancel", lift);
on(stage, "pointerleave", () => { pointer = null; draw(); });
on(stage, "wheel", (event) => {
  if (!event.ctrlKey && document.activeElement !== stage) return; // the page scrolls on
  event.preventDefault();
  zoomAt(event, Math.exp(-event.deltaY * (event.ctrlKey ? 0.01 : 0.0016)));
}, { passive: false });

// In the lens a tap goes to the place; a drag moves the picture under the cross.
let inLens = null;
on(lens, "pointerdown", (event) => {
  lens.setPointerCapture(event.pointerId);
  inLens = { from: event, at: looksAt(), moved: false };
});
on(lens, "pointermove", (event) => {
  if (!inLens || (!inLens.moved && apart(event, inLens.from) < 4)) return;
  inLens.moved = true;
  const { from, at } = inLens;
  put({ x: at.x - (event.clientX - from.clientX) / power, y: at.y - (event.clientY - from.clientY) / power }, "lens");
});
on(lens, "pointerup pointercancel", (event) => {
  if (event.type === "pointerup" && inLens && !inLens.moved) {
    const frame = lens.getBoundingClientRect();
    put({
      x: inLens.at.x + (event.clientX - frame.left - frame.width / 2) / power,
      y: inLens.at.y + (event.clientY - frame.top - frame.height / 2) / power,
    });
  }
  inLens = null;
  joining = "";
});

// --- keys and buttons ---

on(stage, "keydown", (event) => {
  const arrow = ARROWS[event.key];
  const command = event.ctrlKey || event.metaKey;
  const key = event.key.toLowerCase();
  if (arrow) {
    const size = command ? 20 : event.shiftKey ? 1 : 0.1;
    const from = read(rows[current]) ?? looksAt();
    pointer = null;
    put({ x: from.x + arrow[0] * size, y: from.y + arrow[1] * size }, "nudge");
  } else if (command && key === "z") event.shiftKey ? step(future, past) : step(past, future);
  else if (command && key === "y") step(future, past);
  else if (command || event.altKey) return;
  else if (event.key === "Tab") {
    const next = expected(event.shiftKey ? -1 : 1);
    if (next < 0) return; // the picture is left at either end of the list
    choose(next);
  } else if (event.key === "Enter") onward();
  else if (event.key === "Escape") one(".save button").focus();
  else if (event.key === "Delete" || event.key === "Backspace") put(null);
  else if (key === "p" && root.dataset.proposals) event.shiftKey ? takeAll() : take();
  else if (key === "s" && root.dataset.snap) snap(rows[current].dataset.snap);
  else if (key === "+" || key === "=" || key === "-") nearer(key === "-" ? 0.5 : 2);
  else if (key === "0") nearer(0);
  else if ("248".includes(key)) lensPower(Number(key));
  else return;
  event.preventDefault();
});

// Nearer to the current point or farther; 0 shows the whole picture.
function nearer(factor) {
  const at = read(rows[current]) ?? looksAt();
  lookAt(at.x, at.y, view.zoom * factor);
}

function lensPower(times) {
  power = times;
  for (const box of root.elements.power) box.checked = Number(box.value) === times;
  draw();
}

rows.forEach((row, i) => {
  on(one("button", row), "click", () => { choose(i); stage.focus({ preventScroll: true }); });
  let before = null;
  for (const box of boxes(row).slice(0, 2)) {
    on(box, "focus", () => { choose(i); before = state(); });
    on(box, "change", () => {
      remember("", before);
      const [, , how, u] = boxes(row);
      how.value = "hand";
      u.value = "";
      before = state();
      tell();
    });
  }
});

function press(selector, does) {
  for (const button of all(selector, root)) on(button, "click", () => does(button));
}

press("[data-undo]", () => step(past, future));
press("[data-redo]", () => step(future, past));
press("[data-next]", () => { onward(); stage.focus({ preventScroll: true }); });
press("[data-take]", take);
press("[data-take-all]", takeAll);
press("[data-kind]", (button) => snap(button.dataset.kind));
press("[data-zoom]", (button) => nearer(Number(button.dataset.zoom)));
press("[name=power]", (box) => lensPower(Number(box.value)));
outline?.addEventListener("change", () => {
  remember("", { ...state(), outline: !outline.checked });
  tell();
});

// Another foot or moment: the picks come along.
for (const select of places) {
  on(select, "change", () => {
    draft.keep({ carry: true });
    const query = new URLSearchParams(location.search);
    for (const each of places) query.set(each.name, each.value);
    location.search = query;
  });
}

addEventListener("resize", draw);
on(picture, "load", () => {
  sized(stage);
  lookAtAgain();
  draft.offer();
  tell();
});
on(picture, "error", () => { status.textContent = worded("The picture cannot be shown. The boxes still work."); });
picture.src = root.dataset.picture;
if (root.dataset.proposals) look();
