// Ctrl+Z and Ctrl+Y outside of text: the visit's undo and redo. A field that is just being saved is waited for.
"use strict";

const TEXT = "textarea, select, [contenteditable], input:not([type=radio], [type=checkbox], [type=button], [type=submit])";

document.addEventListener("keydown", (event) => {
  if (event.defaultPrevented || !(event.ctrlKey || event.metaKey) || event.altKey) return;
  if (event.target.closest(TEXT) || document.querySelector("form.loupe, .film")) return; // those have their own
  const key = event.key.toLowerCase();
  const way = key === "y" || (key === "z" && event.shiftKey) ? "redo" : key === "z" ? "undo" : "";
  const button = way && document.querySelector(`#undo [name=${way}]`);
  if (!button) return;
  event.preventDefault();
  if (!button.disabled) button.click();
});

// The buttons name the last save: when one is on its way, they wait until the page knows of it.
document.addEventListener("submit", (event) => {
  if (event.target.id !== "undo" || !document.querySelector(".htmx-request")) return;
  const name = event.submitter?.name ?? "undo";
  event.preventDefault();
  const settled = () => {
    if (document.querySelector(".htmx-request")) return;
    document.removeEventListener("htmx:afterSettle", settled);
    const button = document.querySelector(`#undo [name=${name}]`);
    if (!button.disabled) button.click();
  };
  document.addEventListener("htmx:afterSettle", settled);
});
