// The loupe: pick named points in a picture with a lens, a mouse, a finger or only the keyboard.
// The number boxes of the form are the truth; this script only moves them.
"use strict";

const root = document.querySelector(".loupe");
const stage = root.querySelector("canvas.picture");
const lens = root.querySelector("canvas.lens");
const status = root.querySelector(".status");
const rows = [...root.querySelectorAll(".points li")];
const spots = [...root.querySelectorAll(".diagram [data-point]")];
const picture = new Image();
const LENS = 4; // screen pixels for one pixel of the picture

let current = Math.max(0, rows.findIndex((row) => boxes(row)[0].value === ""));
let pointer = null; // where the lens looks while the mouse is over the picture
let past = [];
let future = [];
let lastNudge = { row: -1, time: 0 };

function boxes(row) {
  return [...row.querySelectorAll("input")];
}

function read(row) {
  const [x, y] = boxes(row).map((box) => Number.parseFloat(box.value.replace(",", ".")));
  return Number.isFinite(x) && Number.isFinite(y) ? { x, y } : null;
}

function write(row, point) {
  const [bx, by] = boxes(row);
  bx.value = point ? point.x.toFixed(1) : "";
  by.value = point ? point.y.toFixed(1) : "";
}

function put(index, point, nudged = false) {
  const now = performance.now();
  const joined = nudged && lastNudge.row === index && now - lastNudge.time < 900;
  if (!joined) past.push({ index, before: read(rows[index]) });
  lastNudge = nudged ? { row: index, time: now } : { row: -1, time: 0 };
  future = [];
  write(rows[index], point && within(point));
  tell();
}

function within(point) {
  return {
    x: Math.min(Math.max(point.x, 0), picture.naturalWidth - 1),
    y: Math.min(Math.max(point.y, 0), picture.naturalHeight - 1),
  };
}

function step(from, to) {
  const change = from.pop();
  if (!change) return;
  to.push({ index: change.index, before: read(rows[change.index]) });
  write(rows[change.index], change.before);
  lastNudge = { row: -1, time: 0 };
  choose(change.index);
}

function choose(index) {
  current = Math.min(Math.max(index, 0), rows.length - 1);
  pointer = null;
  tell();
}

function tell() {
  rows.forEach((row, i) => {
    row.toggleAttribute("data-current", i === current);
    row.querySelector("button").setAttribute("aria-pressed", String(i === current));
  });
  for (const spot of spots) spot.classList.toggle("now", spot.dataset.point === rows[current].dataset.name);
  const point = read(rows[current]);
  const name = rows[current].dataset.label;
  status.textContent = point
    ? `${name}: ${point.x.toFixed(1)}, ${point.y.toFixed(1)} px`
    : `${name}: not picked yet`;
  draw();
}

function sized(canvas) {
  const width = Math.round(canvas.clientWidth * devicePixelRatio);
  const ratio = canvas === lens ? 1 : picture.naturalHeight / picture.naturalWidth;
  const height = Math.round(width * ratio);
  if (canvas.width !== width || canvas.height !== height) Object.assign(canvas, { width, height });
  return canvas.getContext("2d");
}

function colour(name) {
  return getComputedStyle(root).getPropertyValue(name).trim();
}

function draw() {
  if (!picture.naturalWidth) return;
  const pen = sized(stage);
  const scale = stage.width / picture.naturalWidth;
  pen.drawImage(picture, 0, 0, stage.width, stage.height);
  rows.forEach((row, i) => {
    const point = read(row);
    if (point) cross(pen, point.x * scale, point.y * scale, i === current ? 11 : 7, row.dataset.short, i === current);
  });
  drawLens();
}

function cross(pen, x, y, arm, label, strong) {
  const unit = devicePixelRatio;
  for (const [width, ink] of [[4, "rgba(255,255,255,.9)"], [strong ? 2 : 1.2, strong ? "#b3003c" : "#1a1a1a"]]) {
    pen.lineWidth = width * unit;
    pen.strokeStyle = ink;
    pen.beginPath();
    for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
      pen.moveTo(x + dx * 3 * unit, y + dy * 3 * unit);
      pen.lineTo(x + dx * arm * unit, y + dy * arm * unit);
    }
    pen.stroke();
  }
  if (!label) return;
  pen.font = `${(strong ? 15 : 13) * unit}px sans-serif`;
  pen.lineWidth = 4 * unit;
  pen.strokeStyle = "rgba(255,255,255,.9)";
  pen.strokeText(label, x + 8 * unit, y - 8 * unit);
  pen.fillStyle = strong ? "#b3003c" : "#1a1a1a";
  pen.fillText(label, x + 8 * unit, y - 8 * unit);
}

