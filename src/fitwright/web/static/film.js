// The film: played, stepped, scrubbed by time and crank angle, its points over it; a second film at the same angle.
// The canvas shows the frame whose number is told: each frame the browser presents is drawn with its own points.
"use strict";

const film = document.querySelector("#film");
const one = (selector, within = film) => within.querySelector(selector);
const text = (name, words) => { one(`[data-${name}]`).textContent = words; };
const gate = one(".gate");
const form = one("form.mend");
const lens = one("canvas.lens");
const scrubTime = one('[data-scrub="time"]');
const scrubAngle = one('[data-scrub="angle"]');
const pointSelect = form.elements.name;
const TIMES = 10; // how much larger than it is a ring of ± is drawn
const REACH = 26; // screen pixels within which a finger means a point
const FAR_S = 0.25; // so far behind a film jumps, nearer it only plays faster
const SEEK_S = 0.05; // what a jump takes, about
const CATCH_UP = 3; // of what it is behind, a film catches up so much in a second
const POWER = 4; // screen pixels for one pixel of the film, in the lens
let candidate = null; // where the chosen point shall be in this frame, while it is corrected
let sharp = null; // this frame in full size, while a point is corrected
let aim = null; // the turn and angle that were asked for last
let saving = false;

// Where a value belongs in an increasing list.
function rank(list, value) {
  const after = list.findIndex((x) => x >= value);
  return after < 0 ? list.length : after;
}

// The place in an increasing list that is nearest to a value.
function nearest(list, value) {
  const after = Math.min(rank(list, value), list.length - 1);
  return after > 0 && value - list[after - 1] < list[after] - value ? after - 1 : after;
}

// The value beside x on the line through increasing xs and their ys; its end beyond them.
function between(xs, ys, x) {
  const after = clamp(Math.max(rank(xs, x), 1), xs.length - 1);
  const share = (x - xs[after - 1]) / (xs[after] - xs[after - 1]);
  return ys[after - 1] + clamp(Math.max(share, 0), 1) * (ys[after] - ys[after - 1]);
}

class Reel {
  constructor(root) {
    this.root = root;
    this.video = one("video", root);
    this.canvas = one("canvas", root);
    this.still = new Image();
    on(this.still, "load", () => { this.present(this.wanted); });
    this.frame = this.wanted = 0;
    this.data = null;
    on(this.video, "seeked", () => this.sought());
    on(this.video, "loadeddata", () => this.show(this.wanted));
    this.listen();
  }

  listen() {
    this.video.requestVideoFrameCallback?.((_, told) => {
      if (this.data) this.present(this.frameAt(told.mediaTime));
      this.listen();
    });
  }

  async load() {
    const told = this.data = await fetch(this.root.dataset.data).then((answer) => answer.json());
    this.count = told.time_s.length;
    this.known = []; // frames in which the crank's angle has grown, so that an angle finds its frame
    told.theta_deg.forEach((theta, frame) => {
      if (theta !== null && theta > (this.known.at(-1)?.theta ?? -Infinity)) this.known.push({ theta, frame });
    });
    this.angles = this.known.map((k) => k.theta);
    this.moments = this.known.map((k) => told.time_s[k.frame] - told.time_s[0]); // of the copy, at those angles
    this.firstTurn = Math.floor(this.angles[0] / 360);
    this.turns = Math.floor(this.angles.at(-1) / 360) - this.firstTurn + 1 || 0;
    if (told.copy && !this.video.getAttribute("src")) this.video.src = told.copy;
  }

  get copied() { return Boolean(this.data?.copy) && this.video.readyState >= 2; }

  get picture() { return this.data.copy ? this.copied && this.video : this.still.naturalWidth > 0 && this.still; }

  // The frame that is shown at a time of the copy, whose times are those of the film less the first.
  frameAt(time) { return clamp(rank(this.data.time_s, time + this.data.time_s[0] + 2e-4) - 1, this.count - 1); }

