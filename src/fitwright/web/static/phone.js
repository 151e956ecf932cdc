// Sends films and photographs in pieces, from where they stopped: after a broken connection by itself, after a
// reload as soon as the same file is chosen again. Without this script the form sends small files whole.
"use strict";

const form = document.querySelector("form.sending");
const list = document.querySelector(".under-way");
const news = document.getElementById("news");
const FILES = form.dataset.files;
const PIECE = Number(form.dataset.piece);
const LONGEST_WAIT_S = 15;
const SILENCE_MS = 120000; // a piece without an answer for this long is sent again
const OWN_FAULTS = 5; // times that the studio itself may fail before it is said

const jobs = [];
let sending = false;

form.querySelector(".plainly").remove();
for (const box of form.querySelectorAll("input[type=file]")) {
  box.addEventListener("change", () => {
    for (const file of box.files) add(file);
    box.value = "";
    run();
  });
}
form.addEventListener("submit", (event) => event.preventDefault());
window.addEventListener("beforeunload", (event) => {
  if (jobs.some((job) => !job.over)) event.preventDefault();
});

function add(file) {
  if (jobs.some((job) => !job.over && job.file.name === file.name && job.file.size === file.size && job.file.lastModified === file.lastModified)) return;
  for (const row of list.querySelectorAll("li[data-state=receiving]")) {
    if (row.dataset.name === file.name && Number(row.dataset.size) === file.size) row.remove();
  }
  const row = document.createElement("li");
  const job = { file, row, received: 0, id: null, over: false, cancelled: false, rate: 0, abort: null, wake: null };
  const name = document.createElement("strong");
  name.dir = "auto";
  name.textContent = file.name;
  const head = document.createElement("p");
  head.append(name, ` ${megabytes(file.size)}`);
  job.bar = document.createElement("progress");
  job.bar.max = Math.max(1, file.size);
  job.bar.value = 0;
  job.bar.setAttribute("aria-label", file.name);
  job.says = document.createElement("p");
  job.button = document.createElement("button");
  job.button.type = "button";
  job.button.className = "quiet";
  job.button.textContent = worded("Cancel");
  job.button.setAttribute("aria-label", `${worded("Cancel")}, ${file.name}`);
  job.button.addEventListener("click", () => giveUp(job));
  row.append(head, job.bar, job.says, job.button);
  list.append(row);
  jobs.push(job);
  job.says.textContent = worded("Waits for its turn.");
}

async function run() {
  if (sending) return;
  sending = true;
  for (let job; (job = jobs.find((one) => !one.over)); ) await send(job);
  sending = false;
}

async function send(job) {
  let tries = 0, faults = 0;
  while (!job.over) {
    try {
      const answer = job.id === null ? await announce(job) : await next(job);
      tries = 0;
      if (answer.status >= 500) {
        faults += 1;
        if (faults >= OWN_FAULTS) return end(job, worded("Something broke at the studio. What came stays there: choose the file again later."));
        await pause(job, faults);
        continue;
      }
      const said = await answer.json();
      if (answer.ok || answer.status === 409) follow(job, said);
      else end(job, said.error || worded("It was not taken."));
      if (!job.over && said.state === "checking") await pause(job, 1);
    } catch (error) {
      if (job.cancelled) return;
      tries += 1;
      job.says.textContent = worded("The connection is gone; it goes on by itself from {0} %.", share(job));
      await pause(job, Math.min(LONGEST_WAIT_S, 2 ** (tries - 1)));
    }
  }
}

function announce(job) {
  const { name, size, lastModified } = job.file;
  return ask(job, FILES, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ name, size, modified: Math.max(0, Math.round(lastModified)) }) });
}

async function next(job) {
  const from = job.received;
  if (from >= job.file.size) return ask(job, `${FILES}/${job.id}`, { method: "GET" });
  const piece = job.file.slice(from, from + PIECE);
  const began = performance.now();
  const answer = await ask(job, `${FILES}/${job.id}?offset=${from}`, { method: "PUT", headers: { "Content-Type": "application/octet-stream" }, body: piece });
  const rate = piece.size / Math.max(1, performance.now() - began);
  if (answer.ok) job.rate = job.rate ? 0.7 * job.rate + 0.3 * rate : rate;
  return answer;
}

async function ask(job, address, how) {
  job.abort = new AbortController();
  const silence = setTimeout(() => job.abort.abort(), SILENCE_MS);
  try {
    return await fetch(address, { ...how, signal: job.abort.signal, credentials: "same-origin", cache: "no-store", referrerPolicy: "no-referrer" });
  } finally {
    clearTimeout(silence);
  }
}

function follow(job, said) {
  job.id = said.id;
  job.received = said.received;
  job.bar.value = said.received;
  if (said.state === "done") return end(job, worded("Is at the bench."), true);
  if (said.state === "failed" || said.state === "cancelled") return end(job, said.error || worded("It was stopped."));
  job.says.textContent = said.state === "checking" ? worded("All of it is here; it is being looked at.") : `${share(job)} %${timeLeft(job)}`;
}

function end(job, words, well = false) {
  job.over = true;
  job.button.remove();
  job.bar.remove();
  job.row.dataset.state = well ? "done" : "failed";
  job.says.textContent = words;
  if (!well) job.says.className = "wrong";
  news.textContent = words.startsWith(job.file.name) ? words : `${job.file.name}: ${words}`;
}

function giveUp(job) {
  job.cancelled = true;
  job.abort?.abort();
  job.wake?.();
  if (job.id !== null) tellCancelled(job);
  job.over = true;
  job.row.remove();
  news.textContent = `${job.file.name}: cancelled.`;
  form.querySelector("input[type=file]").focus();
}

async function tellCancelled(job) {
  for (let tries = 0; tries < 20; tries += 1) {
    try {
      await fetch(`${FILES}/${job.id}/cancel`, { method: "POST", credentials: "same-origin", referrerPolicy: "no-referrer" });
      return;
    } catch (error) {
      await pause(job, 2);
    }
  }
}

function pause(job, seconds) {
  return new Promise((go) => {
    const clock = setTimeout(go, 1000 * seconds);
    job.wake = () => { clearTimeout(clock); go(); };
  });
}

window.addEventListener("online", () => { for (const job of jobs) job.wake?.(); });
window.addEventListener("offline", () => { for (const job of jobs) if (!job.over) job.abort?.abort(); });

function share(job) {
  return Math.floor((100 * job.received) / Math.max(1, job.file.size));
}

function timeLeft(job) {
  if (!job.rate) return "";
  const seconds = (job.file.size - job.received) / job.rate / 1000;
  return seconds >= 90 ? `, ${worded("about {0} min left", Math.round(seconds / 60))}` : `, ${worded("about {0} s left", Math.max(1, Math.round(seconds)))}`;
}

function megabytes(bytes) {
  return bytes < 1e6 ? `${Math.max(1, Math.round(bytes / 1024))} kB` : `${Math.round(bytes / 1024 ** 2)} MB`;
}
