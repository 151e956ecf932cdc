// Guesses of a landmark network in the loupe: offered where no mark was found, and true only when a hand says so.
"use strict";

const notice = one("[data-unsure]");
const right = one("[data-confirm]");

let lookedAt = 0;
let noted = []; // lines that an earlier look left

// It takes some seconds; what the finder is surer of stays. Looked again, the earlier guesses make way.
async function guess() {
  const mine = ++lookedAt;
  const told = await ask(root.dataset.guesses);
  if (mine !== lookedAt) return;
  for (const line of noted) line.remove();
  const before = one(".finder").children.length;
  for (const [name, it] of Object.entries(found.points)) if (it.origin === GUESSED) delete found.points[name];
  if (told.problem) list([worded("Nothing is guessed: {0}", told.problem)]);
  else {
    for (const [name, it] of Object.entries(told.points)) {
      if ((found.points[name]?.sure ?? GUESS) === GUESS) found.points[name] = it;
    }
    list(told.notes);
  }
  noted = [...one(".finder").children].slice(before);
  root.dataset.guessed = String(mine);
  tell();
}

function unsure() {
  return rows.filter((row) => read(row)?.how === GUESSED);
}

function confirmGuess() {
  const point = read(rows[current]);
  if (point?.how !== GUESSED) return;
  remember();
  write(rows[current], { ...point, how: CONFIRMED, u: "" });
  const next = rows.indexOf(unsure()[0]);
  choose(next >= 0 ? next : nextToDo(current));
}

hearers.push((point) => {
  const count = unsure().length;
  right.hidden = point?.how !== GUESSED;
  notice.hidden = count === 0;
  one("[data-unsure] [data-count]").textContent = count === 1 ? worded("One point is a guess") : worded("{0} points are guesses", count);
});
right.addEventListener("click", () => { confirmGuess(); stage.focus({ preventScroll: true }); });
stage.addEventListener("keydown", (event) => {
  if (event.key.toLowerCase() === "c" && !event.ctrlKey && !event.metaKey && !event.altKey) confirmGuess();
});

// After the finder, whose answer would lay itself over this one.
const waiting = setInterval(() => {
  if (!("looked" in root.dataset)) return;
  clearInterval(waiting);
  if (root.dataset.guesses) guess();
}, 100);
