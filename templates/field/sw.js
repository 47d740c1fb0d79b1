// Answers for the pages of a technician when there is no signal. Pages: the network first, for three seconds,
// then what is kept. Files with hashed names: what is kept first. Nothing that is sent is ever kept.
"use strict";

const NAME = "field-{{ version }}";
const FILES = [{% for file in static %}"{{ file }}"{% if not forloop.last %}, {% endif %}{% endfor %}];
const PATIENCE = 3000;

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(NAME).then((cache) => cache.addAll(FILES)).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    for (const name of await caches.keys()) if (name !== NAME) await caches.delete(name);
    await self.clients.claim();
  })());
});

function good(answer) {
  return answer.ok && !answer.redirected && answer.type === "basic";
}

self.addEventListener("message", (event) => {
  event.waitUntil((async () => {
    const cache = await caches.open(NAME);
    let kept = 0;
    for (const page of event.data.pages) {
      try {
        const answer = await fetch(page, { cache: "no-store" });
        if (good(answer)) {
          await cache.put(page, answer);
          kept += 1;
        }
      } catch {
        if (await cache.match(page)) kept += 1;
      }
    }
    const wanted = new Set([...event.data.pages, ...FILES]);
    for (const held of await cache.keys()) {
      if (!wanted.has(new URL(held.url).pathname)) await cache.delete(held);
    }
    event.source.postMessage({ kept });
  })());
});

async function page(request) {
  const cache = await caches.open(NAME);
  const path = new URL(request.url).pathname;
  const network = fetch(request).then(async (answer) => {
    if (good(answer)) await cache.put(path, answer.clone());
    return answer;
  });
  const late = new Promise((resolve) => setTimeout(resolve, PATIENCE));
  try {
    const answer = await Promise.race([network, late]);
    if (answer && answer.status < 500) return answer;
  } catch {
    // no network: what is kept answers
  }
  return (await cache.match(path)) || network;
}

self.addEventListener("fetch", (event) => {
  if (event.request.method !== "GET") return;
  const address = new URL(event.request.url);
  if (event.request.mode === "navigate") {
    event.respondWith(page(event.request));
  } else if (FILES.includes(address.pathname)) {
    event.respondWith(caches.match(event.request).then((held) => held || fetch(event.request)));
  }
});
