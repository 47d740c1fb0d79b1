// The forms of the porch: what is filled in becomes a record in the outbox; panels and corners are picked on the drawing.
"use strict";

import { timesNow } from "./clock.js";
import { scaled } from "./photos.js";
import { showOn, tapped } from "./picking.js";
import { line, plan } from "./sending.js";
import { keep } from "./store.js";
import { showSaved } from "./waiting.js";

// Whether a field belongs to an answer that was not given, so that nobody sees it.
function isHidden(field) {
  for (let part = field.closest("[class*='if-']"); part; part = part.parentElement.closest("[class*='if-']")) {
    if (getComputedStyle(part).display === "none") return true;
  }
  return false;
}

// What a form says, by the names of its fields; fields marked data-list give an array, hidden ones say nothing.
function bodyOf(form, data) {
  for (const field of [...form.elements].filter(isHidden)) data.delete(field.name);
  const body = {};
  for (const name of ["unit", "site", "visit", "call"]) if (form.dataset[name]) body[name] = Number(form.dataset[name]);
  for (const field of form.querySelectorAll("[data-list]")) body[field.name] = data.getAll(field.name);
  for (const [name, value] of data) if (typeof value === "string" && value && !Array.isArray(body[name])) body[name] = value;
  if ("worn" in body) { body.is_failure = false; delete body.worn; }
  return body;
}

const TWICE = 2000; // the same again within so many milliseconds is a second tap
const saved = new WeakMap(); // what each form saved last

async function record(form, { withoutPhoto = false } = {}) {
  if (form.dataset.saving) return; // a second tap makes no second record
  form.dataset.saving = "yes";
  try {
    await save(form, withoutPhoto);
  } finally {
    delete form.dataset.saving;
  }
}

async function save(form, withoutPhoto) {
  if (line.otherPerson) {
    say(form, "Somebody else is signed in on this phone now, so nothing is recorded here. Open Today first.");
    return;
  }
  const data = new FormData(form);
  const body = bodyOf(form, data);
  const times = timesNow();
  const file = data.get("photo");
  const last = saved.get(form);
  const same = last && last.text === JSON.stringify(body) && !(file && file.size);
  if (same && performance.now() - last.tick < TWICE) return;
  let photo = null;
  if (file && file.size && !withoutPhoto) {
    try {
      photo = await scaled(file);
    } catch {
      say(form, "This phone cannot read that photo. Take it again as JPEG or PNG, or save without it; nothing is saved yet.", withoutIt(form));
      return;
    }
  }
  const picked = form.querySelector("input[data-words]:checked");
  const words = (picked && picked.dataset.words) || form.dataset.words;
  let made;
  try {
    made = await keep(form.dataset.kind, body, words, photo, times);
  } catch (error) {
    const room = `This phone could not keep it (${error && error.name}). Nothing is saved yet, all is still on the screen: free some room, then save again${photo ? ", or save without the photo" : ""}.`;
    say(form, room, photo && withoutIt(form));
    return;
  }
  saved.set(form, { text: JSON.stringify(body), tick: performance.now() });
  form.reset();
  if (form.elements.corner) choose(form, { panel: "", corner: "" }); // reset() leaves hidden fields
  askForNeeded(form);
  countNotDone(form);
  showSaved(form, made);
  plan();
}

function withoutIt(form) {
  const button = document.createElement("button");
  button.type = "button";
  button.className = "plain";
  button.textContent = "Save without the photo";
  button.addEventListener("click", () => record(form, { withoutPhoto: true }));
  return button;
}

function say(form, words, button) {
  form.querySelector(".said").replaceChildren(words, ...(button ? [" ", button] : []));
}

// What is chosen of a finding's place. "Whole unit" is a choice too: it is stored as no panel.
const chosenIn = (form) => ({ panel: form.elements.panel.value, corner: form.elements.corner.value });

function choose(form, { panel, corner }, whole = false) {
  form.elements.panel.value = panel;
  form.elements.corner.value = corner;
  form.dataset.whole = whole ? "yes" : "";
  mark(form);
}

// Bring drawing, buttons and words in step with what is chosen.
function mark(form) {
  if (!form.elements.corner) return;
  const { panel, corner } = chosenIn(form);
  const drawing = form.querySelector("figure svg");
  if (drawing) showOn(drawing, { panel, corner });
  for (const button of form.querySelectorAll("[data-pick]")) {
    const { pick, value } = button.dataset;
    const pressed = { whole: form.dataset.whole === "yes", panel: value === panel, corner: value === corner }[pick];
    button.setAttribute("aria-pressed", String(pressed));
    if (pick === "corner") button.disabled = !panel;
  }
  const words = { UL: "upper left", UR: "upper right", LL: "lower left", LR: "lower right" }[corner];
  const place = panel ? `Panel ${panel}${words ? `, ${words} corner` : ""}` : form.dataset.whole ? "Whole unit" : "Nothing chosen yet";
  form.querySelector("#picked").textContent = place;
}

function pressed(form, { pick, value }) {
  const { panel, corner } = chosenIn(form);
  if (pick === "whole") choose(form, { panel: "", corner: "" }, !form.dataset.whole);
  else if (pick === "panel") choose(form, { panel: value === panel ? "" : value, corner: "" });
  else choose(form, { panel, corner: value === corner ? "" : value });
}

// Fields that only some answers need: data-needed-if names the answers, as in "severity=danger".
function askForNeeded(form) {
  const data = new FormData(form);
  for (const field of form.querySelectorAll("[data-needed-if]")) {
    field.required = field.dataset.neededIf.split("&").every((answer) => {
      const [name, values] = answer.split("=");
      return values.split("|").includes(data.get(name));
    });
  }
}

// Say of each group of tasks how many are not done, also while it is folded.
function countNotDone(form) {
  for (const group of form.querySelectorAll("details[data-tasks]")) {
    const number = [...group.querySelectorAll("select[name^=task_]")].filter((field) => field.value !== "done").length;
    group.querySelector("[data-not-done]").textContent = number ? `${number} not done` : "all done";
  }
}

for (const form of document.querySelectorAll("form[data-kind]")) {
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    record(form);
  });
  form.addEventListener("change", () => {
    askForNeeded(form);
    countNotDone(form);
  });
  form.addEventListener("click", (event) => {
    const button = event.target.closest("[data-pick]");
    if (button) pressed(form, button.dataset);
    if (!event.target.closest("figure svg")) return;
    const chosen = tapped(event.target, chosenIn(form));
    if (chosen) choose(form, chosen);
  });
  // A field that is folded away can't be asked for: unfold it.
  form.addEventListener("invalid", (event) => {
    for (let fold = event.target.closest("details"); fold; fold = fold.parentElement.closest("details")) fold.open = true;
  }, true);
  mark(form);
  askForNeeded(form);
}
