// Ink over photographs, and what else loupe and film share: each line lies on a lighter one, to be seen on any picture.
"use strict";

const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
const all = (selector, within = document) => [...within.querySelectorAll(selector)];
const on = (target, events, act, how) => events.split(" ").forEach((event) => target.addEventListener(event, act, how));
const HALO = "rgba(255,255,255,.88)";

// Four arms around a place, open in the middle.
function cross(pen, x, y, from, to) {
  pen.beginPath();
  for (const [dx, dy] of Object.values(ARROWS)) {
    pen.moveTo(x + dx * from, y + dy * from);
    pen.lineTo(x + dx * to, y + dy * to);
  }
}

// The pen's path; `unit` canvas pixels are one of the screen's, in which width, dash and halo are counted.
function inked(pen, unit, width, colour, dash = [], halo = 2.5) {
  pen.setLineDash(dash.map((length) => length * unit));
  for (const [w, style] of [[width + halo, HALO], [width, colour]]) {
    pen.lineWidth = w * unit;
    pen.strokeStyle = style;
    pen.stroke();
  }
  pen.setLineDash([]);
}

// The pen of a canvas that has as many pixels as the screen has beneath it.
function sized(canvas) {
  const [width, height] = [canvas.clientWidth, canvas.clientHeight].map((n) => Math.round(n * devicePixelRatio));
  if (canvas.width !== width || canvas.height !== height) Object.assign(canvas, { width, height });
  return canvas.getContext("2d");
}
