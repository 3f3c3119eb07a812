// The Log without network: what is tapped or typed is kept on this tablet first, then sent. Shows
// what waits, and brings back to its form what the server refused.

import { add, all, newId, onChange, remove, removePhoto } from "./queue.js";
import { isReached, person, say, send, sendLater, tellWorker, words as common } from "./offline.js";

const KINDS = { "/log": "pad", "/log/again": "pad", "/log/typed": "typed" };
const NOT_SENT = ["csrf_token", "id", "show", "again"];
const SHOWN_SENT = 3;
// Nobody finds the next can within this time: it is the same tap, bounced.
const SAME_TAP_MS = 1_500;
const section = document.getElementById("on-tablet");
const list = section.querySelector("ul");
const state = document.getElementById("tablet-state");
const words = { ...common, ...JSON.parse(section.dataset.words) };
const page = document.documentElement.dataset;
const forms = [...document.querySelectorAll('form[data-offline="entry"]')].filter((form) => KINDS[new URL(form.action).pathname]);
let submittedAt = -SAME_TAP_MS;
let isTouched = false;
let isRenewing = false;

// --- keeping

function filled(form, submitter) {
  const fields = {};
  const pictures = [];
  for (const [name, value] of new FormData(form, submitter)) {
    if (value instanceof File) {
      if (value.size) {
        pictures.push(value);
      }
    } else if (value.trim() && !NOT_SENT.includes(name)) {
      fields[name] = value.trim();
    }
  }
  return { fields, pictures };
}

function short({ form, fields }) {
  if (form === "typed") {
    return fields.typed ?? "";
  }
  const code = fields.line || fields.number ? `${fields.line ?? "?"}-${fields.number ?? "?"}` : words.no_code;
  const cans = fields.inspected ? say(words.sample, { cans: fields.cans ?? "", inspected: fields.inspected }) : (fields.cans ?? "1");
  return `${code} ${fields.defect ?? ""}, ${cans}`;
}

async function keep(form, submitter) {
  const { fields, pictures } = filled(form, submitter);
  const at = Date.now();
  const { edits, replaces } = form.dataset;
  const id = edits ?? newId(at);
  const entry = { id, person, name: page.personName, form: KINDS[new URL(form.action).pathname], fields, at };
  if (replaces) {
    entry.replaces = replaces;
  }
  try {
    await add(entry, pictures);
  } catch {
    // What is in the form stays there.
    notice(words.not_kept, true);
    return;
  }
  renew(form);
  notice(say(isReached() ? words.kept_sending : words.kept_waits, { entry: short(entry) }));
  form.dispatchEvent(new CustomEvent("tracelog:kept", { bubbles: true, detail: { id, fields } }));
  sendLater();
  await send();
  await goOn(id);
}

// What the server said of an entry that was just logged: the page goes on as after any form.
async function goOn(id) {
  const entry = (await all()).find((one) => one.id === id);
  if (entry?.state === "refused" && !isTouched) {
    await change(entry);
  } else if (entry?.state === "waiting" && !isReached()) {
    notice(say(words.kept_waits, { entry: short(entry) }));
  } else if (entry?.state === "sent") {
    notice(entry.told);
    if (!isTouched && document.visibilityState === "visible" && isReached()) {
      const place = entry.form === "pad" && entry.fields.found_at;
      location.replace(place ? `/log?found_at=${encodeURIComponent(place)}` : "/log");
    }
  }
}

// A form for the next can: where cans are found stays the same, everything else is asked anew.
function renew(form) {
  clearFaults(form);
  delete form.dataset.replaces;
  delete form.dataset.edits;
  const place = form.elements.found_at?.value ?? "";
  form.reset();
  for (const field of form.elements) {
    if (field.type === "radio" || field.type === "checkbox") {
      field.checked = false;
    } else if (["text", "number", "datetime-local", "search", "file"].includes(field.type)) {
      field.value = field.name === "cans" ? "1" : "";
    }
  }
  form.querySelectorAll(".is-chosen").forEach((tile) => tile.classList.remove("is-chosen"));
  if (form.elements.found_at) {
    form.elements.found_at.value = place;
  }
  isRenewing = true;
  form.dispatchEvent(new Event("input", { bubbles: true }));
  form.dispatchEvent(new Event("change", { bubbles: true }));
  isRenewing = false;
}

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (event.defaultPrevented || !person || !window.indexedDB || !forms.includes(form)) {
    return;
  }
  if (event.submitter?.name === "show") {
    if (!isReached()) {
      event.preventDefault();
      notice(words.needs_network, true);
    }
    return;
  }
  event.preventDefault();
  const isBounced = !isTouched && event.timeStamp - submittedAt < SAME_TAP_MS;
  if (!isBounced) {
    submittedAt = event.timeStamp;
    isTouched = false;
    keep(form, event.submitter);
  }
});

// --- telling

function element(name, text, values = {}) {
  return Object.assign(document.createElement(name), { textContent: text ?? "" }, values);
}

function notice(sentence, isUrgent = false) {
  const main = document.getElementById("content");
  for (const old of main.querySelectorAll(":scope > .notice")) {
    old.remove();
  }
  const box = element("div", "", { className: isUrgent ? "notice is-urgent" : "notice" });
  box.setAttribute("role", isUrgent ? "alert" : "status");
  box.append(element("p", sentence));
  main.prepend(box);
}

function clearFaults(form) {
  document.querySelectorAll("[data-told]").forEach((one) => one.remove());
  for (const field of form.querySelectorAll('[aria-invalid="true"]')) {
    field.removeAttribute("aria-invalid");
  }
}

function placeOf(form, field) {
  const name = field === "as_read" ? (form.classList.contains("pad") ? "number" : "typed") : field;
  return form.querySelector(`#field-${CSS.escape(name)}`);
}

