// Marks a field that the server refused, says so when a save did not reach the
// studio, and sends it again until it does. Nothing typed is touched.
"use strict";

const RETRY_MS = 3000;
const unsaved = new Set();

function field(element) {
  return element.closest ? element.closest(".field, form.slide") : null;
}

document.addEventListener("htmx:afterSettle", (event) => {
  const place = document.getElementById(event.detail.target?.id) && field(document.getElementById(event.detail.target.id));
  if (!place) return;
  unsaved.delete(place);
  const wrong = place.querySelector(".say [data-wrong]") !== null;
  for (const box of place.querySelectorAll("input, select, textarea")) {
    if (wrong) box.setAttribute("aria-invalid", "true");
    else box.removeAttribute("aria-invalid");
  }
});

for (const failure of ["htmx:sendError", "htmx:responseError", "htmx:timeout"]) {
  document.addEventListener(failure, (event) => {
    const place = field(event.detail.elt);
    const say = place?.querySelector(".say");
    if (!say) return unsent(event.detail.elt);
    const unheard = failure !== "htmx:responseError";
    say.replaceChildren();
    const words = document.createElement("span");
    words.className = "wrong";
    words.textContent = unheard
      ? worded("Not saved: the studio did not answer. It stays here and is saved once the studio answers.")
      : worded("Not saved: the studio did not answer. It stays here; save again in a moment.");
    say.append(words);
    if (!unheard) return;
    unsaved.add(place);
    setTimeout(saveAgain, RETRY_MS);
  });
}

// A form that waits for its button says at its end that it was not heard, until it is pressed again.
function unsent(form) {
  if (form.tagName !== "FORM" || form.querySelector("[data-unsent]")) return;
  const words = document.createElement("p");
  words.className = "wrong";
  words.dataset.unsent = "";
  words.setAttribute("role", "alert");
  words.textContent = worded("Not saved: the studio did not answer. It stays here; save again in a moment.");
  form.append(words);
}

document.addEventListener("htmx:beforeRequest", (event) => event.detail.elt.querySelector?.(":scope > [data-unsent]")?.remove());

function saveAgain() {
  for (const place of unsaved) {
    unsaved.delete(place);
    if (place.isConnected) place.dispatchEvent(new Event("change", { bubbles: true }));
  }
}

window.addEventListener("online", saveAgain);
window.addEventListener("beforeunload", (event) => {
  if (unsaved.size) event.preventDefault();
});

// Who goes on to the next page while fields are being saved waits for them: a page that is left cancels its requests.
const MOST_WAITING_MS = 5000;
const beingSaved = new Set();
document.addEventListener("change", (event) => {
  const place = field(event.target);
  if (place?.hasAttribute("hx-post")) beingSaved.add(place);
});
document.addEventListener("htmx:afterRequest", (event) => beingSaved.delete(field(event.detail.elt)));
document.addEventListener("click", (event) => {
  const link = event.target.closest?.("a[href]");
  if (!link || !beingSaved.size || event.button || event.ctrlKey || event.metaKey || event.shiftKey || link.target) return;
  event.preventDefault();
  const since = performance.now();
  const goOn = () => {
    if (beingSaved.size && performance.now() - since < MOST_WAITING_MS) setTimeout(goOn, 20);
    else location.assign(link.href);
  };
  goOn();
});

// What comes in by itself never takes the place of something that is being typed.
document.addEventListener("htmx:beforeRequest", (event) => {
  const asked = event.detail.requestConfig?.triggeringEvent;
  const place = event.detail.elt;
  if (asked?.type !== "work-ended" || !beingTyped(place)) return;
  event.preventDefault();
  if (place.querySelector("[data-news]")) return;
  const words = document.createElement("p");
  words.className = "notice";
  words.dataset.news = "";
  words.textContent = worded("New results have come in. Reload the page to see them, once what you are typing is saved.");
  place.prepend(words);
});

function beingTyped(place) {
  const boxes = [...place.querySelectorAll("input:not([type=hidden]), textarea")];
  return boxes.some((box) => box === document.activeElement || box.value !== box.defaultValue);
}

// Two steps back in a row: the page asked for first may arrive last, and would then stand under the other's address.
let stepBack = null;
document.addEventListener("htmx:historyCacheMiss", (event) => {
  stepBack?.abort();
  stepBack = event.detail.xhr;
});

// A form that is pressed twice is sent once: the second press would make a second rider.
const ONCE_MS = 2000;
const sent = new WeakSet();
document.addEventListener("submit", (event) => {
  if (event.defaultPrevented) return;
  if (sent.has(event.target)) {
    event.preventDefault();
    return;
  }
  sent.add(event.target);
  setTimeout(() => sent.delete(event.target), ONCE_MS);
});
