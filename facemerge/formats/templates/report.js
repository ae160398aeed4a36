"use strict";
// Without this script every pair is shown side by side, as it is in print.
const root = document.documentElement;
root.classList.add("live");

function label(button, shown) {
  button.textContent = shown === "base" ? "Show the composite" : "Show the base frame";
}

for (const pair of document.querySelectorAll(".pair")) {
  const button = document.createElement("button");
  button.type = "button";
  button.className = "turn";
  pair.dataset.shown = "composite";
  label(button, "composite");
  const name = pair.getAttribute("aria-label");
  const update = (shown) => {
    pair.dataset.shown = shown;
    label(button, shown);
    button.setAttribute("aria-label", button.textContent + ": " + name);
  };
  button.addEventListener("click", () => update(pair.dataset.shown === "base" ? "composite" : "base"));
  update("composite");
  pair.before(button);
}

const beside = document.querySelector("#beside");
if (beside) {
  beside.hidden = false;
  beside.addEventListener("click", () => {
    const on = root.classList.toggle("beside");
    beside.setAttribute("aria-pressed", String(on));
  });
}

// Print shows what is folded away.
let opened = [];
addEventListener("beforeprint", () => {
  opened = [...document.querySelectorAll("details:not([open])")];
  for (const part of opened) part.open = true;
});
addEventListener("afterprint", () => {
  for (const part of opened) part.open = false;
});
