// Keeps a wall screen fresh for days without anybody touching it. News come as server-sent events,
// and are asked for where those do not come through. What is shown counts as fresh only while the
// server says that it is still the present state.

const body = document.body;
const told = body.dataset;
const stale = document.querySelector(".wall-stale");
const staleAfter = Number(told.staleSeconds) * 1000;
const ASK_AFTER = 15_000; // without an event for so long, ask
const ASK_EVERY = 10_000;
const LISTEN_AGAIN = 60_000;
const FETCH_EVERY = 10_000; // however often something changes

let shown = told.mark;
let freshAt = Date.now();
let freshClock = told.clock;
let heardAt = Date.now();
let askedAt = 0;
let fetchedAt = Date.now();
let listenedAt = 0;
let source = null;
let fetching = false;

function fresh(clock) {
  freshAt = Date.now();
  freshClock = clock;
  look();
}

async function heard(news) {
  heardAt = Date.now();
  if (news.version !== told.version) {
    await renew();
  } else if (news.mark === shown) {
    fresh(news.clock);
  } else if (!fetching && Date.now() - fetchedAt >= FETCH_EVERY) {
    await fetchBoard();
  }
}

async function page() {
  const answer = await fetch(location.href, { cache: "no-store" });
  if (answer.status === 404) {
    location.reload(); // the screen was revoked; its page says so
  }
  return answer.ok ? new DOMParser().parseFromString(await answer.text(), "text/html") : null;
}

async function fetchBoard() {
  fetching = true;
  fetchedAt = Date.now();
  try {
    const next = await page();
    if (next !== null) {
      document.getElementById("board").replaceWith(next.getElementById("board"));
      shown = next.body.dataset.mark;
      fit();
      fresh(next.body.dataset.clock);
    }
  } catch {
    // No network: what is shown grows stale, and says so.
  } finally {
    fetching = false;
  }
}

// A new version has new scripts. Only a page that answers is loaded: an error page of the browser
// would stay on the wall for ever.
async function renew() {
  if (fetching || Date.now() - fetchedAt < FETCH_EVERY) {
    return;
  }
  fetchedAt = Date.now();
  try {
    if ((await page()) !== null) {
      location.reload();
    }
  } catch {
    // Tried again at the next news.
  }
}

// Shows of each list what fits on this screen in the type that is read from afar.
function fit() {
  for (const panel of document.querySelectorAll(".wall-panels > section")) {
    const more = panel.querySelector(".wall-more");
    const items = [...panel.querySelectorAll("li:not(.wall-more)")];
    let beyond = Number(more.dataset.beyond);
    for (const one of items) {
      one.hidden = false;
    }
    const count = () => {
      more.hidden = beyond === 0;
      more.textContent = more.dataset.says.replace("0", String(beyond));
    };
    count();
    while (panel.scrollHeight > panel.clientHeight && items.length > 1) {
      items.pop().hidden = true;
      beyond += 1;
      count();
    }
  }
}

function listen() {
  listenedAt = Date.now();
  if (!("EventSource" in window)) {
    return;
  }
  source?.close();
  source = new EventSource(told.events);
  source.addEventListener("news", (event) => heard(JSON.parse(event.data)));
}

async function ask() {
  askedAt = Date.now();
  try {
    const answer = await fetch(told.state, { cache: "no-store" });
    if (answer.status === 404) {
      location.reload();
    } else if (answer.ok) {
      await heard(await answer.json());
    }
  } catch {
    // Tried again soon.
  }
}

function look() {
  const isStale = Date.now() - freshAt > staleAfter;
  if (isStale) {
    stale.textContent = `${stale.dataset.says} ${freshClock}`;
  }
  if (isStale !== body.classList.contains("is-stale")) {
    body.classList.toggle("is-stale", isStale);
    stale.hidden = !isStale;
    fit();
  }
}

function tick() {
  const present = Date.now();
  const silent = present - heardAt > ASK_AFTER || !source || source.readyState === source.CLOSED;
  if (silent && present - askedAt >= ASK_EVERY) {
    ask();
  }
  if (silent && present - listenedAt >= LISTEN_AGAIN) {
    listen();
  }
  look();
}

body.classList.add("fits");
fit();
addEventListener("resize", fit);
listen();
setInterval(tick, 1000);