function tellFault(form, { field, sentence }) {
  const place = placeOf(form, field);
  const told = element("p", sentence, { className: "wrong", id: `told-${field}` });
  told.dataset.told = "";
  if (!place) {
    form.prepend(told);
    return;
  }
  place.closest("details")?.setAttribute("open", "");
  if (place.matches("fieldset, div")) {
    place.append(told);
  } else {
    place.after(told);
    place.setAttribute("aria-invalid", "true");
    place.setAttribute("aria-describedby", `${place.getAttribute("aria-describedby") ?? ""} told-${field}`.trim());
  }
  if (field === "as_read" && !form.elements.as_read) {
    const tick = element("label", "", { className: "tick" });
    tick.dataset.told = "";
    tick.append(element("input", "", { type: "checkbox", name: "as_read", value: "yes" }), words.as_read);
    told.after(tick);
  }
}

// --- what was refused, back in its form

async function change(entry) {
  const form = forms.find((one) => KINDS[new URL(one.action).pathname] === entry.form && !one.action.endsWith("/again"));
  renew(form);
  for (const [name, value] of Object.entries(entry.fields)) {
    const field = form.elements[name];
    if (field instanceof RadioNodeList) {
      field.value = value;
    } else if (field?.type === "checkbox") {
      field.checked = true;
    } else if (field && field.type !== "submit") {
      field.value = value;
    }
    form.querySelector(`button[name="${CSS.escape(name)}"][value="${CSS.escape(value)}"]`)?.classList.add("is-chosen");
  }
  form.dataset[entry.conflict ? "replaces" : "edits"] = entry.id;
  form.dispatchEvent(new Event("change", { bubbles: true }));
  entry.faults.forEach((fault) => tellFault(form, fault));
  notice(say(words.not_yet, { what: entry.faults.map((fault) => fault.sentence).join("; ") }), true);
  const first = entry.faults.map((fault) => placeOf(form, fault.field)).find(Boolean) ?? form;
  (first.matches("input, select, textarea") ? first : first.querySelector("input, button, select"))?.focus();
  isTouched = true;
}

// --- the list

function button(label, act) {
  const made = element("button", label, { type: "button", className: "button is-quiet" });
  made.addEventListener("click", act);
  return made;
}

// By the clock that the tablet shows: 2026-03-29 08:15.
function written(at) {
  const moment = new Date(at);
  const local = new Date(at - moment.getTimezoneOffset() * 60_000);
  return local.toISOString().slice(0, 16).replace("T", " ");
}

function photosOf(entry) {
  return entry.photos
    .filter((one) => one.state !== "sent")
    .map((one) => {
      const item = element("span", one.state === "refused" ? say(words.photo_refused, { why: one.faults?.[0]?.sentence ?? "" }) : words.photo_waits, { className: "tablet-photo" });
      if (one.state === "refused") {
        item.append(" ", button(words.discard_photo, () => removePhoto(one.id)));
      }
      return item;
    });
}

function row(entry) {
  const item = element("li", "", { className: "tablet-entry" });
  const isOpen = entry.state === "sent" && entry.photos.some((one) => one.state !== "sent");
  const kind = entry.state === "waiting" && entry.sealed && isReached() ? "sending" : entry.state;
  item.dataset.state = isOpen ? "waiting" : kind;
  item.append(element("b", words[`is_${kind}`]), " ", element("span", `${written(entry.at).slice(11)} ${short(entry)}`, { className: "tablet-what" }));
  if (entry.state === "refused") {
    item.append(element("p", entry.faults.map((one) => one.sentence).join("; "), { className: "wrong" }));
    item.append(button(words.change, () => change(entry)));
    item.append(button(words.discard, () => confirm(say(words.discard_question, { entry: short(entry) })) && remove(entry.id)));
  } else if (entry.state === "waiting" && !entry.sealed) {
    item.append(button(words.take_back, () => confirm(say(words.take_back_question, { entry: short(entry) })) && remove(entry.id)));
  }
  item.append(...photosOf(entry));
  return item;
}

let drawing = 0;

async function draw() {
  drawing += 1;
  const number = drawing;
  const entries = await all();
  if (number !== drawing) {
    return; // what changed since is being drawn
  }
  const mine = entries.filter((one) => one.person === person);
  const sent = mine.filter((one) => one.state === "sent" && !one.photos.some((photo) => photo.state !== "sent"));
  const hidden = new Set(sent.slice(SHOWN_SENT));
  list.replaceChildren(...mine.filter((one) => !hidden.has(one)).map(row));
  const waits = mine.filter((one) => one.state === "waiting").length;
  state.dataset.state = isReached() ? "on" : "off";
  state.querySelector("span").textContent = [
    isReached() ? words.online : words.no_network,
    waits ? say(words.waits, { number: waits }) : words.nothing_waits,
    page.keptAt ? say(words.as_of, { time: written(Number(page.keptAt)) }) : "",
  ]
    .filter(Boolean)
    .join(" ");
}

function touched() {
  isTouched ||= !isRenewing;
}

function start() {
  for (const form of forms) {
    form.addEventListener("input", touched);
    form.addEventListener("change", touched);
  }
  if (page.keptAt) {
    // Messages of the time when the page was kept are over.
    document.querySelectorAll("#content > .notice, .kept-words, .kept-undo").forEach((one) => one.remove());
  }
  section.hidden = false;
  onChange(draw);
  document.addEventListener("tracelog:network", ({ detail }) => {
    draw();
    if (detail.reached && page.keptAt && !isTouched) {
      location.reload();
    } else if (detail.reached) {
      tellWorker({ anew: true });
    }
  });
  draw();
}

start();
