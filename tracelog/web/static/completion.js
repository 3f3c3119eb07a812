// Completes the typed line: what may follow in a list below it (ARIA combobox with a list box), and
// what is understood so far as chips. Arrow keys choose, Tab or Enter takes, Escape closes, a tap
// takes too; Enter with nothing chosen sends the line.

import { following, readLine } from "./typed_line.js";

const form = document.querySelector(".typed-line");
const input = document.getElementById("field-typed");
const list = document.getElementById("typed-list");
const chips = document.getElementById("typed-chips");

export const words = form ? JSON.parse(form.dataset.words) : null;
export const texts = form ? JSON.parse(form.dataset.texts) : null;
let offered = [];
let chosen = -1;

export function filled(text, values) {
  return text.replace(/\{(\w+)\}/g, (_whole, name) => values[name]);
}

function mark(at) {
  chosen = at;
  [...list.children].forEach((one, number) => one.setAttribute("aria-selected", String(number === at)));
  if (at < 0) {
    input.removeAttribute("aria-activedescendant");
  } else {
    input.setAttribute("aria-activedescendant", list.children[at].id);
    list.children[at].scrollIntoView({ block: "nearest" });
  }
}

function close() {
  offered = [];
  list.hidden = true;
  input.setAttribute("aria-expanded", "false");
  mark(-1);
}

function option(one, number) {
  const item = document.createElement("li");
  item.id = `typed-option-${number}`;
  item.setAttribute("role", "option");
  item.append(Object.assign(document.createElement("b"), { textContent: one.label }));
  if (one.code && one.code !== one.label) {
    item.append(" ", Object.assign(document.createElement("span"), { textContent: one.code }));
  }
  return item;
}

function offer() {
  const isAtEnd = input.selectionStart === input.value.length;
  offered = isAtEnd ? following(input.value, words) : [];
  list.replaceChildren(...offered.map(option));
  list.hidden = offered.length === 0;
  input.setAttribute("aria-expanded", String(offered.length > 0));
  mark(-1);
}

function take(number) {
  input.value = offered[number].text;
  input.setSelectionRange(input.value.length, input.value.length);
  input.focus();
  understood();
  close();
}

function said({ values, unclear }) {
  const told = [];
  const tell = (text, more = {}) => told.push({ text, ...more });
  if (values.dome_code) {
    tell(values.dome_code, { isCode: true });
  }
  if (values.defect) {
    tell(words.defects.find((one) => one.defect === values.defect).title);
  }
  if (values.inspected) {
    tell(filled(texts.sample, { bad: values.cans, inspected: values.inspected }));
  } else if (values.cans || values.defect) {
    const number = values.cans ?? "1";
    tell(filled(number === "1" ? texts.can : texts.cans, { number }));
  }
  if (values.occurrences) {
    tell(filled(texts.times, { number: values.occurrences }));
  }
  const hidden = [...form.querySelectorAll("input[data-scanned]")].map((one) => one.value);
  [values.found_at && `@${values.found_at}`, values.mark && `+${values.mark}`, ...hidden]
    .filter(Boolean)
    .forEach((text) => tell(text));
  if (values.note) {
    tell(filled(texts.note, { note: values.note }));
  }
  unclear.forEach((word) => tell(`${word}?`, { isUnclear: true }));
  return told;
}

// Shows what is understood of the line so far.
export function understood() {
  const told = input.value.trim() ? said(readLine(input.value, words)) : [];
  chips.replaceChildren(
    ...told.flatMap(({ text, isCode, isUnclear }) => {
      const chip = Object.assign(document.createElement("span"), { textContent: text });
      chip.classList.add("typed-chip");
      chip.classList.toggle("is-code", Boolean(isCode));
      chip.classList.toggle("is-unclear", Boolean(isUnclear));
      return [chip, " "];
    }),
  );
  chips.hidden = told.length === 0;
}

// Puts a scanned code at the beginning of the line, in place of the one that stands there.
export function putCode(code, before) {
  const { values } = readLine(before, words);
  const rest = values.dome_code ? before.trim().replace(/^\S+(\s*[-/.]\s*|\s+)?[0-9?]*(?=\s|$)\s*/, "") : before.trim();
  input.value = `${code} ${rest}`;
  understood();
  offer();
}

function pressed(event) {
  if (event.key === "Escape" && !list.hidden) {
    event.preventDefault();
    close();
  } else if (["ArrowDown", "ArrowUp"].includes(event.key)) {
    if (list.hidden) {
      offer();
    }
    if (offered.length) {
      event.preventDefault();
      const step = event.key === "ArrowDown" ? 1 : -1;
      const from = chosen < 0 && step < 0 ? offered.length : chosen;
      mark((from + step + offered.length) % offered.length);
    }
  } else if (event.key === "Enter" && chosen >= 0) {
    event.preventDefault();
    take(chosen);
  } else if (event.key === "Tab" && !event.shiftKey && offered.length && /\S$/.test(input.value)) {
    event.preventDefault();
    take(Math.max(chosen, 0));
  }
}

if (form && input) {
  for (const [name, value] of Object.entries({
    role: "combobox",
    "aria-autocomplete": "list",
    "aria-controls": list.id,
    "aria-expanded": "false",
  })) {
    input.setAttribute(name, value);
  }
  input.addEventListener("input", () => {
    understood();
    offer();
  });
  input.addEventListener("keydown", pressed);
  input.addEventListener("blur", close);
  // The field keeps the focus while an option is tapped.
  list.addEventListener("pointerdown", (event) => event.preventDefault());
  list.addEventListener("click", (event) => {
    const at = [...list.children].indexOf(event.target.closest("[role=option]"));
    if (at >= 0) {
      take(at);
    }
  });
  form.addEventListener("reset", () => {
    form.querySelectorAll("input[data-scanned]").forEach((one) => (one.value = ""));
    setTimeout(() => {
      understood(); // once the field is blank
      close();
    });
  });
  understood();
}
