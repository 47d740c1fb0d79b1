// The pack: the pages of the day, kept on the phone for when there is no signal. It belongs to one person.
// The worker (sw.js) stores each page with the files it names; this module says which pages, and how far it has come.
"use strict";

import { noteContact } from "./clock.js";
import { author } from "./store.js";

export const PACK = "pack";
export const OWNER = "/field/pack-owner";
const ALWAYS = ["/field/", "/field/signed-out/"];
const said = document.getElementById("pack"); // only Today has it
let packing = null;
let ended = false; // this page packs nothing any more

// Whose pack it is, which pages it should hold, which of them are still to come, and when it was complete.
export async function readOwner() {
  if (!("caches" in window) || !(await caches.has(PACK))) return null;
  const cache = await caches.open(PACK);
  const answer = await cache.match(OWNER);
  return answer ? answer.json() : null;
}

async function writeOwner(owner) {
  const cache = await caches.open(PACK);
  await cache.put(OWNER, new Response(JSON.stringify(owner), { headers: { "Content-Type": "application/json" } }));
}

// Throw the pack away; this page packs nothing after that, also where it is just about to.
export async function clearPack() {
  ended = true;
  await dropPack();
}

const dropPack = async () => "caches" in window && caches.delete(PACK);

// Close the pack without throwing it away: no page of it is shown until somebody has signed in again.
export async function sealPack() {
  ended = true;
  const owner = await readOwner();
  if (owner) await writeOwner({ ...owner, sealed: true });
}

// Make the pack this person's own, and bring it up to date: on Today all of it, elsewhere what is still to come.
export async function pack() {
  if (!("serviceWorker" in navigator) || !author) return;
  if (new URLSearchParams(location.search).has("fresh")) {
    for (const registration of await navigator.serviceWorker.getRegistrations()) await registration.unregister();
    await clearPack();
    tell("Nothing is kept on this phone now: load this page again to pack anew.");
    return;
  }
  let owner = await readOwner();
  if (!owner || owner.author !== author) {
    await dropPack(); // somebody else's day, or nobody's
    owner = null;
  }
  const onToday = location.pathname === "/field/";
  const links = [...document.querySelectorAll("a[data-pack]")].map((link) => link.getAttribute("href"));
  const wanted = onToday ? [...new Set([...ALWAYS, ...links])] : owner ? owner.wanted : ALWAYS;
  await writeOwner({ author, wanted, left: onToday || !owner ? wanted : owner.left, at: owner && owner.at });
  await navigator.serviceWorker.register("/field/sw.js", { scope: "/field/" });
  await controlled();
  navigator.serviceWorker.addEventListener("controllerchange", async () => { // a new version of the worker took over
    await packing;
    goOn();
  });
  window.addEventListener("online", goOn);
  if (navigator.storage && navigator.storage.persist) await navigator.storage.persist();
  await goOn();
}

// Wait until the worker answers for this page; not for long, for after a forced reload it does not.
function controlled() {
  if (navigator.serviceWorker.controller) return null;
  return new Promise((resolve) => {
    navigator.serviceWorker.addEventListener("controllerchange", resolve, { once: true });
    setTimeout(resolve, 10000);
  });
}

// Pack what is still to come, one page at a time; where it breaks off, the next page or the next signal goes on.
export function goOn() {
  packing ??= packAll().catch(() => {}).finally(() => {
    packing = null;
  });
  return packing;
}

async function packAll() {
  let owner = await readOwner();
  if (!owner || owner.author !== author || owner.sealed) return;
  for (const path of navigator.serviceWorker.controller ? owner.left : []) {
    const done = owner.wanted.length - owner.left.length;
    tell(`Packing the day for when there is no signal: ${done} of ${owner.wanted.length} pages …`);
    if (!(await packOne(path))) break;
    if (ended) return;
    const left = owner.left.filter((other) => other !== path);
    owner = { ...owner, left, at: left.length ? owner.at : Date.now() };
    await writeOwner(owner);
    if (!left.length) await prune(owner);
  }
  await tellState(owner);
}

// Have the worker fetch and store one page; true where the pack holds it as it is now.
async function packOne(path) {
  try {
    const answer = await fetch(path, { cache: "no-store", headers: { "X-Pack": "store" }, signal: AbortSignal.timeout(60000) });
    noteContact(answer);
    if (answer.status === 404 || answer.status === 410) return true; // gone meanwhile: nothing to keep
    return answer.ok && answer.headers.get("X-Packed") === "yes";
  } catch {
    return false;
  }
}

// Throw away pages and files that no page of today's pack needs.
async function prune(owner) {
  const cache = await caches.open(PACK);
  const needed = new Set([...owner.wanted, OWNER, location.pathname]);
  for (const path of [...needed]) {
    const answer = path === OWNER ? null : await cache.match(path);
    if (answer) for (const [, file] of (await answer.text()).matchAll(/(?:href|src)="([^"]+)"/g)) needed.add(file);
  }
  for (const request of await cache.keys()) if (!needed.has(new URL(request.url).pathname)) await cache.delete(request);
}

// Say what the pack really holds, not what it should hold.
async function tellState(owner) {
  const cache = await caches.open(PACK);
  const there = (await Promise.all(owner.wanted.map((path) => cache.match(path)))).filter(Boolean).length;
  const at = owner.at ? ` at ${new Date(owner.at).toLocaleTimeString([], { hour: "numeric", minute: "2-digit" })}` : "";
  const stays = navigator.storage && navigator.storage.persisted && (await navigator.storage.persisted());
  const room = stays ? "" : " The phone may clear them when it runs out of room.";
  if (there === owner.wanted.length) tell(`${there} pages kept on this phone${at}.${room}`);
  else tell(`Unfinished: ${there} of ${owner.wanted.length} pages are kept on this phone. It goes on by itself when there is signal.`);
}

function tell(words) {
  if (said) said.textContent = words;
}
