// Choosing on the drawing of a unit: first a panel, then one of its corners; a second tap takes the choice back.
"use strict";

// What is chosen after a tap on the drawing, or null where the tap met no panel and no corner.
export function tapped(target, { panel, corner }) {
  const area = target.closest("[data-panel]");
  if (!area) return null;
  const there = { panel: area.dataset.panel, corner: area.dataset.corner || "" };
  if (there.panel !== panel) return there;
  if (there.corner) return { panel, corner: there.corner === corner ? "" : there.corner };
  return { panel: "", corner: "" };
}

// Mark what is chosen on the drawing, and lay the areas of the corners over the chosen panel.
export function showOn(drawing, { panel, corner }) {
  const shown = corner ? `${panel} ${corner}` : panel;
  for (const part of drawing.querySelectorAll("[data-shows]")) part.classList.toggle("picked", part.dataset.shows === shown);
  for (const group of drawing.querySelectorAll("[data-corners]")) group.classList.toggle("on", group.dataset.corners === panel);
}
