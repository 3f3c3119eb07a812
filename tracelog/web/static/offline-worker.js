// Answers for pages when there is no network. The server puts HOUSE before this text: the version
// of the style sheets and scripts, their addresses, and the page that says what works without.
//
// Pages are shared by nobody: those that are kept belong to the person who was signed in when the
// server last answered, in a cache of that person's name, and are dropped when that is another.

const FILES = `tracelog-files-${HOUSE.version}`;
const STATE = "tracelog-state";
const PAGES = "tracelog-pages-";
// What an operator needs without network: the Log, the entries of late, the machines.
const KEPT = ["/log", "/log/entries", "/"];
const SIGN_OUT = "/sign-out";
const BY_ITSELF = { "Tracelog-By-Itself": "yes" };
// A page that is kept is shown when the network is there in name only.
const PATIENCE_MS = 4_000;
const FRESH_MS = 5 * 60_000;

self.addEventListener("install", (event) => {
  event.waitUntil(fill().then(() => self.skipWaiting()));
});

async function fill() {
  const files = await caches.open(FILES);
  await files.addAll(HOUSE.files);
  // Asked for without cookies: the same page for everybody.
  const plain = await fetch(HOUSE.page, { credentials: "omit", cache: "no-store" });
  if (!plain.ok) {
    throw new Error("the page for no network is not there");
  }
  await files.put(HOUSE.page, plain);
}

self.addEventListener("activate", (event) => {
  event.waitUntil(
    caches
      .keys()
      .then((names) => Promise.all(names.filter((name) => name.startsWith("tracelog-files-") && name !== FILES).map((name) => caches.delete(name))))
      .then(() => self.clients.claim()),
  );
});

// --- who is on: the person of the last page that the server sent

async function state() {
  const kept = await (await caches.open(STATE)).match("/state");
  return kept ? kept.json() : { person: null, leaving: false };
}

async function setState(values) {
  const now = { ...(await state()), ...values };
  await (await caches.open(STATE)).put("/state", new Response(JSON.stringify(now)));
  for (const name of await caches.keys()) {
    if (name.startsWith(PAGES) && name !== PAGES + now.person) {
      await caches.delete(name);
    }
  }
}

function personOn(page) {
  return page.match(/<html[^>]*\sdata-person="([0-9a-f-]{36})"/)?.[1] ?? null;
}

// Requests are numbered, so that an answer that was long on its way says nothing about who is on now.
let begun = 0;
let learned = 0;

async function learn(number, address, response) {
  if (!response.headers.get("Content-Type")?.startsWith("text/html") || response.status >= 500) {
    return;
  }
  const page = await response.text();
  if (number < learned) {
    return;
  }
  learned = number;
  const person = personOn(page);
  await setState({ person });
  if (person && response.status === 200 && KEPT.includes(address)) {
    const headers = new Headers(response.headers);
    headers.delete("Content-Encoding");
    headers.delete("Content-Length");
    headers.set("Tracelog-Kept-At", String(Date.now()));
    await (await caches.open(PAGES + person)).put(address, new Response(page, { headers }));
  }
}

// The page that is kept at an address; the Log is the same with any field filled in beforehand.
async function keptPage({ pathname, search }) {
  const { person } = await state();
  const path = pathname === "/log" ? pathname : pathname + search;
  if (!person || !KEPT.includes(path)) {
    return null;
  }
  const kept = await (await caches.open(PAGES + person)).match(path);
  if (!kept) {
    return null;
  }
  const page = await kept.text();
  const at = kept.headers.get("Tracelog-Kept-At");
  return new Response(page.replace("<html ", `<html data-kept-at="${at}" `), { headers: kept.headers });
}

async function plainPage() {
  const page = await caches.match(HOUSE.page);
  return page ? new Response(await page.text(), { status: 503, headers: page.headers }) : Response.error();
}

// --- signing out without network: carried out as soon as there is one, before anything else

async function leave() {
  if (!(await state()).leaving) {
    return;
  }
  const contact = await (await fetch("/log/contact", { headers: BY_ITSELF, cache: "no-store" })).json();
  if (contact.token) {
    const body = new URLSearchParams({ csrf_token: contact.token });
    await fetch(SIGN_OUT, { method: "POST", body, redirect: "manual" });
  }
  await setState({ leaving: false, person: null });
}

// --- answering

async function fromServer(request, { pathname, search }) {
  await leave();
  begun += 1;
  const number = begun;
  const response = await fetch(request);
  const known = response.type !== "opaqueredirect" && learn(number, pathname + search, response.clone());
  return { response, known };
}

async function page(event, address) {
  const asked = fromServer(event.request, address);
  event.waitUntil(asked.then(({ known }) => known).catch(() => {}));
  const kept = await keptPage(address);
  const soon = kept ? new Promise((resolve) => setTimeout(resolve, PATIENCE_MS, { response: kept })) : asked;
  try {
    const { response } = await Promise.race([asked, soon]);
    return response;
  } catch {
    return kept ?? plainPage();
  }
}

async function sent(event, { pathname }) {
  try {
    // What is sent goes on its way at once; only whoever has signed out here is signed out first.
    await leave();
    return await fetch(event.request);
  } catch {
    if (pathname === SIGN_OUT) {
      await setState({ person: null, leaving: true });
    }
    return plainPage();
  }
}

async function file(request) {
  const files = await caches.open(FILES);
  const kept = await files.match(request);
  if (kept) {
    return kept;
  }
  try {
    return await fetch(request);
  } catch (problem) {
    // A page of an earlier version gets the present file of that name.
    const name = new URL(request.url).pathname.replace(/^\/static\/[^/]+\//, "");
    const same = await files.match(`/static/${HOUSE.version}/${name}`);
    if (same) {
      return same;
    }
    throw problem;
  }
}

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const address = new URL(request.url);
  if (address.origin !== self.location.origin) {
    return;
  }
  if (request.mode === "navigate") {
    event.respondWith(request.method === "GET" ? page(event, address) : sent(event, address));
  } else if (request.method === "GET" && address.pathname.startsWith("/static/")) {
    event.respondWith(file(request));
  }
});

// --- keeping what was not looked at lately

async function refresh(person, anew) {
  if ((await state()).leaving) {
    return;
  }
  const pages = await caches.open(PAGES + person);
  for (const path of KEPT) {
    const kept = await pages.match(path);
    if (!anew && kept && Date.now() - Number(kept.headers.get("Tracelog-Kept-At")) < FRESH_MS) {
      continue;
    }
    begun += 1;
    const number = begun;
    const response = await fetch(path, { headers: BY_ITSELF, cache: "no-store", redirect: "manual" });
    if (response.ok) {
      await learn(number, path, response);
    }
  }
}

self.addEventListener("message", (event) => {
  if (event.data?.refresh) {
    event.waitUntil(refresh(event.data.refresh, event.data.anew).catch(() => {}));
  }
});

self.addEventListener("sync", (event) => {
  if (sendAll) {
    event.waitUntil(sendAll());
  }
});