  show(frame) {
    if (!this.count) return;
    this.wanted = clamp(frame, this.count - 1);
    this.tries = 3; // another frame may be wanted by then, and a browser that was just stopped may seek elsewhere
    if (!this.data.copy) this.still.src = this.stillAt(this.wanted);
    else if (this.video.readyState && !this.video.seeking) this.seek();
  }

  stillAt(frame) { return `${this.root.dataset.still}?t=${this.data.time_s[frame].toFixed(6)}`; }

  seek() { // to the frame's middle, so that no rounding gives the one beside it
    const t = this.data.time_s;
    const [since, until] = [t[this.wanted], t[this.wanted + 1] ?? t[this.wanted] + 0.004];
    this.video.currentTime = (since + until) / 2 - t[0];
  }

  sought() {
    if (!this.data) return;
    const frame = this.frameAt(this.video.currentTime);
    if (this.video.paused && frame !== this.wanted && this.tries-- > 0) this.seek();
    else this.present(frame);
  }

  present(frame) {
    this.frame = frame;
    if (!this.video.paused) this.wanted = frame;
    this.draw();
    this.root.dataset.frame = frame;
    if (this === main) told();
    else this.tell();
  }

  // Where the crank is in this frame, or null.
  get crank() {
    const theta = this.data?.theta_deg[this.frame] ?? null;
    return theta === null ? null : { turn: Math.floor(theta / 360) - this.firstTurn, angle: mod(theta) };
  }

  get seconds() { return `${this.data.time_s[this.frame].toFixed(3)} s`; }

  // The frame nearest to an angle within a turn (the first and last turn may be parts); null when no angle is known.
  frameOf({ turn, angle }) {
    return this.turns ? this.known[nearest(this.angles, 360 * (this.firstTurn + turn) + angle)].frame : null;
  }

  // The frame of another film's crank angle, unless it was asked for already; turns that this one lacks begin again.
  showLike({ turn, angle }) {
    const frame = this.frameOf({ turn: turn % this.turns, angle });
    if (frame !== this.wanted) this.show(frame);
  }

  get pace() { return (this.moments.at(-1) - this.moments[0]) / (this.angles.at(-1) - this.angles[0]); }

  // Where this film's copy is at the crank angle of a moment of another one's.
  momentLike(lead, moment) {
    const theta = between(lead.moments, lead.angles, moment);
    const turn = (Math.floor(theta / 360) - lead.firstTurn) % this.turns;
    return between(this.angles, this.moments, 360 * (this.firstTurn + turn) + mod(theta));
  }

  // Play along with another film: as much faster or slower as the crank turns, and what is off is caught up softly.
  playAlong(lead) {
    const { video } = this;
    if (!this.copied || video.seeking) return;
    const behind = this.momentLike(lead, lead.video.currentTime) - video.currentTime;
    const rate = lead.video.playbackRate * this.pace / lead.pace;
    if (Math.abs(behind) > FAR_S) video.currentTime += behind + SEEK_S * rate;
    const asked = clamp(Math.max(rate + CATCH_UP * behind, rate / 4, 0.0625), 4 * rate);
    if (Math.abs(video.playbackRate - asked) > 0.01 * rate) video.playbackRate = asked;
    if (video.paused && !video.ended) video.play().catch(() => {});
  }

  tell() {
    const { crank } = this;
    const angle = crank ? worded("{0}°, turn {1} of {2}", Math.round(crank.angle), crank.turn + 1, this.turns) : worded("crank angle not known");
    one("[data-told]", this.root).textContent = worded("{0}, frame {1} of {2}, {3}", this.seconds, this.frame + 1, this.count, angle);
  }

  // Film pixels to canvas pixels; a second film is drawn at the first one's scale, with the crank at the same place.
  placing() {
    const s = main.canvas.width / (main.data?.size_px[0] || main.canvas.width);
    const [a, b] = [main.data?.scale, this.data.scale];
    if (this === main || !a || !b) return { s: this.canvas.width / this.data.size_px[0], x: 0, y: 0 };
    const own = s * b.mm_per_px / a.mm_per_px;
    return { s: own, x: a.centre[0] * s - b.centre[0] * own, y: a.centre[1] * s - b.centre[1] * own };
  }

