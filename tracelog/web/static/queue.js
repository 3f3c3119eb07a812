// The queue of this tablet: an entry is kept here first, then sent until the server has it. Its id
// is made here, so that however often it is sent it is kept there once. An entry belongs to the
// person who logged it; it is sent only while the server knows that person.

import { answer, fact, setFact, within } from "./tablet-store.js";

const PATIENCE_MS = 20_000;
const LEASE_MS = 60_000;
const SENT_SHOWN_MS = 10 * 60_000;
const LONGEST_PAUSE_MS = 60_000;
const LONGEST_RETRY_AFTER_S = 120;
// Nobody has tapped for this request: it keeps no session alive and takes no message away.
const BY_ITSELF = { "Tracelog-By-Itself": "yes" };
const told = typeof BroadcastChannel === "undefined" ? null : new BroadcastChannel("tracelog-queue");
const own = Math.random();
const listeners = new Set();

export function onChange(listener) {
  if (listeners.size === 0) {
    told?.addEventListener("message", () => listeners.forEach((one) => one()));
  }
  listeners.add(listener);
}

function changed() {
  told?.postMessage("changed");
  listeners.forEach((one) => one());
}

// UUID version 7 (RFC 9562, 5.7): 48 bits of milliseconds, the rest by chance.
export function newId(at = Date.now()) {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  for (let place = 0; place < 6; place += 1) {
    bytes[place] = Math.floor(at / 2 ** (8 * (5 - place))) % 256;
  }
  bytes[6] = 0x70 | (bytes[6] & 0x0f);
  bytes[8] = 0x80 | (bytes[8] & 0x3f);
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})/, "$1-$2-$3-$4-");
}

// Keeps an entry: { id, person, name, form, fields, at } and its pictures. The promise is kept when
// the entry is. The same id again changes nothing, unless the server has refused it. `replaces` names
// a refused entry whose id the server knows with other content; its pictures come along.
export async function add(entry, pictures = []) {
  await within("readwrite", async (entries, photos, facts) => {
    const there = await answer(entries.get(entry.id));
    if (there && there.state !== "refused") {
      return;
    }
    const clock = (await answer(facts.get("contact"))) ?? null;
    const at = there ? there.at : entry.at;
    entries.put({ ...entry, at, clock: there ? there.clock : clock, state: "waiting", tries: 0, due: 0, sealed: null, faults: [] });
    if (entry.replaces) {
      entries.delete(entry.replaces);
      for (const photo of await answer(photos.index("entry").getAll(entry.replaces))) {
        photos.put({ ...photo, entry: entry.id });
      }
    }
    for (const picture of pictures) {
      photos.put({ id: newId(), entry: entry.id, person: entry.person, picture, state: "waiting", tries: 0, due: 0 });
    }
  });
  changed();
}

export function all() {
  return within("readonly", async (entries, photos) => {
    const [kept, pictures] = await Promise.all([answer(entries.getAll()), answer(photos.getAll())]);
    for (const one of kept) {
      one.photos = pictures.filter((picture) => picture.entry === one.id).map(({ id, state, faults, due }) => ({ id, state, faults, due }));
    }
    return kept.sort((one, other) => (one.id < other.id ? 1 : -1));
  });
}

// Takes an entry out of the queue; false where it may have reached the server already.
export async function remove(id) {
  const gone = await within("readwrite", async (entries, photos) => {
    const one = await answer(entries.get(id));
    if (!one || !(one.state === "refused" || (one.state === "waiting" && !one.sealed))) {
      return false;
    }
    entries.delete(id);
    for (const key of await answer(photos.index("entry").getAllKeys(id))) {
      photos.delete(key);
    }
    return true;
  });
  changed();
  return gone;
}

export async function removePhoto(id) {
  await within("readwrite", (_entries, photos) => answer(photos.delete(id)));
  changed();
}

function fetchJson(address, options = {}) {
  const signal = AbortSignal.timeout(PATIENCE_MS);
  return fetch(address, { cache: "no-store", redirect: "manual", signal, ...options });
}

