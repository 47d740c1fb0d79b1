// Answers for the pages of a technician when there is no signal. Pages: the network first, for three seconds, then the
// pack. Files with hashed names: the pack first. The pack belongs to one person and holds each page with the files that
// it names, so a new version of the scripts takes nothing from it. Nothing that is sent is ever kept.
"use strict";

const PACK = "pack";
const OWNER = "/field/pack-owner";
const SIGNED_OUT = "/field/signed-out/";
const STATIC = "{{ static_url }}";
const PATIENCE = 3000;

self.addEventListener("install", (event) => event.waitUntil(self.skipWaiting()));

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    for (const name of await caches.keys()) if (name !== PACK) await caches.delete(name);
    await self.clients.claim();
  })());
});

async function owner() {
  const answer = await caches.match(OWNER, { cacheName: PACK });
  return answer ? answer.json() : null;
}

// Store a page and the files it names; false where it is not the page of whoever the pack belongs to.
async function store(path, answer) {
  if (!answer.ok || answer.redirected || answer.type !== "basic") return false;
  const text = await answer.clone().text();
  const { author } = (await owner()) || {};
  if (!author || (path !== SIGNED_OUT && !text.includes(`data-author="${author}"`))) return false;
  const cache = await caches.open(PACK);
  const files = new Set([...text.matchAll(/(?:href|src)="([^"]+)"/g)].map(([, file]) => file));
  for (const file of files) if (file.startsWith(STATIC) && !(await cache.match(file))) await cache.add(file);
  if (((await owner()) || {}).author !== author) return false; // signed out meanwhile
  await cache.put(path, answer);
  return true;
}

async function page(event) {
  const path = new URL(event.request.url).pathname;
  const network = fetch(event.request);
  event.waitUntil(network.then((answer) => store(path, answer.clone())).catch(() => {}));
  const late = new Promise((resolve) => setTimeout(resolve, PATIENCE));
  try {
    const answer = await Promise.race([network, late]);
    if (answer && answer.status < 500) return answer;
  } catch {
    // no network: the pack answers
  }
  const whose = await owner();
  const packed = whose && (await caches.match(whose.sealed ? SIGNED_OUT : path, { cacheName: PACK }));
  return packed || network;
}

async function packPage(request) {
  const answer = await fetch(request);
  const stored = await store(new URL(request.url).pathname, answer.clone());
  const headers = new Headers(answer.headers);
  headers.set("X-Packed", stored ? "yes" : "no");
  return new Response(answer.body, { status: answer.status, headers });
}

self.addEventListener("fetch", (event) => {
  const { request } = event;
  if (request.method !== "GET") return;
  const address = new URL(request.url);
  if (address.origin !== self.location.origin) return;
  if (request.mode === "navigate") {
    event.respondWith(page(event));
  } else if (request.headers.get("X-Pack")) {
    event.respondWith(packPage(request));
  } else if (address.pathname.startsWith(STATIC)) {
    event.respondWith(caches.match(request, { cacheName: PACK }).then((packed) => packed || fetch(request)));
  }
});