  // The canvas has the copy's pixels, or more on a fine screen; its shape is the first film's.
  draw() {
    if (!this.data) return;
    const pen = this.canvas.getContext("2d");
    const { s, x, y } = this.placing();
    const [wide, high] = this.data.size_px;
    pen.fillStyle = getComputedStyle(film).getPropertyValue("--wash");
    pen.fillRect(0, 0, this.canvas.width, this.canvas.height);
    if (this.picture) pen.drawImage(this.picture, x, y, wide * s, high * s);
    const unit = this.canvas.width / Math.max(this.canvas.clientWidth, 1);
    const put = (at) => [(at.u + 0.5) * s + x, (at.v + 0.5) * s + y];
    pen.beginPath();
    for (const ends of this.data.lines) {
      const [a, b] = ends.map((i) => this.place(this.data.points[i]));
      if (!a || !b) continue;
      pen.moveTo(...put(a));
      pen.lineTo(...put(b));
    }
    inked(pen, unit, 1, "#1a1a1a");
    for (const point of this.data.points) {
      const at = this.place(point);
      if (at) this.mark(pen, point, at, ...put(at), s, unit);
    }
  }

  // Where a point is in this frame; without a ± it was not seen and is put where it should be.
  place(point) {
    if (candidate && this === main && point.name === pointSelect.value) return { ...candidate, seen: true, spread: 0 };
    const [u, v, spread] = [point.u, point.v, point.u_px].map((values) => values[this.frame]);
    return u === null ? null : { u, v, seen: spread !== null, spread: spread ?? 0 };
  }

  mark(pen, point, at, u, v, s, unit) {
    const chosen = this === main && point.name === pointSelect.value;
    const ink = point.side === "left" ? "#0072b2" : "#d55e00";
    const arm = (chosen ? 13 : 7) * unit;
    if (at.seen) {
      cross(pen, u, v, 2.5 * unit, arm);
      inked(pen, unit, chosen ? 2 : 1.4, ink);
    }
    pen.beginPath(); // ± 95 % times ten; a hollow point of a fixed size when it was not seen
    pen.arc(u, v, at.seen ? Math.max(2 * at.spread * TIMES * s, unit) : arm, 0, 2 * Math.PI);
    inked(pen, unit, chosen ? 2 : 1.2, ink, at.seen ? [] : [3, 3]);
  }
}

const clamp = (value, most) => Math.min(Math.max(value, 0), most);
const mod = (angle) => ((angle % 360) + 360) % 360;
const reels = all(".reel").map((root) => new Reel(root));
const [main, other] = reels;

// --- telling: numbers, dial, curves, and the film beside ---

function told() {
  if (!main.data) return;
  main.tell();
  const { crank } = main;
  scrubTime.value = main.frame;
  scrubTime.setAttribute("aria-valuetext", one("[data-told]").textContent);
  if (crank && document.activeElement !== scrubAngle) scrubAngle.value = Math.round(crank.angle) % 360;
  text("time-told", main.seconds);
  text("angle-told", crank ? `${Math.round(crank.angle)}°` : "–");
  text("turn-told", crank ? worded("turn {0} of {1}", crank.turn + 1, main.turns) : worded("turn – of –"));
  one(".dial").classList.toggle("unknown", !crank);
  one(".dial g").setAttribute("transform", `rotate(${crank?.angle ?? 0} 50 50)`);
  for (const chart of charts) chart.at(crank);
  if (crank && other?.turns) {
    if (main.video.paused) other.showLike(crank);
    else other.playAlong(main);
  }
  if (!candidate) tellPlace();
  drawLens();
}

function drawn(parent, tag, values) {
  const made = parent.appendChild(document.createElementNS("http://www.w3.org/2000/svg", tag));
  for (const [key, value] of Object.entries(values)) made.setAttribute(key, value);
  return made;
}

// A line at the current angle over a chart, a mark on each curve, and the values in words.
class Turning {
  constructor(figure) {
    Object.assign(this, JSON.parse(figure.dataset.chart));
    this.now = one("[data-now]", figure);
    this.group = drawn(one("svg", figure), "g", { class: "moving" });
  }

