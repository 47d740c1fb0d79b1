// The outbox: what was recorded on this phone and is not stored by the office yet, in the phone's own database.
"use strict";

export const HOLD = 10000; // a record can be taken back for so many milliseconds
export const author = document.body.dataset.author;

const opened = new Promise((resolve, reject) => {
  const request = indexedDB.open("outbox", 1);
  request.onupgradeneeded = () => {
    const store = request.result.createObjectStore("records", { keyPath: "seq", autoIncrement: true });
    store.createIndex("key", "key", { unique: true });
  };
  request.onsuccess = () => resolve(request.result);
  request.onerror = () => reject(request.error);
});
opened.catch(() => {}); // said where the outbox is used

async function inStore(mode, work) {
  const database = await opened;
  return new Promise((resolve, reject) => {
    const transaction = database.transaction("records", mode, { durability: "strict" });
    transaction.onabort = transaction.onerror = () => reject(transaction.error || new Error("not stored"));
    let request = null;
    transaction.oncomplete = () => resolve(request && request.result);
    try {
      request = work(transaction.objectStore("records"));
    } catch (error) {
      transaction.onabort = null;
      transaction.abort(); // all of it or nothing
      reject(error);
    }
  });
}

// All records on this phone, oldest first, also those of other people.
export const allRecords = () => inStore("readonly", (store) => store.getAll());

// The records of whoever is signed in.
export async function myRecords() {
  return (await allRecords()).filter((record) => record.author === author);
}

// Store a changed record, but never bring back one that was taken back or received meanwhile: then nothing comes of it.
export function update(record) {
  return inStore("readwrite", (store) => {
    const request = store.get(record.seq);
    request.onsuccess = () => request.result && store.put(record);
    return request;
  });
}

// Take records out of the outbox, all in one step.
export function removeAll(records) {
  return inStore("readwrite", (store) => {
    for (const record of records) store.delete(record.seq);
  });
}

// Store a record and its photo in one step: both are there afterward, or neither.
export async function keep(kind, body, words, photo, times) {
  const record = {
    key: crypto.randomUUID(), kind, body, words, author, ...times,
    state: "on this phone", hold: Date.now() + HOLD, tries: 0,
  };
  await inStore("readwrite", (store) => {
    const request = store.add(record);
    if (photo) {
      store.add({
        key: crypto.randomUUID(), kind: "photo", record: record.key, photo, words: `photo of ${words}`, author,
        state: "on this phone", hold: record.hold, tries: 0,
      });
    }
    return request;
  });
  changed();
  return record;
}

// Whether a record can still be taken back. A hold beyond the longest one comes from a clock that was set back.
export function isHeld(record) {
  const left = record.hold - Date.now();
  return left > 0 && left <= HOLD && record.state === "on this phone";
}

// Take a record back, its photos with it; false where it is being sent or was sent already.
export async function takeBack(key) {
  let back = false;
  await inStore("readwrite", (store) => {
    const request = store.getAll();
    request.onsuccess = () => {
      const record = request.result.find((each) => each.key === key);
      back = Boolean(record) && isHeld(record);
      if (back) for (const each of request.result) if (each.key === key || each.record === key) store.delete(each.seq);
    };
    return request;
  });
  changed();
  return back;
}

// Throw a record away, its photos with it.
export async function discard(key) {
  const records = await myRecords();
  await removeAll(records.filter((record) => record.key === key || record.record === key));
  changed();
}

// Tell the page that the outbox is not what it was.
export function changed() {
  document.dispatchEvent(new Event("outbox"));
}