// Asks the server for its time, who is signed in, and the token to write with; null: out of reach.
// How far the clock here is ahead is taken at the middle of the way there and back.
export async function meet() {
  try {
    const before = Date.now();
    const response = await fetchJson("/log/contact", { headers: BY_ITSELF });
    const after = Date.now();
    if (response.type === "opaqueredirect") {
      return { person: null }; // something else comes first, such as choosing a PIN
    }
    const contact = await response.json();
    if (!response.ok || !contact.now) {
      return null;
    }
    const error = Math.round((before + after) / 2 - Date.parse(contact.now));
    await setFact("contact", { at: after, error, within: Math.ceil((after - before) / 2) });
    return contact;
  } catch {
    return null;
  }
}

// What is sent of an entry, the same each time. Of the contact before it was logged and the latest
// one, the nearer says how far the clock was wrong.
function seal(entry, latest) {
  const known = [entry.clock, latest].filter(Boolean);
  known.sort((one, other) => Math.abs(one.at - entry.at) - Math.abs(other.at - entry.at));
  return {
    id: entry.id,
    person: entry.person,
    form: entry.form,
    fields: entry.fields,
    logged_at: new Date(entry.at).toISOString(),
    tablet_clock_error_s: known.length ? known[0].error / 1000 : null,
  };
}

function pause(tries) {
  return Math.min(LONGEST_PAUSE_MS, 1000 * 2 ** tries) * (0.5 + Math.random());
}

// A server that is busy says after how many seconds to come again; 0 where it does not.
function retryAfter(response) {
  const seconds = response.status === 503 ? Number(response.headers.get("Retry-After")) : 0;
  return Number.isFinite(seconds) ? 1000 * Math.min(LONGEST_RETRY_AFTER_S, Math.max(0, seconds)) : 0;
}

function write(store, id, values) {
  return within("readwrite", async (entries, photos) => {
    const kept = store === "photos" ? photos : entries;
    const one = await answer(kept.get(id));
    if (one) {
      kept.put({ ...one, ...values });
    }
  });
}

// What an answer means: "kept", "refused", "later" (this one again later), "who" (the person is not
// signed in, or has another session now). Only an answer that is plainly ours counts.
async function verdict(response, id) {
  const said = await response.json().catch(() => ({}));
  if (response.ok) {
    return said.id === id ? { is: "kept", said } : { is: "later" };
  }
  const faults = said.faults ?? (said.detail ? [{ field: "", sentence: said.detail }] : null);
  if (response.status === 409 && faults?.some((one) => one.field === "person")) {
    return { is: "who" };
  }
  if ([409, 413, 415, 422].includes(response.status) && faults) {
    return { is: "refused", faults, conflict: response.status === 409 };
  }
  if ([400, 401, 403].includes(response.status) || response.type === "opaqueredirect") {
    return { is: "who" };
  }
  return { is: "later", after: retryAfter(response) };
}

function post(address, body, token) {
  const headers = { ...BY_ITSELF, "Content-Type": "application/json", "X-CSRFToken": token };
  return fetchJson(address, { method: "POST", body: JSON.stringify(body), headers });
}

async function keepAnswer(store, one, answered) {
  if (answered.is === "kept") {
    const done = { state: "sent", sentAt: Date.now(), told: answered.said.told ?? "" };
    await write(store, one.id, store === "photos" ? { ...done, picture: null } : done);
  } else if (answered.is === "refused") {
    await write(store, one.id, { state: "refused", faults: answered.faults, conflict: answered.conflict });
  } else if (answered.is === "later") {
    // Pictures of an earlier version have no number of tries; one that is none would never be due.
    const tries = one.tries || 0;
    await write(store, one.id, { tries: tries + 1, due: Date.now() + Math.max(answered.after ?? 0, pause(tries)) });
  }
  changed();
  return answered.after ? "busy" : answered.is;
}

async function sendEntry(entry, contact) {
  const sealed = entry.sealed ?? seal(entry, await fact("contact"));
  // From here on the server may have it, so that it is no longer taken back.
  await write("entries", entry.id, { sealed });
  changed();
  const response = await post("/log/queued", sealed, contact.token);
  return keepAnswer("entries", entry, await verdict(response, entry.id));
}

