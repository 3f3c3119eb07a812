// A wedge scanner types a code very fast and ends it with Enter. What it scans fills the field that
// it is for, wherever on the Log the focus is, and never logs anything by itself. Text that goes
// into a field of its own (note, coil, pallet) is left there.

import { filled, putCode, texts, understood, words } from "./completion.js";
import { isOnPad, putOnPad, tell } from "./log.js";

// People type a key in 80 ms at their fastest, scanners in a few (our own measure, no source).
const MEAN_PACE_MS = 40;
const LONGEST_PAUSE_MS = 100;
const FEWEST_KEYS = 3;
const typed = document.getElementById("field-typed");
let keys = [];
let began = null;

function begin(target) {
  keys = [];
  began = { target, value: target.value };
}

function isScan(endedAt) {
  const first = keys[0]?.at ?? 0;
  const last = keys.at(-1)?.at ?? 0;
  return (
    keys.length >= FEWEST_KEYS &&
    (last - first) / (keys.length - 1) <= MEAN_PACE_MS &&
    endedAt - last <= LONGEST_PAUSE_MS
  );
}

function isOwnField(target) {
  const isText = target.matches("input:not([type=radio], [type=checkbox], [type=file]), textarea");
  return isText && target !== typed;
}

function heard(event) {
  if (event.ctrlKey || event.metaKey || event.isComposing) {
    return;
  }
  if (event.key === "Enter") {
    const text = keys.map((one) => one.key).join("");
    if (isScan(event.timeStamp) && !isOwnField(event.target)) {
      event.preventDefault();
      event.stopImmediatePropagation();
      began.target.value = began.value;
      scanned(text, began.target === typed ? began.value : null);
    }
    keys = [];
    return;
  }
  if (event.key.length !== 1) {
    return;
  }
  if (!keys.length || event.timeStamp - keys.at(-1).at > LONGEST_PAUSE_MS || began.target !== event.target) {
    begin(event.target);
  }
  keys.push({ key: event.key, at: event.timeStamp });
  if (event.key === " " && keys.length > 1 && event.target.matches("button, summary, [type=radio], [type=checkbox]")) {
    event.preventDefault(); // within a scan it is a sign, and presses nothing
  }
}

// A label of ours or a dome code, known on the page itself, so that it needs no network.
function known(text) {
  const found = /(?:\/m\/)([0-9]{1,3}-[0-9]{1,3})(?:[?#].*)?$/.exec(text);
  const code = found ? (words.borne[found[1]] ?? found[1]) : text.trim();
  if (!words.machines.includes(code)) {
    return null;
  }
  const [line, number] = code.split("-");
  return { fields: { line, number }, sentence: filled(texts.scanned, { code }) };
}

async function lookedUp(text) {
  try {
    const answer = await fetch(`/log/scan?${new URLSearchParams({ text })}`);
    if (answer.ok) {
      return await answer.json();
    }
  } catch {
    // there is no network: told below
  }
  return { fields: {}, sentence: filled(texts.missing, { text }) };
}

async function scanned(text, before) {
  const { fields, sentence } = known(text) ?? (await lookedUp(text));
  putOnPad(fields);
  if (before !== null) {
    keepBesideLine(fields);
    if (fields.number) {
      putCode(`${fields.line}-${fields.number}`, before);
    } else {
      understood();
    }
  }
  tell(sentence);
}

// What a line has no sign for goes with it unseen, and is shown among its chips.
function keepBesideLine(fields) {
  for (const name of ["pallet", "coil", "found_at"].filter((one) => fields[one])) {
    const form = typed.form;
    const there = form.querySelector(`input[name="${name}"]`);
    const field = there ?? Object.assign(document.createElement("input"), { type: "hidden", name });
    field.value = fields[name];
    field.dataset.scanned = "yes";
    form.append(field);
  }
}

if (typed && isOnPad) {
  document.addEventListener("keydown", heard, true);
}
