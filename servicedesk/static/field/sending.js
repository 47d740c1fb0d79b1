// Sending: each record once, in the order they were made. Nothing leaves the outbox before the office has said that it
// is stored. Without signal sending ends; a record that the office has trouble with waits by itself and holds up no other.
"use strict";

import { noteContact, sentAt } from "./clock.js";
import { author, changed, isHeld, myRecords, removeAll, update } from "./store.js";

const LONGEST_WAIT = 5 * 60 * 1000;
const TIME_OUT = 30000;

// What is known of the line to the office; `words` is what to tell, `signIn` whether signing in would help, `noAccess`
// whether the office takes nothing of this person any more.
export const line = { words: "", signIn: false, noAccess: false, otherPerson: false };
export const sentShare = new Map(); // of photos under way, in percent

const notBefore = new Map(); // by the key of a record, on the clock of this page
const failures = new Map(); // by the key of a record: how often in a row it could not be sent
let sending = null;
let again = null;

// Send what is due; `all` sends also what could still be taken back and what waits after trouble.
export function send({ all = false } = {}) {
  if (sending && !all) return sending;
  const before = sending || Promise.resolve();
  const mine = before.then(() =>
    navigator.locks ? navigator.locks.request("outbox", () => sendAll(all)) : sendAll(all),
  ).catch((error) => {
    line.words = `This phone's storage does not answer (${error && error.name}).`;
  }).finally(() => {
    if (sending === mine) sending = null;
    changed();
    plan();
  });
  sending = mine;
  return mine;
}

// There is signal again: what failed before is due at once.
export function sendAgain() {
  forgetFailures();
  return send();
}

function forgetFailures() {
  notBefore.clear();
  failures.clear();
}

// Come back when the next record may be sent.
export async function plan() {
  clearTimeout(again);
  const records = await myRecords().catch(() => []);
  const open = records.filter((record) => record.state !== "needs your answer" && !waitsForItsRecord(record, records));
  if (!open.length || line.signIn || line.noAccess || line.otherPerson) return;
  again = setTimeout(send, Math.min(...open.map(wait)) + 50);
}

function wait(record) {
  const held = isHeld(record) ? record.hold - Date.now() : 0;
  return Math.max(held, (notBefore.get(record.key) || 0) - performance.now(), 0);
}

// A photo is sent once its record is stored, that is, has left the outbox.
function waitsForItsRecord(record, records) {
  return record.kind === "photo" && records.some((other) => other.key === record.record);
}

async function sendAll(all) {
  if (all) forgetFailures();
  const due = (await myRecords()).filter(
    (record) => record.state !== "needs your answer" && (all ? true : wait(record) <= 0),
  );
  if (!due.length) return;
  const token = await freshToken(due);
  if (!token) return;
  for (const record of due) {
    if (waitsForItsRecord(record, await myRecords())) continue;
    if (!(await sendOne(record, token))) return;
  }
}

// Ask the office for a token, and hear whether whoever recorded is signed in there.
export async function freshToken(due = []) {
  let answer;
  try {
    answer = await fetch("/field/token/", { cache: "no-store", redirect: "error", signal: AbortSignal.timeout(TIME_OUT) });
  } catch {
    line.words = "No signal: it is sent by itself as soon as there is some.";
    for (const record of due) later(record);
    return null;
  }
  noteContact(answer);
  const data = await answer.json().catch(() => ({}));
  const noAccess = answer.status === 403 && data.state === "no access";
  Object.assign(line, { words: "", signIn: answer.status === 401, noAccess, otherPerson: false });
  if (line.signIn || noAccess) {
    line.words = data.words || "You are signed out.";
    document.dispatchEvent(new Event("signed-out"));
    return null;
  }
  if (!answer.ok) {
    line.words = "The office has trouble; it is tried again by itself.";
    for (const record of due) later(record);
    return null;
  }
  if (String(data.user) !== author) {
    line.otherPerson = true;
    line.words = "Somebody else is signed in on this phone now.";
    return null;
  }
  return data.token;
}

function later(record) {
  const times = (failures.get(record.key) || 0) + 1;
  failures.set(record.key, times);
  notBefore.set(record.key, performance.now() + Math.min(2000 * 2 ** times, LONGEST_WAIT));
  record.tries += 1;
}

// Send one record; false where there is no line, so that the others would fare no better.
async function sendOne(record, token) {
  if (!(await update({ ...record, state: "sending" }))) return true; // taken back while others were sent
  changed();
  let answer;
  try {
    answer = record.kind === "photo" ? await upload(record, token) : await post(record, token);
  } catch {
    later(record);
    line.words = "No signal: it is sent by itself as soon as there is some.";
    await update({ ...record, state: "on this phone" });
    return false;
  }
  if (answer.ok) {
    await removeAll([record]);
    changed();
    return true;
  }
  await refused(record, answer.status, await answer.json().catch(() => ({})));
  return answer.status !== 401;
}

async function refused(record, status, data) {
  if ([400, 413, 422].includes(status)) {
    const words = status === 413 ? "it is larger than the office takes" : "the office could not read it";
    await update({
      ...record, state: "needs your answer", said: data.words || words, field: data.field, choices: data.choices, tries: 0,
    });
    return;
  }
  later(record);
  const said = status >= 500 ? "the office has trouble with it; it is tried again by itself" : data.words || "";
  await update({ ...record, state: "on this phone", said });
}

function post(record, token) {
  const { key, kind, body, made_at, made_on, settle } = record;
  const content = { key, kind, made_at, made_on, sent_at: sentAt(record), body };
  if (settle) content.settle = true;
  return fetch("/field/inbox/", {
    method: "POST", redirect: "error", body: JSON.stringify(content), signal: AbortSignal.timeout(TIME_OUT),
    headers: { "X-CSRFToken": token, "Content-Type": "application/json" },
  });
}

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
      changed();
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
