// What scripts say, in the page's language: worded("{0} of {1}", 2, 5). A page in English carries no other words.
"use strict";

const otherWords = JSON.parse(document.getElementById("script-words")?.textContent || "{}");

function worded(words, ...places) {
  return (otherWords[words] ?? words).replace(/\{(\d)\}/g, (_, i) => places[i]);
}
