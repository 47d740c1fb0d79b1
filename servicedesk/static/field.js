// The technician's phone: what is recorded goes into an outbox on the phone first and is sent from there, each
// record once, in the order it was made. Nothing leaves the outbox before the desk has said that it is stored.
"use strict";

const HOLD = 10000; // a record can be taken back for so long
const LONGEST_SIDE = 2048;
const author = document.body.dataset.author;
const told = document.getElementById("outbox");
const list = document.getElementById("outbox-list");

// --- the outbox, in the phone's own database -----------------------------------------------------------------
const opened = new Promise((resolve, reject) => {
  const request = indexedDB.open("outbox", 1);
  request.onupgradeneeded = () => {
    const store = request.result.createObjectStore("records", { keyPath: "seq", autoIncrement: true });
    store.createIndex("key", "key", { unique: true });
  };
  request.onsuccess = () => resolve(request.result);
  request.onerror = () => reject(request.error);
});

async function inStore(mode, work) {
  const database = await opened;
  return new Promise((resolve, reject) => {
    const transaction = database.transaction("records", mode, { durability: "strict" });
    const request = work(transaction.objectStore("records"));
    transaction.oncomplete = () => resolve(request.result);
    transaction.onabort = transaction.onerror = () => reject(transaction.error || request.error);
  });
}

const waiting = () => inStore("readonly", (store) => store.getAll());
const put = (record) => inStore("readwrite", (store) => store.put(record));
const remove = (seq) => inStore("readwrite", (store) => store.delete(seq));

async function keep(kind, body, words, photo) {
  const key = crypto.randomUUID();
  const record = {
    key, kind, body, words, author, made_at: new Date().toISOString(),
    state: "on this phone", hold: Date.now() + HOLD, tries: 0,
  };
  record.seq = await put(record);
  if (photo) {
    await put({
      key: crypto.randomUUID(), kind: "photo", record: key, photo, words: `photo of ${words}`, author,
      state: "on this phone", hold: record.hold, tries: 0,
    });
  }
  return record;
}

// --- showing what waits --------------------------------------------------------------------------------------
async function show() {
  const records = await waiting();
  const mine = records.filter((record) => record.author === author);
  const others = records.length - mine.length;
  const parts = [];
  if (mine.length) parts.push(`${mine.length} on this phone, not received yet`);
  if (others) parts.push(`${others} of somebody else, who must sign in to send them`);
  if (mine.length && signedOut) parts.push("sign in to send them");
  told.textContent = parts.join("; ") || "All sent.";
  told.dataset.count = String(mine.length);
  list.replaceChildren(...mine.map(entry));
}

function entry(record) {
  const item = document.createElement("li");
  const held = record.hold > Date.now() && record.state === "on this phone";
  const share = sentShare.has(record.key) ? ` ${sentShare.get(record.key)} %` : "";
  item.textContent = `${record.words}: ${record.state}${share}${record.said ? ` – ${record.said}` : ""} `;
  if (record.choices) {
    for (const [value, words] of record.choices) {
      item.append(button(words, async () => {
        record.body[record.field] = value;
        await put({ ...record, state: "on this phone", said: "", choices: null, hold: 0 });
        send();
      }));
    }
  }
  if (held || record.state === "needs your answer") {
    item.append(button(held ? "Take it back" : "Throw it away", async () => {
      const records = await waiting();
      for (const other of records) if (other.record === record.key) await remove(other.seq);
      await remove(record.seq);
      show();
    }));
  }
  return item;
}

function button(words, act) {
  const made = document.createElement("button");
  made.type = "button";
  made.className = "plain";
  made.textContent = words;
  made.addEventListener("click", act);
  return made;
}

// --- sending -------------------------------------------------------------------------------------------------
let sending = null;
let signedOut = false;
let stays = false;
let again = null;

function send() {
  sending ??= (navigator.locks
    ? navigator.locks.request("outbox", sendAll)
    : sendAll()
  ).catch(() => {}).finally(() => {
    sending = null;
    show();
    plan();
  });
  return sending;
}