function looksAt() {
  return pointer ?? read(rows[current]) ?? { x: picture.naturalWidth / 2, y: picture.naturalHeight / 2 };
}

function drawLens() {
  const pen = sized(lens);
  const zoom = LENS * devicePixelRatio;
  const half = lens.width / (2 * zoom);
  const at = looksAt();
  pen.fillStyle = colour("--wash");
  pen.fillRect(0, 0, lens.width, lens.height);
  pen.imageSmoothingEnabled = false;
  // A pixel's centre has whole coordinates, so its square begins half a pixel before.
  pen.drawImage(picture, (half - at.x - 0.5) * zoom, (half - at.y - 0.5) * zoom,
    picture.naturalWidth * zoom, picture.naturalHeight * zoom);
  rows.forEach((row, i) => {
    const point = read(row);
    if (point) cross(pen, (point.x - at.x + half) * zoom, (point.y - at.y + half) * zoom, i === current ? 40 : 16,
      i === current ? "" : row.dataset.short, i === current);
  });
}

function inPicture(event) {
  const frame = stage.getBoundingClientRect();
  const scale = picture.naturalWidth / frame.width;
  return within({ x: (event.clientX - frame.left) * scale - 0.5, y: (event.clientY - frame.top) * scale - 0.5 });
}

stage.addEventListener("pointermove", (event) => {
  pointer = inPicture(event);
  if (event.buttons === 1) put(current, pointer, true);
  else draw();
});
stage.addEventListener("pointerdown", (event) => {
  stage.setPointerCapture(event.pointerId);
  put(current, inPicture(event));
});
stage.addEventListener("pointerleave", () => { pointer = null; draw(); });

lens.addEventListener("pointerdown", (event) => {
  const frame = lens.getBoundingClientRect();
  const at = looksAt();
  put(current, {
    x: at.x + (event.clientX - frame.left - frame.width / 2) / LENS,
    y: at.y + (event.clientY - frame.top - frame.height / 2) / LENS,
  });
});

const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

stage.addEventListener("keydown", (event) => {
  const arrow = ARROWS[event.key];
  const command = event.ctrlKey || event.metaKey;
  if (arrow) {
    const size = command ? 20 : event.shiftKey ? 1 : 0.1;
    const from = read(rows[current]) ?? looksAt();
    pointer = null;
    put(current, { x: from.x + arrow[0] * size, y: from.y + arrow[1] * size }, true);
  } else if (event.key === "Tab" && !command) {
    const next = current + (event.shiftKey ? -1 : 1);
    if (next < 0 || next >= rows.length) return; // the picture is left at either end of the list
    choose(next);
  } else if (event.key === "Enter") choose(current + 1);
  else if (event.key === "Escape") root.querySelector(".save button").focus();
  else if (event.key === "Delete" || event.key === "Backspace") put(current, null);
  else if (command && event.key.toLowerCase() === "z") event.shiftKey ? step(future, past) : step(past, future);
  else if (command && event.key.toLowerCase() === "y") step(future, past);
  else return;
  event.preventDefault();
});

rows.forEach((row, i) => {
  row.querySelector("button").addEventListener("click", () => { choose(i); stage.focus(); });
  let before = null;
  for (const box of boxes(row)) {
    box.addEventListener("focus", () => { before = read(row); choose(i); });
    box.addEventListener("change", () => { past.push({ index: i, before }); future = []; before = read(row); tell(); });
  }
});
root.querySelector("[data-undo]").addEventListener("click", () => step(past, future));
root.querySelector("[data-redo]").addEventListener("click", () => step(future, past));
root.querySelector("[data-next]").addEventListener("click", () => { choose(current + 1); stage.focus(); });
addEventListener("resize", draw);
picture.addEventListener("load", tell);
picture.addEventListener("error", () => { status.textContent = "The picture cannot be shown. The boxes still work."; });
picture.src = root.dataset.picture;
