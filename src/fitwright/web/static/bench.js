// Marks a field that the server refused, and says so when a save did not reach it. Nothing typed is touched.
"use strict";

function field(element) {
  return element.closest ? element.closest(".field") : null;
}

document.addEventListener("htmx:afterSettle", (event) => {
  const place = document.getElementById(event.detail.target?.id) && field(document.getElementById(event.detail.target.id));
  if (!place) return;
  const wrong = place.querySelector(".say [data-wrong]") !== null;
  for (const box of place.querySelectorAll("input, select, textarea")) {
    if (wrong) box.setAttribute("aria-invalid", "true");
    else box.removeAttribute("aria-invalid");
  }
});

for (const failure of ["htmx:sendError", "htmx:responseError", "htmx:timeout"]) {
  document.addEventListener(failure, (event) => {
    const say = field(event.detail.elt)?.querySelector(".say");
    if (!say) return;
    say.replaceChildren();
    const words = document.createElement("span");
    words.className = "wrong";
    words.textContent = "Not saved: the studio did not answer. It stays here; save again in a moment.";
    say.append(words);
  });
}