async function plan() {
  clearTimeout(again);
  const mine = (await waiting()).filter((record) => record.author === author && record.state !== "needs your answer");
  if (!mine.length) return;
  const held = Math.max(0, Math.min(...mine.map((record) => record.hold)) - Date.now());
  const tries = Math.min(...mine.map((record) => record.tries));
  again = setTimeout(send, Math.max(held, Math.min(2000 * 2 ** tries, 60000)) + 50);
}

async function sendAll() {
  const records = (await waiting()).filter(
    (record) => record.author === author && record.hold <= Date.now() && record.state !== "needs your answer",
  );
  if (!records.length) return;
  const answer = await fetch("/field/token/", { cache: "no-store", redirect: "error" });
  if (answer.status === 401) {
    signedOut = true;
    return;
  }
  signedOut = false;
  const { token, user } = await answer.json();
  if (String(user) !== author) return;
  for (const record of records) if (!(await sendOne(record, token))) return;
}

async function sendOne(record, token) {
  await put({ ...record, state: "sending", tries: record.tries + 1 });
  show();
  let answer;
  try {
    answer = record.kind === "photo" ? await upload(record, token) : await fetch("/field/inbox/", {
      method: "POST", redirect: "error", body: content(record),
      headers: { "X-CSRFToken": token, "Content-Type": "application/json" },
    });
  } catch {
    await put({ ...record, state: "on this phone", tries: record.tries + 1 });
    return false;
  }
  if (answer.ok) {
    await remove(record.seq);
    return true;
  }
  const said = await answer.json().catch(() => ({}));
  if ([400, 413, 422].includes(answer.status)) {
    await put({
      ...record, state: "needs your answer", said: said.words || (answer.status === 413 ? "it is larger than the desk takes" : "the desk could not read it"),
      field: said.field, choices: said.choices, tries: 0,
    });
    return true;
  }
  await put({ ...record, state: "on this phone", tries: record.tries + 1 });
  return answer.status === 409;
}

function content(record) {
  return JSON.stringify({ key: record.key, kind: record.kind, made_at: record.made_at, body: record.body });
}

const sentShare = new Map(); // of photos under way, in percent

function upload(record, token) {
  const form = new FormData();
  form.append("key", record.key);
  form.append("record", record.record);
  form.append("photo", record.photo, "photo.jpg");
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest(); // fetch does not tell how far an upload has come
    request.open("POST", "/field/photos/");
    request.setRequestHeader("X-CSRFToken", token);
    request.upload.onprogress = (event) => {
      sentShare.set(record.key, Math.round((100 * event.loaded) / event.total));
      show();
    };
    request.onloadend = () => sentShare.delete(record.key);
    request.onload = () => resolve({
      ok: request.status >= 200 && request.status < 300,
      status: request.status,
      json: async () => JSON.parse(request.responseText),
    });
    request.onerror = request.ontimeout = request.onabort = () => reject(new Error("not sent"));
    request.send(form);
  });
}

// --- recording -----------------------------------------------------------------------------------------------
async function scaled(file) {
  const image = await createImageBitmap(file, { imageOrientation: "from-image" });
  const scale = Math.min(1, LONGEST_SIDE / Math.max(image.width, image.height));
  const canvas = document.createElement("canvas");
  canvas.width = Math.round(image.width * scale);
  canvas.height = Math.round(image.height * scale);
  canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
  image.close();
  return new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", 0.85));
}

function today() {
  const now = new Date();
  const two = (number) => String(number).padStart(2, "0");
  return `${now.getFullYear()}-${two(now.getMonth() + 1)}-${two(now.getDate())}`;
}

function about(form) {
  const body = {};
  for (const name of ["unit", "site", "visit", "call"]) if (form.dataset[name]) body[name] = Number(form.dataset[name]);
  return body;
}