  at(crank) {
    this.group.replaceChildren();
    this.now.textContent = "\u00a0";
    if (!crank) return;
    const [x0, x1, y0, y1, low, high] = this.plot;
    const words = [];
    for (const line of this.lines) {
      const own = mod(crank.angle + (line.side === "left" ? main.data.other_leg_deg : 0));
      const x = x0 + own / 360 * (x1 - x0);
      drawn(this.group, "line", { x1: x, x2: x, y1, y2: y0 });
      const value = line.mean[Math.round(own) % 360];
      if (value === null) continue;
      const y = y0 - (value - low) / (high - low) * (y0 - y1);
      const state = `${line.side} ${line.state}`;
      const shape = line.side === "left" ? "m-5 0a5 5 0 1 0 10 0a5 5 0 1 0-10 0z" : "m0-6l5.5 10h-11z";
      drawn(this.group, "path", { d: `M${x} ${y}${shape}`, class: state });
      const half = line.half[Math.round(own) % 360]; // half the interval that holds the true value in 95 of 100 cases
      const sure = half === null ? "" : ` ± ${half.toFixed(1)}`;
      words.push(`${worded(line.side)} ${worded(line.state)} ${value.toFixed(1).replace("-", "−")}${sure}${this.unit === "deg" ? "°" : ` ${this.unit}`}`);
    }
    this.now.textContent = worded("At {0}°: {1}", Math.round(crank.angle), words.join(", "));
  }
}

let charts = [];

// --- going through the film ---

function go(frame) {
  leave();
  aim = null;
  main.video.pause();
  main.show(frame);
}

// What was asked for is remembered, as the nearest frame may lie in the turn before.
function turnTo(change) {
  const from = aim ?? main.crank;
  if (!from) return;
  const to = change(from);
  go(main.frameOf(to));
  aim = to;
}

const turnBy = (way) => turnTo(({ turn, angle }) => ({ turn: clamp(turn + way, main.turns - 1), angle }));

async function play() {
  leave();
  aim = null;
  if (!main.data?.copy) return say(worded("The film plays once its light copy is made."));
  if (!main.video.paused) return main.video.pause();
  main.video.playbackRate = Number(one("[data-rate]").value);
  if (main.frame >= main.count - 1) main.video.currentTime = 0;
  await main.video.play().catch(() => say(worded("The browser did not play it.")));
}

on(main.video, "play pause ended", () => {
  text("play", main.video.paused ? worded("Play") : worded("Pause"));
  if (!main.video.paused) return;
  main.wanted = main.frame;
  if (!other?.turns) return;
  other.video.pause();
  other.wanted = null; // whichever it came to: now to the very frame
  told();
});
on(one("[data-play]"), "click", play);
on(one("[data-rate]"), "change", (event) => { main.video.playbackRate = Number(event.target.value); });
for (const button of all("[data-step]", film)) on(button, "click", () => go(main.wanted + Number(button.dataset.step)));
for (const button of all("[data-turn]", film)) on(button, "click", () => turnBy(Number(button.dataset.turn)));
on(scrubTime, "input", () => go(Number(scrubTime.value)));
on(scrubAngle, "input", () => turnTo(({ turn }) => ({ turn, angle: Number(scrubAngle.value) })));
on(document, "click", (event) => {
  const button = event.target.closest("[data-at], [data-point]");
  if (!button) return;
  choose(button.dataset.of ?? button.dataset.point);
  if (button.dataset.at) go(nearest(main.data.time_s, Number(button.dataset.at)));
});

function weakPlace(way) {
  const ahead = (button) => way * (button.dataset.at - main.data.time_s[main.wanted]);
  const [next] = all("[data-at]").filter((b) => ahead(b) > 1e-3).sort((a, b) => ahead(a) - ahead(b));
  if (!next) return say(way > 0 ? worded("No weak place after this.") : worded("No weak place before this."));
  next.click();
}

// --- a point put right ---

const say = (words) => text("said", words);

const chosen = () => main.data?.points.find((p) => p.name === pointSelect.value);
const chosenPlace = () => chosen() && main.place(chosen());

