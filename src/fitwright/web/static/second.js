// The rider's screen: arrow keys turn the page, and a second window with the same visit follows.
"use strict";

const channel = new BroadcastChannel(`second-${document.body.dataset.visit}`);
const KEYS = { ArrowRight: "next", PageDown: "next", " ": "next", ArrowLeft: "prev", PageUp: "prev" };

channel.addEventListener("message", (event) => {
  if (event.data !== location.search) location.replace(location.pathname + event.data);
});

for (const link of document.querySelectorAll("nav a")) {
  link.addEventListener("click", () => channel.postMessage(new URL(link.href).search));
}

document.addEventListener("keydown", (event) => {
  const way = KEYS[event.key];
  if (!way || event.ctrlKey || event.altKey || event.metaKey || (event.key === " " && event.target.closest("a"))) return;
  const link = document.querySelector(`nav a[rel=${way}]`);
  if (!link) return;
  event.preventDefault();
  link.click();
});