async function record(form) {
  const data = new FormData(form);
  const kind = form.dataset.kind;
  const body = { ...about(form), found_on: today(), done_on: today() };
  for (const [name, value] of data) if (typeof value === "string" && name !== "works" && value) body[name] = value;
  if (kind === "finding") body.works = data.getAll("works");
  if ("worn" in body) { body.is_failure = false; delete body.worn; }
  const file = data.get("photo");
  const photo = file && file.size ? await scaled(file) : null;
  const picked = form.querySelector("input[name=mode]:checked");
  const words = (picked && picked.dataset.words) || form.dataset.words;
  try {
    await keep(kind, body, words, photo);
  } catch (error) {
    say(form, `This phone could not keep it (${error && error.name}). It is still on the screen: free some room, then try again.`);
    return;
  }
  say(form, `Saved on this phone: ${words}. You can take it back for ten seconds.`);
  form.reset();
  mark(form);
  await show();
  plan();
}

function say(form, words) {
  form.querySelector(".said").textContent = words;
}

function mark(form) {
  const panel = form.querySelector("[name=panel]");
  const corner = form.querySelector("[name=corner]");
  if (!panel) return;
  for (const part of form.querySelectorAll("[data-panel]")) {
    const here = part.dataset.panel === panel.value && (part.dataset.corner || "") === corner.value;
    part.classList.toggle("picked", here);
  }
  const picked = form.querySelector("#picked");
  picked.textContent = panel.value ? `Panel ${panel.value}${corner.value ? `, corner ${corner.value}` : ""}` : "No panel chosen";
}

for (const form of document.querySelectorAll("form[data-kind]")) {
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    record(form);
  });
  const drawing = form.querySelector("figure svg");
  if (drawing) {
    drawing.addEventListener("click", (event) => {
      const under = document.elementsFromPoint(event.clientX, event.clientY);
      const part = under.map((element) => element.closest("[data-panel]")).find(Boolean);
      if (!part) return;
      form.querySelector("[name=panel]").value = part.dataset.panel;
      form.querySelector("[name=corner]").value = part.dataset.corner || "";
      mark(form);
    });
  }
  const severity = form.querySelector(".if-danger input");
  if (severity) {
    form.addEventListener("change", () => {
      severity.required = Boolean(form.querySelector("[name=severity][value=danger]:checked"));
    });
  }
}

// --- leaving -------------------------------------------------------------------------------------------------
for (const form of document.querySelectorAll("form[data-sign-out]")) {
  form.addEventListener("submit", async (event) => {
    if (form.dataset.sure) return;
    event.preventDefault();
    const mine = (await waiting()).filter((one) => one.author === author);
    if (mine.length && !window.confirm(`Not sent yet: ${mine.map((one) => one.words).join("; ")}. They stay on this phone until you sign in again. Sign out?`)) return;
    for (const name of await caches.keys()) await caches.delete(name);
    form.dataset.sure = "yes";
    form.submit();
  });
}

// --- the pack for when there is no signal --------------------------------------------------------------------
async function pack() {
  if (!("serviceWorker" in navigator)) return;
  if (new URLSearchParams(location.search).has("fresh")) {
    for (const registration of await navigator.serviceWorker.getRegistrations()) await registration.unregister();
    for (const name of await caches.keys()) await caches.delete(name);
    return;
  }
  await navigator.serviceWorker.register("/field/sw.js", { scope: "/field/" });
  const ready = await navigator.serviceWorker.ready;
  if (navigator.storage && navigator.storage.persist) stays = await navigator.storage.persist();
  if (location.pathname !== "/field/") return; // only Today knows what the day needs
  const pages = [...document.querySelectorAll("a[data-pack]")].map((link) => link.getAttribute("href"));
  ready.active.postMessage({ pages: ["/field/", ...new Set(pages)], author });
}

navigator.serviceWorker?.addEventListener("message", (event) => {
  const said = document.getElementById("pack");
  if (said && event.data.kept) said.textContent = `${event.data.kept} pages kept on this phone at ${new Date().toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" })}${stays ? "" : "; the phone may clear them when it runs out of room"}.`;
});
window.addEventListener("online", send);
document.addEventListener("visibilitychange", () => document.hidden || send());
document.getElementById("send-now").addEventListener("click", send);
setInterval(show, 1000);
show();
send();
pack().catch(() => {});
