// Small help for every page; each page works without it.
"use strict";

// A file larger than its field takes is not sent: that is said beside the field, and what was typed stays.
function sayTooLarge(field) {
  const most = Number(field.dataset.mostBytes);
  const large = [...field.files].some((file) => file.size > most);
  let said = field.parentElement.querySelector("[data-too-large]");
  if (large && !said) {
    said = document.createElement("p");
    said.className = "wrong";
    said.dataset.tooLarge = "";
    said.id = `${field.id}_too_large`;
    said.setAttribute("role", "alert");
    field.after(said);
    const megabytes = (bytes) => Math.ceil(bytes / 1024 / 1024);
    said.textContent = `This file has ${megabytes(field.files[0].size)} MB, and ${megabytes(most)} MB are the most. `
      + "Choose a smaller one, or send your words without it.";
    field.setAttribute("aria-invalid", "true");
    field.setAttribute("aria-errormessage", said.id);
  } else if (!large && said) {
    said.remove();
    field.removeAttribute("aria-invalid");
    field.removeAttribute("aria-errormessage");
  }
  return large;
}

document.addEventListener("change", (event) => {
  if (event.target.dataset.mostBytes) sayTooLarge(event.target);
});

document.addEventListener("DOMContentLoaded", () => {
  const wrongs = document.querySelector("[data-focus]");
  if (wrongs) wrongs.focus();

  // A form is sent once, however often its button is pressed; going back makes it usable again.
  document.addEventListener("submit", (event) => {
    const form = event.target;
    const large = [...form.querySelectorAll("[data-most-bytes]")].filter(sayTooLarge);
    if (large.length) {
      event.preventDefault();
      large[0].focus();
      return;
    }
    if (form.dataset.sent) {
      event.preventDefault();
      return;
    }
    if (form.method === "post") form.dataset.sent = "yes";
  });
  window.addEventListener("pageshow", () => {
    for (const form of document.querySelectorAll("form[data-sent]")) delete form.dataset.sent;
  });
});

// htmx asks with the same token that forms carry.
document.addEventListener("htmx:configRequest", (event) => {
  const token = document.querySelector("input[name=csrfmiddlewaretoken]");
  if (token) event.detail.headers["X-CSRFToken"] = token.value;
});

// The pages that a technician's phone keeps for when there is no signal belong to one person: they go where nobody, or
// somebody else, is signed in (see static/field/pack.js).
document.addEventListener("DOMContentLoaded", async () => {
  if (!("caches" in window) || !(await caches.has("pack"))) return;
  const { signedOut, author } = document.body.dataset;
  const answer = await caches.match("/field/pack-owner", { cacheName: "pack" });
  const owner = answer ? await answer.json() : {};
  if (signedOut !== undefined || (author && author !== owner.author)) await caches.delete("pack");
});
