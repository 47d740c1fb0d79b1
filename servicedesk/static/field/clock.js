// When something was recorded, also where the phone's clock is wrong or was set right afterward.
"use strict";

const SAME = 5 * 60 * 1000; // clocks that differ by less agree
const page = crypto.randomUUID();

// What the last contact with the office told: its clock minus the phone's, and when that was by the office's clock.
function lastContact() {
  try {
    return JSON.parse(localStorage.getItem("office-clock")) || {};
  } catch {
    return {};
  }
}

// Note by how much the phone's clock differs from the office's, from the date of an answer that came just now.
export function noteContact(answer) {
  const office = Date.parse(answer.headers.get("Date") || "");
  if (Number.isNaN(office)) return;
  localStorage.setItem("office-clock", JSON.stringify({ offset: office - Date.now(), at: office }));
}

// The times that a record keeps: the phone's clock, its calendar day, and what is known of that clock.
export function timesNow() {
  const now = new Date();
  const two = (number) => String(number).padStart(2, "0");
  return {
    made_at: now.toISOString(),
    made_on: `${now.getFullYear()}-${two(now.getMonth() + 1)}-${two(now.getDate())}`,
    clock: { ...lastContact(), page, tick: performance.now() },
  };
}

// The time at which a record is sent, on the clock that it was made with; the office takes the difference for its age.
export function sentAt(record) {
  const made = Date.parse(record.made_at);
  return new Date(made + age(record, made)).toISOString();
}

function age(record, made) {
  const clock = record.clock || {};
  // How long the page has been open since says that it is at least so old; while a phone sleeps, that may stand still.
  const open = clock.page === page ? performance.now() - clock.tick : 0;
  return Math.max(open, byClocks(clock, made));
}

function byClocks(clock, made) {
  const byPhone = Date.now() - made;
  const { offset } = lastContact();
  if (offset === undefined || clock.offset === undefined || Math.abs(offset - clock.offset) < SAME) return byPhone;
  // The phone's clock was changed since the contact before recording. It was changed afterward if the time then lies
  // between that contact and now; else it was wrong already when the record was made.
  const office = Date.now() + offset;
  const before = made + clock.offset;
  return clock.at <= before + SAME && before <= office + SAME ? office - before : byPhone;
}
