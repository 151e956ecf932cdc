// The first page by keyboard: "/" leads to the search, the arrow keys go through a list, Enter follows.
"use strict";

const search = document.getElementById("q");

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.key === "/" && !event.target.closest("input, textarea, select")) {
    event.preventDefault();
    search.focus();
    search.select();
  } else if (event.key === "ArrowDown" || event.key === "ArrowUp") {
    const next = neighbour(event.target, event.key === "ArrowDown" ? 1 : -1);
    if (!next) return;
    event.preventDefault();
    next.focus();
  }
});

// What comes after or before: below the search the first rider, above a list's first link the search.
function neighbour(place, way) {
  if (place === search) return way > 0 ? document.querySelector("#found .riders a") : null;
  const links = [...(place.closest("#found .list")?.querySelectorAll("a") ?? [])];
  if (!links.length) return null;
  return links[links.indexOf(place) + way] ?? (way < 0 ? search : null);
}