function choose(name) {
  if (name !== pointSelect.value) leave();
  pointSelect.value = name;
  for (const button of all("[data-point]")) button.setAttribute("aria-pressed", String(button.dataset.point === name));
  moved();
}

function tellPlace() {
  const at = chosenPlace();
  const sure = candidate ? "" : at?.seen ? `, ± ${(1.96 * at.spread).toFixed(2)}` : `, ${worded("not seen here")}`;
  text("place", at ? `${at.u.toFixed(1)}, ${at.v.toFixed(1)} px${sure}` : worded("not seen in this film"));
}

function mend() {
  if (!chosen()) return;
  const at = chosenPlace();
  main.video.pause();
  const [u, v] = at ? [at.u, at.v] : main.data.size_px.map((size) => size / 2);
  candidate = { u, v };
  sharp = new Image();
  on(sharp, "load", drawLens);
  sharp.src = main.stillAt(main.frame);
  one("[data-save]").disabled = false;
  text("mend", worded("Leave it"));
  say(worded("Put the cross where the point is in this frame."));
  gate.focus({ preventScroll: true });
  moved();
  for (const part of [form, gate]) part.scrollIntoView({ block: "nearest" }); // both when there is room
}

function leave() {
  if (!candidate || saving) return;
  candidate = sharp = null;
  one("[data-save]").disabled = true;
  text("mend", worded("Correct it in this frame"));
  say("");
  moved();
}

function moved() {
  film.classList.toggle("correcting", Boolean(candidate));
  main.draw();
  tellPlace();
  drawLens();
}

function nudge(du, dv) {
  const [wide, high] = main.data.size_px;
  const tidy = (value, size) => Number(clamp(value, size - 1).toFixed(2));
  candidate = { u: tidy(candidate.u + du, wide), v: tidy(candidate.v + dv, high) };
  moved();
}

async function send(fields, doing) {
  if (saving) return;
  saving = true;
  say(doing);
  const body = new FormData(form);
  for (const [key, value] of Object.entries({ ...fields, analysed: main.data.analysed })) body.set(key, value);
  const told = await fetch(form.action, { method: "POST", body }).then((answer) => answer.json())
    .catch(() => ({ problem: worded("The studio did not answer. Nothing was changed; try again.") }));
  saving = false;
  if (told.problem) return say(told.problem);
  leave();
  await refresh();
  say(told.said);
}

function save() {
  if (candidate) send({ t: main.data.time_s[main.frame], ...candidate }, worded("Following it again from here…"));
}

on(form, "submit", (event) => { event.preventDefault(); save(); });
on(one("[data-mend]"), "click", () => (candidate ? leave() : mend()));
const [undo, redo] = [one("[data-undo]"), one("[data-redo]")];
on(undo, "click", () => { leave(); send({ action: "undo" }, worded("Taking it back…")); });
on(redo, "click", () => { leave(); send({ action: "redo" }, worded("Doing it again…")); });
on(pointSelect, "change", () => { leave(); choose(pointSelect.value); });

// The lens shows the chosen point; in full sharpness while it is corrected.
function drawLens() {
  const unit = devicePixelRatio;
  const pen = sized(lens);
  const { width: wide, height: high } = lens;
  pen.fillStyle = getComputedStyle(film).getPropertyValue("--wash");
  pen.fillRect(0, 0, wide, high);
  const at = chosenPlace();
  if (!at) return;
  const source = sharp?.naturalWidth ? sharp : main.picture;
  const zoom = POWER * unit;
  const [w, h] = main.data.size_px.map((size) => size * zoom);
  pen.imageSmoothingEnabled = false;
  if (source) pen.drawImage(source, wide / 2 - (at.u + 0.5) * zoom, high / 2 - (at.v + 0.5) * zoom, w, h);
  cross(pen, wide / 2, high / 2, 4 * unit, 36 * unit);
  inked(pen, unit, 1.6, candidate ? "#b3003c" : "#1a1a1a", at.seen ? [] : [4, 3]);
}

// --- keys, mouse, fingers ---

