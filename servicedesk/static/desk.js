// Small help for every page; each page works without it.
"use strict";

document.addEventListener("DOMContentLoaded", () => {
  const wrongs = document.querySelector("[data-focus]");
  if (wrongs) wrongs.focus();

  // A form is sent once, however often its button is pressed; going back makes it usable again.
  document.addEventListener("submit", (event) => {
    const form = event.target;
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
