// Locks a shared tablet: covers the page when nobody has touched it for a while, ends the session
// on the server, and leaves for the names. Whoever comes next gets a page of their own, so that
// nothing half-typed by another stays in it.

const cover = document.getElementById("lock");
const idle = Number(cover.dataset.idleSeconds) * 1000;
const form = cover.querySelector("form");
const said = cover.querySelector(".lock-said");
const lost = cover.querySelector(".lock-lost");
const wait = cover.querySelector(".lock-wait");
let touched = Date.now();
let told = Date.now();
let covering = false;

function touch() {
  touched = Date.now();
}

for (const kind of ["pointerdown", "keydown", "wheel", "input", "scroll"]) {
  document.addEventListener(kind, touch, { passive: true, capture: true });
}

function names() {
  const onward = new URLSearchParams({ next: form.elements.next.value });
  location.replace(`${cover.dataset.names}?${onward}`);
}

// A long text is typed without asking the server for anything: it must hear that somebody is here.
async function stillHere() {
  told = Date.now();
  try {
    const answer = await fetch(cover.dataset.still, { redirect: "manual" });
    if (answer.type === "opaqueredirect" || answer.status === 401) {
      lock();
    }
  } catch {
    // No network: the page goes on, and the server ends the session when its time is over.
  }
}

async function lock() {
  if (covering) {
    return;
  }
  covering = true;
  document.querySelector(".frame").inert = true;
  cover.hidden = false;
  wait.hidden = false;
  lost.hidden = true;
  said.focus();
  await leave();
}

async function leave() {
  try {
    const body = new URLSearchParams(new FormData(form));
    await fetch(form.action, { method: "POST", body, redirect: "manual" });
    names();
  } catch {
    wait.hidden = true;
    lost.hidden = false;
    setTimeout(() => covering && leave(), 5000);
  }
}

// Whoever locks by hand gets the same cover, so that it holds without a network too.
document.addEventListener("submit", (event) => {
  if (event.target.action === form.action) {
    event.preventDefault();
    lock();
  }
});

cover.querySelector("[data-go-on]").addEventListener("click", () => {
  covering = false;
  cover.hidden = true;
  document.querySelector(".frame").inert = false;
  touch();
});

// By the clock and not by a timer alone: a tablet that slept locks when it wakes.
function look() {
  const present = Date.now();
  if (present - touched >= idle) {
    lock();
  } else if (touched > told && present - told >= idle / 4) {
    stillHere();
  }
}

setInterval(look, 500);
document.addEventListener("visibilitychange", look);
// The back key shows a page as it was left; it may be another person's.
addEventListener("pageshow", (event) => {
  if (event.persisted) {
    cover.hidden = false;
    location.reload();
  }
});