const shrunk = () => main.canvas.clientWidth / main.data.size_px[0];
let dragging = false;
on(gate, "pointerdown", (event) => {
  if (!main.data?.points.length) return;
  const frame = main.canvas.getBoundingClientRect();
  const at = { u: (event.clientX - frame.left) / shrunk() - 0.5, v: (event.clientY - frame.top) / shrunk() - 0.5 };
  const far = (place) => (place ? Math.hypot(place.u - at.u, place.v - at.v) * shrunk() : Infinity);
  if (!candidate) {
    const [near] = [...main.data.points].sort((a, b) => far(main.place(a)) - far(main.place(b)));
    if (far(main.place(near)) < REACH) choose(near.name);
    return;
  }
  dragging = true;
  gate.setPointerCapture(event.pointerId);
  if (far(candidate) > REACH) nudge(at.u - candidate.u, at.v - candidate.v);
});
on(gate, "pointermove", (event) => {
  if (dragging && candidate) nudge(event.movementX / shrunk(), event.movementY / shrunk());
});
on(gate, "pointerup pointercancel", () => { dragging = false; });

const KEYS = {
  " ": play, home: () => go(0), end: () => go(main.count - 1), n: () => weakPlace(1), p: () => weakPlace(-1), c: mend,
};

function pressed(event) {
  const way = ARROWS[event.key];
  if (candidate) {
    const step = event.ctrlKey ? 20 : event.shiftKey ? 1 : 0.1;
    if (way) nudge(way[0] * step, way[1] * step);
    else if (event.key === "Enter") save();
    else if (event.key === "Escape") leave();
    else return false;
    return true;
  }
  if ((event.ctrlKey || event.metaKey) && "zy".includes(event.key.toLowerCase())) {
    const button = event.shiftKey || event.key === "y" ? redo : undo;
    if (!button.disabled) button.click();
    return true;
  }
  if (event.ctrlKey || event.metaKey || event.altKey || !main.data) return false;
  const act = KEYS[event.key.toLowerCase()];
  if (way && way[0]) go(main.wanted + way[0] * (event.shiftKey ? 10 : 1));
  else if (way) turnBy(way[1]);
  else act?.();
  return Boolean(way || act);
}

on(gate, "keydown", (event) => { if (pressed(event)) event.preventDefault(); });
on(one("#beside"), "change", (event) => event.target.form.submit());

// --- what comes in: a copy that was made, points that were mended ---

function ready() {
  charts = all("[data-chart]").map((figure) => new Turning(figure));
  scrubTime.max = Math.max(0, (main.count ?? 1) - 1);
  for (const part of [scrubAngle, ...all("[data-turn]", film)]) part.disabled = !main.turns;
  undo.disabled = !main.data?.corrections;
  redo.disabled = !main.data?.undone;
  choose(pointSelect.value);
}

async function refresh() {
  const [page] = await Promise.all([fetch(location.href).then((a) => a.text()), ...reels.map((reel) => reel.load())]);
  const fresh = new DOMParser().parseFromString(page, "text/html");
  document.querySelector("#told").replaceWith(fresh.querySelector("#told"));
  const select = fresh.querySelector("#point");
  if (select.disabled !== pointSelect.disabled) { // points that were followed while the page was open
    pointSelect.replaceChildren(...select.children);
    pointSelect.disabled = one("[data-mend]").disabled = select.disabled;
  }
  ready();
  for (const reel of reels) reel.show(reel.wanted);
}

on(document.body, "work-ended", () => { if (!saving && !candidate) refresh(); });
new ResizeObserver(() => { for (const reel of reels) reel.draw(); drawLens(); }).observe(gate);
one(".films [aria-current]", document)?.scrollIntoView({ block: "nearest", inline: "center" });
Promise.all(reels.map((reel) => reel.load())).then(() => {
  ready();
  const asked = Number(new URLSearchParams(location.search).get("t"));
  if (main.count) main.show(asked ? nearest(main.data.time_s, asked) : main.frameOf({ turn: 1, angle: 90 }) ?? 0);
  film.dataset.ready = "";
});
