// A button that prints the page; it shows itself where this script runs.
"use strict";

document.addEventListener("DOMContentLoaded", () => {
  for (const button of document.querySelectorAll("[data-print]")) {
    button.hidden = false;
    button.addEventListener("click", () => window.print());
  }
});
