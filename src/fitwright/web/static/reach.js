// What is wider or higher than its place is moved by the arrow keys too.
"use strict";

function reachable() {
  for (const box of document.querySelectorAll(".scroll, .drawing")) {
    if (box.scrollWidth > box.clientWidth || box.scrollHeight > box.clientHeight) box.tabIndex = 0;
    else box.removeAttribute("tabindex");
  }
}

document.addEventListener("DOMContentLoaded", reachable);
document.addEventListener("htmx:afterSettle", reachable);
document.addEventListener("toggle", reachable, true);
window.addEventListener("load", reachable);
window.addEventListener("resize", reachable);
