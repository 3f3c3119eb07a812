// The number pad: each digit from the fourth on asks whether that was all, so that nobody has to
// say so; which length a PIN has is told to nobody. Works with a keyboard too.

const form = document.querySelector("form.pin");
const input = form.elements.pin;
const said = form.querySelector(".pin-said");
const shortest = Number(form.dataset.shortest);
const longest = Number(form.dataset.longest);
let asking = false;
let answered = "";
let waitUntil = 0;
let ticking = 0;

// The tablet's own keyboard stays away: the pad is larger.
input.setAttribute("inputmode", "none");
for (const key of form.querySelectorAll("[hidden].pin-key")) {
  key.hidden = false;
}

function say(text) {
  said.textContent = text;
}

function clear() {
  input.value = "";
  answered = "";
}

function wrong() {
  clear();
  const left = Math.ceil((waitUntil - Date.now()) / 1000);
  clearInterval(ticking);
  if (left <= 0) {
    say(form.dataset.wrong);
    return;
  }
  const tick = () => {
    const seconds = Math.ceil((waitUntil - Date.now()) / 1000);
    say(seconds > 0 ? `${form.dataset.wait} ${seconds}` : "");
    if (seconds <= 0) {
      clearInterval(ticking);
    }
  };
  tick();
  ticking = setInterval(tick, 1000);
}

async function ask() {
  const typed = input.value;
  if (asking || typed.length < shortest || typed === answered) {
    return;
  }
  asking = true;
  const body = new URLSearchParams(new FormData(form));
  body.set("early", "yes");
  try {
    const answer = await fetch(form.action, { method: "POST", body, redirect: "manual" });
    if (answer.type === "opaqueredirect" || !answer.ok) {
      location.reload(); // the page stood open for too long, or the tablet was revoked
      return;
    }
    const told = await answer.json();
    if (told.next) {
      location.replace(told.next);
      return;
    }
    answered = typed;
    waitUntil = Date.now() + told.wait_seconds * 1000;
    if (typed.length === longest) {
      wrong();
    }
  } catch {
    say(form.dataset.lost);
  } finally {
    asking = false;
  }
  if (input.value !== typed) {
    await ask();
  }
}

function changed() {
  input.value = input.value.replace(/\D/g, "").slice(0, longest);
  if (input.value.length > 0) {
    clearInterval(ticking);
    say("");
  }
  ask();
}

input.addEventListener("input", changed);
form.addEventListener("click", (event) => {
  const key = event.target.closest("[data-digit], [data-clear]");
  if (!key) {
    return;
  }
  input.value = "clear" in key.dataset ? "" : input.value + key.dataset.digit;
  changed();
});

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  if (input.value.length < shortest) {
    input.reportValidity();
    return;
  }
  await ask();
  while (asking) {
    await new Promise((done) => setTimeout(done, 50));
  }
  if (answered && answered === input.value) {
    wrong();
  }
});
