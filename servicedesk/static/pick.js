// Recording a finding: touching a panel or a corner on the drawing chooses it in the fields, and what is
// chosen in the fields is marked on the drawing. Without this module the fields do the same work.

const form = document.querySelector("form.pick");
const drawing = form && form.querySelector("figure svg");
const panel = form && form.querySelector("select[name=panel]");
const corner = form && form.querySelector("select[name=corner]");
const said = form && form.querySelector("#picked");

function wordsOf(select) {
  return select.value ? select.selectedOptions[0].textContent.trim() : "";
}

function show() {
  for (const part of drawing.querySelectorAll("[data-panel]")) {
    const here = part.dataset.panel === panel.value && (part.dataset.corner || "") === corner.value;
    part.classList.toggle("picked", here);
  }
  const words = [wordsOf(panel), wordsOf(corner)].filter(Boolean).join(", ");
  said.textContent = words ? `Chosen: ${words}.` : "";
}

function touch(event) {
  const under = document.elementsFromPoint(event.clientX, event.clientY);
  const part = under.map((element) => element.closest("[data-panel]")).find(Boolean);
  if (!part) return;
  const again = part.classList.contains("picked");
  panel.value = again ? "" : part.dataset.panel;
  corner.value = again ? "" : part.dataset.corner || "";
  show();
}

if (drawing && panel && corner) {
  drawing.addEventListener("click", touch);
  panel.addEventListener("change", () => {
    if (!panel.value) corner.value = "";
    show();
  });
  corner.addEventListener("change", show);
  show();
}
