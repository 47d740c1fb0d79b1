// Recording a finding: touching a panel or a corner on the drawing chooses it in the fields, and what is
// chosen in the fields is marked on the drawing. Without this module the fields do the same work.

import { showOn, tapped } from "./field/picking.js";

const form = document.querySelector("form.pick");
const drawing = form && form.querySelector("figure svg");
const panel = form && form.querySelector("select[name=panel]");
const corner = form && form.querySelector("select[name=corner]");
const said = form && form.querySelector("#picked");

function wordsOf(select) {
  return select.value ? select.selectedOptions[0].textContent.trim() : "";
}

function show() {
  showOn(drawing, { panel: panel.value, corner: corner.value });
  const words = [wordsOf(panel), wordsOf(corner)].filter(Boolean).join(", ");
  said.textContent = words ? `Chosen: ${words}.` : "";
}

if (drawing && panel && corner) {
  drawing.addEventListener("click", (event) => {
    const chosen = tapped(event.target, { panel: panel.value, corner: corner.value });
    if (!chosen) return;
    panel.value = chosen.panel;
    corner.value = chosen.corner;
    show();
  });
  panel.addEventListener("change", () => {
    if (!panel.value) corner.value = "";
    show();
  });
  corner.addEventListener("change", show);
  show();
}
