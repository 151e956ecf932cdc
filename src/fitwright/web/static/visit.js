// The drawing as a map: a number that is clicked, or entered by keyboard, tells about itself beside the drawing.
"use strict";

const panel = document.getElementById("panel");
let asked = null;

document.addEventListener("click", async (event) => {
  if (event.target.closest?.("[data-close]")) return close();
  const link = event.target.closest?.("#map svg a");
  if (!link || event.ctrlKey || event.metaKey || event.shiftKey || event.button) return;
  event.preventDefault();
  asked = link;
  await htmx.ajax("GET", link.getAttribute("href"), { target: "#panel > div", select: "#value", swap: "innerHTML" });
  if (!panel.querySelector("#value")) return location.assign(link.getAttribute("href"));
  panel.hidden = false;
  panel.scrollTop = 0;
  panel.querySelector("h2").focus();
});

document.addEventListener("keydown", (event) => {
  if (event.key === "Escape" && !panel.hidden) close();
});

// Back to the number that was asked for; the drawing may have been drawn anew meanwhile.
function close() {
  panel.hidden = true;
  const same = asked && document.querySelector(`#map a[href="${CSS.escape(asked.getAttribute("href"))}"]`);
  (same ?? document.getElementById("main")).focus();
}
