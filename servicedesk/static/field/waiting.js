// What waits on this phone, in words, with what can be done about it. Entries stay the same elements while they wait,
// so that a press finds its button and the focus stays.
"use strict";

import { line, send, sentShare } from "./sending.js";
import { allRecords, author, discard, isHeld, takeBack, update } from "./store.js";

const status = document.getElementById("outbox");
const list = document.getElementById("outbox-list");
const badge = document.getElementById("outbox-badge");
const entries = new Map(); // the elements of each record, by its key
let expiry = null;

const plural = (number, one, many) => `${number} ${number === 1 ? one : many}`;

// Show the outbox as it stands.
export async function show() {
  let records;
  try {
    records = await allRecords();
  } catch (error) {
    status.textContent = `This phone keeps no records (${error && error.name}): a private window, or its storage is switched off.`;
    return;
  }
  const mine = records.filter((record) => record.author === author);
  status.replaceChildren(...statusWords(mine, records.length - mine.length));
  status.dataset.count = String(mine.length);
  badge.hidden = !mine.length;
  badge.textContent = `${mine.length} not sent`;
  for (const [key, entry] of entries) {
    if (mine.some((record) => record.key === key)) continue;
    entry.item.remove();
    entries.delete(key);
  }
  for (const record of mine) showEntry(record);
  for (const place of document.querySelectorAll("[data-finished]")) {
    const here = mine.some((record) => record.kind === "finish" && record.body.visit === Number(place.dataset.finished));
    place.textContent = here ? "Finished on this phone, not sent yet." : "";
  }
  clearTimeout(expiry);
  const holds = mine.filter(isHeld).map((record) => record.hold - Date.now());
  if (holds.length) expiry = setTimeout(show, Math.min(...holds) + 20);
}

function statusWords(mine, others) {
  const parts = [];
  if (mine.length) parts.push(`${mine.length} on this phone, not received yet.`);
  if (others) parts.push(`${plural(others, "record", "records")} of somebody else, who must sign in to send ${others === 1 ? "it" : "them"}.`);
  if (line.words && (mine.length || line.otherPerson)) parts.push(line.words);
  const words = [parts.join(" ") || "All sent."];
  const here = encodeURIComponent(location.pathname);
  if (line.signIn && mine.length) words.push(" ", link(`/sign-in/?next=${here}`, "Sign in to send"));
  if (line.otherPerson) words.push(" ", link("/field/", "Open their day"));
  return words;
}

function showEntry(record) {
  let entry = entries.get(record.key);
  if (!entry) {
    entry = { item: document.createElement("li"), words: document.createElement("p"), buttons: document.createElement("div"), shown: "" };
    entry.buttons.className = "actions";
    entry.item.append(entry.words, entry.buttons);
    entries.set(record.key, entry);
    list.append(entry.item);
  }
  const share = sentShare.has(record.key) ? ` ${sentShare.get(record.key)} %` : "";
  const words = `${record.words}: ${record.state}${share}${record.said ? ` – ${record.said}` : ""}`;
  if (entry.words.textContent !== words) entry.words.textContent = words;
  const offers = offered(record);
  const shown = JSON.stringify(offers.map(([text]) => text));
  if (shown === entry.shown) return;
  entry.shown = shown;
  entry.buttons.replaceChildren(...offers.map(([text, act]) => button(text, act)));
}

// What can be done about a record: the words of each button and what it does.
function offered(record) {
  if (isHeld(record)) return [["Take it back", () => takeBack(record.key)]];
  const trouble = record.tries >= 3 && record.said;
  if (record.state !== "needs your answer" && !trouble) return [];
  const choices = (record.choices || []).map(([value, words]) => [words, () => answerWith(record, { body: { ...record.body, [record.field]: value } })]);
  if (record.kind !== "photo") choices.push(["Let the office settle it", () => answerWith(record, { settle: true })]);
  return [...choices, ["Throw it away …", () => askToThrowAway(record)]];
}

async function answerWith(record, change) {
  await update({ ...record, ...change, state: "on this phone", said: "", choices: null, hold: 0, tries: 0 });
  await show();
  send({ all: true });
}

function askToThrowAway(record) {
  const entry = entries.get(record.key);
  const ask = document.createElement("p");
  ask.textContent = "It is on no other device. Throw it away for good?";
  const keepIt = button("Keep it", () => {
    entry.shown = "";
    show();
  });
  entry.buttons.replaceChildren(ask, keepIt, button("Throw it away for good", () => discard(record.key)));
  keepIt.focus();
}

function button(words, act) {
  const made = document.createElement("button");
  made.type = "button";
  made.className = "plain";
  made.textContent = words;
  made.addEventListener("click", act);
  return made;
}

function link(address, words) {
  const made = document.createElement("a");
  made.href = address;
  made.textContent = words;
  return made;
}

// Say below a form that its record is kept, with the button that takes it back while that can be done.
export function showSaved(form, record) {
  const said = form.querySelector(".said");
  const back = button("Take it back", async () => {
    const back = await takeBack(record.key);
    said.textContent = back ? `Taken back: ${record.words}.` : `Too late to take back: ${record.words}. It was sent, or is being sent.`;
  });
  said.replaceChildren(`Saved on this phone: ${record.words}. `, back);
  setTimeout(() => back.remove(), record.hold - Date.now());
}

// The button below the list: send at once, and say what came of it.
export async function sendNow() {
  status.textContent = "Sending …";
  await send({ all: true });
  await show();
}
