// On every page: keeps the worker for times without network, sends what waits on this tablet, and
// says in one line what waits.

import { all, meet, onChange, sendAll } from "./queue.js";

const TICK_MS = 5_000;
const ASK_EVERY_MS = 30_000;
const LONGEST_PAUSE_MS = 120_000;
const line = document.getElementById("tablet-line");
const words = JSON.parse(line.dataset.words);
const page = document.documentElement.dataset;
const isLog = document.getElementById("on-tablet") !== null;
let reached = navigator.onLine && !page.keptAt;
let failures = 0;
let askAgainAt = 0;

export const person = page.person ?? null;
export { words };

export function isReached() {
  return reached;
}

export function say(sentence, values) {
  return sentence.replace(/\{(\w+)\}/g, (_all, name) => values[name]);
}

// --- in contact

// Sends what waits and notes whether the server answered; the pause grows while it does not.
export async function send(options) {
  note(await sendAll(options).catch(() => null));
}

function note(contact) {
  const before = reached;
  reached = contact !== null;
  failures = reached ? 0 : failures + 1;
  const pause = Math.min(LONGEST_PAUSE_MS, 2_000 * 2 ** failures) * (0.5 + Math.random());
  askAgainAt = Date.now() + (reached ? ASK_EVERY_MS : pause);
  draw();
  if (before !== reached) {
    document.dispatchEvent(new CustomEvent("tracelog:network", { detail: { reached } }));
  }
}

function retry() {
  if (document.visibilityState === "visible") {
    send({ force: true });
  }
}

async function tick() {
  const now = Date.now();
  const mine = (await all()).filter((one) => one.person === person);
  const waits = mine.flatMap((one) => [one, ...one.photos]).filter((one) => one.state === "waiting");
  const due = waits.some((one) => !(one.due > now)) && (reached || now >= askAgainAt);
  if (due) {
    await send();
  } else if (now >= askAgainAt && document.visibilityState === "visible" && isLog) {
    note(await meet());
  }
}

// --- the line

function named(counts) {
  return [...counts].map(([name, number]) => say(words.waits_for, { number, name })).join(" ");
}

// What waits: mine, refused ones of mine, and others' by name.
export function counted(entries) {
  const found = { mine: 0, refused: 0, others: new Map() };
  for (const one of entries) {
    const open = one.state === "sent" ? one.photos.filter((photo) => photo.state === "waiting").length : 1;
    if (one.person !== person && open) {
      found.others.set(one.name, (found.others.get(one.name) ?? 0) + open);
    } else if (one.state === "refused") {
      found.refused += 1;
    } else if (open) {
      found.mine += open;
    }
  }
  return found;
}

let drawing = 0;

async function draw() {
  drawing += 1;
  const number = drawing;
  const found = counted(await all());
  if (number !== drawing) {
    return; // what changed since is being drawn
  }
  const said = [
    reached ? "" : words.no_network,
    found.mine ? say(words.waits, { number: found.mine }) : "",
    found.refused ? say(words.refused, { number: found.refused }) : "",
    named(found.others),
  ].filter(Boolean);
  line.hidden = said.length === 0;
  line.dataset.state = reached ? (found.refused ? "refused" : "waits") : "off";
  line.querySelector("span").textContent = said.join(" ");
}

// --- the worker

async function install() {
  if (!("serviceWorker" in navigator)) {
    return;
  }
  const kind = "SyncManager" in window ? "module" : "classic";
  const address = kind === "module" ? "/offline-worker.js?sync=yes" : "/offline-worker.js";
  await navigator.serviceWorker.register(address, { type: kind, updateViaCache: "none" });
  const ready = await navigator.serviceWorker.ready;
  if (person && !page.keptAt) {
    ready.active?.postMessage({ refresh: person });
  }
}

// Asks the worker to keep the present pages, and to send should this page be closed before.
export async function tellWorker(values) {
  const ready = await navigator.serviceWorker?.getRegistration();
  if (ready?.active) {
    ready.active.postMessage({ refresh: person, ...values });
  }
}

export async function sendLater() {
  const ready = await navigator.serviceWorker?.getRegistration();
  await ready?.sync?.register("tracelog-queue").catch(() => {});
}

addEventListener("online", retry);
addEventListener("offline", () => note(null));
document.addEventListener("visibilitychange", retry);
onChange(draw);
setInterval(() => tick().catch(() => {}), TICK_MS);

async function start() {
  await draw();
  const entries = await all();
  if (isLog || entries.some((one) => one.state !== "sent")) {
    await send({ force: true });
  }
}

start().catch(() => {});
const soon = window.requestIdleCallback ?? ((work) => setTimeout(work, 500));
soon(() => install().catch(() => {}));
