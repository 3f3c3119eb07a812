// The pad: shows the numbers in the dome as they are tapped and what would be logged, dims
// bodymakers that the line has not, and puts those defects first that the line logged lately.

import { filled, texts } from "./completion.js";
import { pictureCount } from "./pad_pictures.js";

const SAME_TAP_MS = 2000;
const pad = document.querySelector(".pad");
const dome = document.getElementById("dome");
const first = document.getElementById("first-tiles");
const further = document.getElementById("further-tiles");
const would = document.querySelector(".pad-would");
const counts = document.querySelector(".pad-counts");
export const isOnPad = Boolean(pad && dome);
let told = "";

function chosen(name) {
  const tile = pad.querySelector(`input[name="${name}"]:checked`);
  return tile ? tile.value : "?";
}

function draw() {
  const line = chosen("line");
  const number = chosen("number");
  dome.querySelector(".can-line").textContent = line;
  const shown = dome.querySelector(".can-number");
  shown.textContent = number;
  shown.classList.toggle("can-number-long", number.length > 2);
  const machines = JSON.parse(pad.dataset.machines);
  for (const tile of pad.querySelectorAll('input[name="number"]')) {
    const elsewhere =
      line !== "?" && tile.value !== "?" && !machines.some((one) => `${one[0]}-${one[1]}` === `${line}-${tile.value}`);
    tile.closest(".digit").classList.toggle("is-elsewhere", elsewhere);
  }
  foresee();
}

function counted(one, many, number) {
  return filled(String(number) === "1" ? one : many, { number });
}

// Says what a tap on a defect would log; `defect` is the one under the finger or the focus.
export function foresee(defect = null) {
  const field = (name) => pad.elements[name].value.trim();
  const line = chosen("line");
  const number = chosen("number");
  const pictures = pictureCount();
  const parts = [
    line === "?" && number === "?" ? texts.no_code : `${line}-${number}`,
    defect ?? "",
    field("inspected")
      ? filled(texts.sample, { bad: field("cans"), inspected: field("inspected") })
      : counted(texts.can, texts.cans, field("cans") || "1"),
    ...["found_at", "pallet", "coil", "mark", "note"].map(field),
    pictures ? counted(texts.picture, texts.pictures, pictures) : "",
  ].filter(Boolean);
  would.textContent = [told, filled(texts.would, { what: parts.join(", ") })].filter(Boolean).join(" ");
  would.hidden = false;
  for (const chip of counts.children) {
    chip.setAttribute("aria-pressed", String(chip.dataset.cans === field("cans")));
  }
}

export function tell(sentence) {
  told = sentence;
  foresee();
}

function choose(name, value) {
  let tile = pad.querySelector(`input[name="${name}"][value="${CSS.escape(value)}"]`);
  if (!tile) {
    const other = pad.querySelector(`input[name="${name}"]`).closest(".digit");
    const label = other.cloneNode(true);
    label.lastChild.textContent = value;
    tile = label.querySelector("input");
    tile.value = value;
    other.parentElement.append(label);
  }
  tile.checked = true;
}

// Fills in fields of the pad, as a scan does.
export function putOnPad(fields) {
  for (const [name, value] of Object.entries(fields)) {
    if (name === "line" || name === "number") {
      choose(name, value);
    } else {
      const field = pad.elements[name];
      if (name === "found_at" && ![...field.options].some((one) => one.value === value)) {
        field.add(new Option(value, value));
      }
      field.value = value;
    }
  }
  draw();
  if (fields.line && further) {
    order();
  }
}

function order() {
  const lately = JSON.parse(pad.dataset.lately);
  const wanted = lately[chosen("line")] ?? lately[""];
  const tiles = new Map([...pad.querySelectorAll(".defect-tile")].map((tile) => [tile.value, tile]));
  const rest = [...tiles.values()].filter((tile) => !wanted.includes(tile.value));
  first.append(...wanted.map((defect) => tiles.get(defect)));
  further.append(...rest.sort((one, other) => one.textContent.localeCompare(other.textContent)));
}

// The minute in which what was logged last can be undone; the server's clock decides.
function countDown(form) {
  const left = form.querySelector(".kept-left");
  const endsAt = performance.now() + Number(form.dataset.seconds) * 1000;
  const tick = () => {
    const seconds = Math.ceil((endsAt - performance.now()) / 1000);
    left.textContent = ` ${Math.max(seconds, 0)}`;
    form.hidden = seconds <= 0;
    if (seconds > 0) {
      setTimeout(tick, 1000);
    }
  };
  tick();
}

// A finger that bounces logs once, also where the page was loaded anew between its two taps.
function once(form) {
  let tappedAt = -Number(form.dataset.sinceMs);
  form.querySelector("button").addEventListener("click", (event) => {
    if (event.timeStamp - tappedAt < SAME_TAP_MS) {
      event.preventDefault();
    } else {
      tappedAt = event.timeStamp;
    }
  });
}

if (isOnPad) {
  pad.addEventListener("change", (event) => {
    told = "";
    draw();
    if (further && event.target.name === "line") {
      order();
    }
  });
  pad.addEventListener("input", () => foresee());
  for (const kind of ["focusin", "pointerover"]) {
    pad.addEventListener(kind, (event) => {
      const tile = event.target.closest(".defect-tile");
      foresee(tile ? tile.querySelector("b").textContent : null);
    });
  }
  counts.hidden = false;
  counts.addEventListener("click", (event) => {
    const chip = event.target.closest("[data-cans]");
    if (chip) {
      const cans = pad.elements.cans;
      cans.value = cans.value === chip.dataset.cans ? "1" : chip.dataset.cans;
      foresee();
    }
  });
  draw();
  if (further) {
    order(); // the browser may have kept what was tapped before a page was loaded again
  }
}
document.querySelectorAll(".kept-undo").forEach(countDown);
document.querySelectorAll(".kept-again").forEach(once);
