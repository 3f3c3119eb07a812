// Pictures beside the entry: several, one after the other from the camera, made smaller before they
// are sent, each shown with a button that leaves it out again. They stay in the form's own field.

import { filled, texts } from "./completion.js";

const LONGEST_SIDE = 2000;
const SMALL_BYTES = 1_500_000;
const MOST_BYTES = 5 * 1024 * 1024;
const field = document.querySelector(".pad-photo input");
const list = document.querySelector(".pad-photos");
const said = document.getElementById("said-photo");
let pictures = [];

export function pictureCount() {
  return pictures.length;
}

async function smaller(file) {
  if (file.size <= SMALL_BYTES) {
    return file;
  }
  try {
    const bitmap = await createImageBitmap(file);
    const share = Math.min(1, LONGEST_SIDE / Math.max(bitmap.width, bitmap.height));
    const canvas = document.createElement("canvas");
    canvas.width = Math.round(bitmap.width * share);
    canvas.height = Math.round(bitmap.height * share);
    canvas.getContext("2d").drawImage(bitmap, 0, 0, canvas.width, canvas.height);
    const blob = await new Promise((done) => canvas.toBlob(done, "image/jpeg", 0.88));
    return blob ? new File([blob], file.name, { type: blob.type }) : file;
  } catch {
    return file; // no picture that the browser can read: the server says what is wrong with it
  }
}

function put() {
  const held = new DataTransfer();
  pictures.forEach((one) => held.items.add(one.file));
  field.files = held.files;
}

function show() {
  list.replaceChildren(
    ...pictures.map((one, number) => {
      const item = document.createElement("li");
      const button = document.createElement("button");
      button.type = "button";
      button.ariaLabel = filled(texts.remove, { number: number + 1 });
      button.append(Object.assign(new Image(), { src: one.url, alt: "" }), Object.assign(document.createElement("span"), { textContent: "×" }));
      button.addEventListener("click", () => {
        URL.revokeObjectURL(one.url);
        pictures = pictures.filter((other) => other !== one);
        update();
      });
      item.append(button);
      return item;
    }),
  );
  list.hidden = pictures.length === 0;
}

function update() {
  put();
  show();
  field.dispatchEvent(new Event("input", { bubbles: true })); // what would be logged has changed
}

function leaveOutLarge(added) {
  const large = added.filter((one) => one.file.size > MOST_BYTES);
  pictures = pictures.filter((one) => !large.includes(one));
  said.textContent = large
    .map(({ file }) => filled(texts.large, { name: file.name, size: (file.size / 1e6).toFixed(1) }))
    .join(" ");
  said.hidden = large.length === 0;
}

async function chosen() {
  const added = [...field.files].map((file) => ({ file, url: URL.createObjectURL(file) }));
  // At once, so that a tap meanwhile sends all of them.
  pictures = [...pictures, ...added];
  update();
  for (const one of added) {
    one.file = await smaller(one.file);
  }
  leaveOutLarge(added);
  update();
}

if (field) {
  field.addEventListener("change", chosen);
  // The next can has pictures of its own.
  field.form.addEventListener("reset", () => {
    pictures = [];
    show();
  });
}