async function sendPhoto(photo, contact) {
  const bytes = new Uint8Array(await photo.picture.arrayBuffer());
  const text = Array.from(bytes, (byte) => String.fromCharCode(byte)).join("");
  const body = { id: photo.id, entry: photo.entry, photo: btoa(text) };
  const response = await post("/api/v1/photos", body, contact.token);
  return keepAnswer("photos", photo, await verdict(response, photo.id));
}

// What can be sent now: entries first, then pictures of entries that the server has.
function next(person, passed) {
  const ready = (one) => one.person === person && one.state === "waiting" && !(one.due > Date.now()) && !passed.has(one.id);
  return within("readonly", async (entries, photos) => {
    const kept = await answer(entries.getAll());
    const entry = kept.find(ready);
    if (entry) {
      return { entry };
    }
    const unsent = new Set(kept.filter((one) => one.state !== "sent").map((one) => one.id));
    const photo = (await answer(photos.getAll())).find((one) => ready(one) && !unsent.has(one.entry));
    return photo ? { photo } : null;
  });
}

function tidy() {
  return within("readwrite", async (entries, photos) => {
    const pictures = await answer(photos.getAll());
    for (const one of await answer(entries.getAll())) {
      const open = pictures.some((photo) => photo.entry === one.id && photo.state !== "sent");
      if (one.state === "sent" && !open && Date.now() - one.sentAt > SENT_SHOWN_MS) {
        entries.delete(one.id);
        pictures.filter((photo) => photo.entry === one.id).forEach((photo) => photos.delete(photo.id));
      }
    }
  });
}

// Sends all that is due. Returns the contact with the server, null if it was out of reach.
async function run(force) {
  await tidy();
  let contact = await meet();
  if (force) {
    await within("readwrite", async (...stores) => {
      for (const store of stores.slice(0, 2)) {
        for (const one of await answer(store.getAll())) {
          if (one.state === "waiting" && one.due !== 0) {
            store.put({ ...one, due: 0 });
          }
        }
      }
    });
  }
  const passed = new Set();
  const asked = new Set();
  while (contact?.person && contact.may_log) {
    const found = await next(contact.person, passed);
    if (!found) {
      break;
    }
    const one = found.entry ?? found.photo;
    passed.add(one.id);
    try {
      await renewLease();
      const became = await (found.entry ? sendEntry(one, contact) : sendPhoto(one, contact));
      if (became === "busy") {
        break; // the others wait too: to send them now would only add to it
      }
      if (became === "who") {
        contact = await meet();
        if (contact?.person === one.person && !asked.has(one.id)) {
          asked.add(one.id);
          passed.delete(one.id);
        }
      }
    } catch {
      // No answer: the server may have it or not, and is asked again.
      await keepAnswer(found.entry ? "entries" : "photos", one, { is: "later" });
      contact = null;
    }
  }
  return contact;
}

// --- one sender, however many pages of ours are open

function takeLease() {
  return within("readwrite", async (_entries, _photos, facts) => {
    const lease = await answer(facts.get("lease"));
    if (lease && lease.owner !== own && lease.until > Date.now()) {
      return false;
    }
    facts.put({ owner: own, until: Date.now() + LEASE_MS }, "lease");
    return true;
  });
}

function renewLease() {
  return navigator.locks ? null : takeLease();
}

async function alone(work) {
  if (navigator.locks) {
    return navigator.locks.request("tracelog-sender", work);
  }
  if (!(await takeLease())) {
    return null;
  }
  try {
    return await work();
  } finally {
    await setFact("lease", null);
  }
}

let coming = null;
let forced = false;

// Sends what waits; calls that come before one has begun are one. `force`: do not wait out pauses.
export function sendAll({ force = false } = {}) {
  forced ||= force;
  if (!coming) {
    const call = alone(() => {
      const now = forced;
      forced = false;
      coming = null;
      return run(now);
    }).finally(() => {
      coming = coming === call ? null : coming;
    });
    coming = call;
  }
  return coming;
}
