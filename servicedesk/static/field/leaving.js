// Signing out, from the porch's pages and from My account: the day's pages leave the phone, records not sent stay
// sealed to who made them. Without signal the phone is signed out all the same; the office hears of it with the next page.
"use strict";

import { clearPack, sealPack } from "./pack.js";
import { myRecords } from "./store.js";

const PATIENCE = 5000;
const SIGNED_OUT = "/field/signed-out/";

async function hearsUs() {
  try {
    const answer = await fetch("/field/token/", { cache: "no-store", signal: AbortSignal.timeout(PATIENCE) });
    return { there: answer.status < 500, token: (await answer.json().catch(() => ({}))).token };
  } catch {
    return { there: false };
  }
}

async function leave(form) {
  const records = await myRecords().catch(() => []);
  const unsent = records.map((record) => record.words).join("; ");
  if (unsent && !window.confirm(`Not sent yet: ${unsent}. They stay on this phone until you sign in again. Sign out?`)) return;
  const office = await hearsUs();
  if (office.there) {
    await clearPack();
    if (office.token) form.elements.csrfmiddlewaretoken.value = office.token; // the page may be an old one
    form.dataset.sure = "yes";
    form.submit();
    return;
  }
  await sealPack();
  const secure = location.protocol === "https:" ? "; secure" : "";
  document.cookie = `signed_out=yes; path=/; max-age=31536000; samesite=lax${secure}`;
  if ("caches" in window && (await caches.match(SIGNED_OUT))) location.replace(SIGNED_OUT);
  else document.body.textContent = "You are signed out on this device. The office hears of it when there is signal again.";
}

for (const form of document.querySelectorAll("form[data-sign-out]")) {
  form.addEventListener("submit", (event) => {
    if (form.dataset.sure) return;
    event.preventDefault();
    leave(form);
  });
}
